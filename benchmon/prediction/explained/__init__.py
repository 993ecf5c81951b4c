"""Where a predicted value comes from: a handbook formula, what each effect changes, and the budget of its uncertainty.

`derivation.explain` puts the three together.
"""
