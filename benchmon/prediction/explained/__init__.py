"""Where a predicted value comes from: a handbook formula, what each effect changes, and the budget of its uncertainty.

`explain` puts the three together.
"""

from benchmon.prediction.explained.derivation import Derivation, explain

__all__ = ["Derivation", "explain"]
