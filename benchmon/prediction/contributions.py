"""Which part an uncertainty comes from: each allowance's share of the variance (the budget of JCGM 100:2008, H.1)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchmon.prediction.result import Floats

Shares = list[tuple[str, float]]
"""Labels with their share of the variance, largest first; what is left to 1 are allowances too small to name."""

MODEL = "the model itself"
_LEAST = 0.001


def shares_of(labels: Sequence[str], changes: Floats, model: float) -> Shares:
    """Return the shares of `changes` (count,), one for each label, and of `model`, all standard uncertainties.

    Labels that stand twice are added up.
    """
    variances = dict.fromkeys([*labels, MODEL], 0.0)
    for label, change in zip([*labels, MODEL], [*np.asarray(changes), model], strict=True):
        variances[label] += float(change) ** 2
    whole = sum(variances.values())
    if whole <= 0.0:
        return []
    shares = [(label, variance / whole) for label, variance in variances.items() if variance > _LEAST * whole]
    return sorted(shares, key=lambda entry: -entry[1])


def with_another(shares: Shares, label: str, share: float) -> Shares:
    """Return the shares with one more contribution, which makes up `share` of the variance then."""
    rest = [(name, part * (1.0 - share)) for name, part in shares]
    return sorted([*rest, (label, share)], key=lambda entry: -entry[1])
