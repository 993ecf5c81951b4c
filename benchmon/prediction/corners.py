"""Corners within the tolerances: where first-order propagation is wrong, limits come from drawn supplies.

A regulator that runs out of headroom, or a choke whose current begins to cease, changes how readings depend on parts.
A derivative at the nominal values knows one side of such a corner. Where a corner is as near as the tolerances reach, a
few hundred supplies are drawn, and the quantities that they spread wider get the limits of 95 % of them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from benchmon.errors import PredictionError
from benchmon.prediction.circuit.traces import choke_rests, least_choke_current
from benchmon.prediction.monte_carlo import Nominal, draw_around
from benchmon.prediction.solved import STEP
from benchmon.quantities import Expected
from benchmon.signals.uncertainty import COVERAGE

_DRAWS = 240

_WIDER = 1.25
"""How many times as far as the first-order uncertainty a drawn limit lies, from which it takes its place."""

_BRIEF_REST = 0.15
"""Part of the time without current up to which a choke is near the corner at which its current becomes continuous."""

_NOT_DRAWN = "mains.voltage.thd"
"""What is expected of it is no nominal value, but what is usual."""


def with_drawn_limits(nominal: Nominal, expected: Mapping[str, Expected]) -> dict[str, Expected]:
    """Return the expected values whose limits come from draws, since a corner lies within the tolerances.

    It is empty where there is no such corner, or where a drawn circuit cannot be solved.
    """
    if not (_headroom_may_end(nominal, expected) or _choke_may_rest(nominal)):
        return {}
    try:
        drawn = draw_around(nominal, _DRAWS)
    except PredictionError:
        return {}
    found: dict[str, Expected] = {}
    for name, entry in expected.items():
        low, high = (float(limit) for limit in np.quantile(drawn[name], [0.025, 0.975]))
        low, high = min(low, entry.value), max(high, entry.value)
        farther = max(high - entry.value, entry.value - low)
        if name != _NOT_DRAWN and farther > _WIDER * entry.uncertainty:
            found[name] = replace(entry, uncertainty=farther, low=low, high=high)
    return found


def _headroom_may_end(nominal: Nominal, expected: Mapping[str, Expected]) -> bool:
    """Return whether some supplies within the tolerances regulate, and some do not."""
    regulator, headroom = nominal.bench.regulator, expected.get("regulator.voltage.headroom")
    if regulator is None or headroom is None:
        return False
    peak = expected["output.voltage.peak"]
    dropout = COVERAGE * sum(entry.size for entry in nominal.inputs if entry.part == "regulator.dropout")
    reach = np.hypot(headroom.uncertainty, dropout * regulator.dropout)
    may_end = headroom.value - regulator.dropout < reach
    return bool(may_end) and peak.value + peak.uncertainty >= regulator.output_voltage


def _choke_may_rest(nominal: Nominal) -> bool:
    """Return whether the current of a choke at the input ceases in some supplies within the tolerances, not in all."""
    state, moved = nominal.solved.equilibrium.state, nominal.moved.equilibrium.state
    rests, least, others = choke_rests(state), least_choke_current(state), least_choke_current(moved)
    if rests is None or least is None or others is None:
        return False
    if rests[0] > 0.0:
        return bool(rests[0] < _BRIEF_REST)
    return bool(least[0] < COVERAGE * np.sqrt(np.sum(((others - least[0]) / STEP) ** 2)))
