"""A fit: what the parts of one supply really are, from the readings of its sessions.

`readings` are the data, `model` is the engine as a function of the unknowns, `estimate` finds them, `learned` writes
what is known of them into a bench file, `output` makes text and JSON of it.
"""

from benchmon.fit.estimate import Fitted, fit
from benchmon.fit.output import fit_as_dict, fit_as_text
from benchmon.fit.readings import read_data

__all__ = ["Fitted", "fit", "fit_as_dict", "fit_as_text", "read_data"]
