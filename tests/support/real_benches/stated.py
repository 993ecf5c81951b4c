"""What the watch stated of a drawn supply's log, how right that is, and how these figures are shown."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from benchmon.watch.diagnosis.explainer import NONE_OF_THESE, NOTHING_WRONG
from support.real_benches.faults import RealFault
from support.real_benches.supplies import RealSupply

Case = dict[str, Any]
"""One judged log: supply, way, fault, and what was stated."""

Row = tuple[str, str, str, bool]
"""A measured figure: name, figure, allowed, whether it is met."""

SURE, CONFIDENT = 0.5, 0.7
_BINS = (0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.97, 1.0001)
_LEAST_IN_BIN = 20


def case_of(real: RealSupply, fault: RealFault | None, answer: dict[str, Any]) -> Case:
    """Return a case, with the `answer` of `benchmon assess` to the log of a supply with a fault."""
    first = answer["explanations"][:3]
    rows = answer["channels"].items()
    return {
        "supply": real.seed,
        "rectifier": real.circuit.rectifier,
        "way": real.way,
        "fault": None if fault is None else fault.name,
        "catalogued": fault is not None and fault.is_catalogued,
        "disagreeing": [name for name, one in rows if one["verdict"] == "disagrees"],
        "flagged": sorted({flag for _, one in rows for flag in one["flags"]}),
        "en": {name: one["en"] for name, one in rows},
        "stated": [[one["cause"], one["likelihood"]] for one in first],
        "named": [fault is not None and fault.is_named_by(one["cause"]) for one in first],
    }


def is_right(case: Case) -> bool:
    """Return whether the first statement of a case is true."""
    cause = case["stated"][0][0]
    if case["fault"] is None:
        return bool(cause == NOTHING_WRONG)
    if case["named"][0] or (not case["disagreeing"] and cause == NOTHING_WRONG):
        return True
    return not case["catalogued"] and cause == NONE_OF_THESE


def is_seen(case: Case) -> bool:
    """Return whether a case has a fault that some row shows."""
    return case["fault"] is not None and bool(case["disagreeing"] or case["flagged"])


def rows_of_causes(cases: Sequence[Case]) -> Iterator[Row]:
    """Yield how often the true cause is stated, in the catalogue and outside it, and how often a wrong one."""
    sound, seen = [one for one in cases if one["fault"] is None], [one for one in cases if is_seen(one)]
    known, other = [[one for one in seen if one["catalogued"] is which] for which in (True, False)]
    wrong = [one for one in sound if not is_right(one) and one["stated"][0][1] > SURE]
    misled = [one for one in other if not is_right(one) and one["stated"][0][1] >= CONFIDENT]
    yield share("sound: a wrong cause above 0.5", wrong, sound, 0.01)
    yield share("catalogue: true cause first", [one for one in known if one["named"][0]], known, 0.9, least=True)
    yield share("catalogue: in the first three", [one for one in known if any(one["named"])], known, 0.98, least=True)
    yield share("outside: a wrong cause at 0.7 or more", misled, other, 0.05)
    yield share("outside: named, or none of these", [one for one in other if is_right(one)], other, None)


def rows_of_bins(cases: Sequence[Case]) -> Iterator[Row]:
    """Yield, by how likely the first statement is said to be, how often it is right; 0.1 apart is allowed.

    Of few cases nothing is allowed or refused.
    """
    shown = [one for one in cases if one["fault"] is None or is_seen(one)]
    for low, high in pairwise(_BINS):
        inside = [one for one in shown if low <= one["stated"][0][1] < high]
        if inside:
            stated = float(np.mean([one["stated"][0][1] for one in inside]))
            right, few = sum(map(is_right, inside)) / len(inside), len(inside) < _LEAST_IN_BIN
            figure = f"{stated:.2f} stated, {right:.2f} right, {len(inside)} cases"
            allowed = "0.1 apart" + (" (too few)" if few else "")
            yield f"stated {low:.2f} to {min(high, 1.0):.2f}", figure, allowed, few or abs(stated - right) <= 0.1


def share(what: str, some: Sequence[Case], every: Sequence[Case], allowed: float | None, *, least: bool = False) -> Row:
    """Return the part that `some` are of `every` case, at most, or at `least`, what is allowed; None shows it only."""
    part = len(some) / len(every) if every else 0.0
    figure = f"{len(some)} of {len(every)} = {part:.1%}"
    if allowed is None:
        return what, figure, "shown only", True
    ok = not every or (part >= allowed if least else part <= allowed)
    return what, figure, f"{'≥' if least else '≤'} {allowed:.0%}", ok


def line_of(row: Row) -> str:
    """Return a figure as it is printed."""
    what, figure, allowed, ok = row
    return f"{'ok    ' if ok else 'MISSED'}  {what}: {figure} ({allowed})"
