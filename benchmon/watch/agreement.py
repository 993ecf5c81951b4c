"""Agreement of a reading with its expected value: the En number and the verdict it stands for."""

from __future__ import annotations

import math

from benchmon.bench import Channel
from benchmon.quantities import Expected
from benchmon.watch.records import Flag, Judgement, Verdict

AGREES_UP_TO = 1.0
QUESTIONABLE_UP_TO = 1.5

# A reading exactly on a line counts as inside it, whatever the last bit of the division says.
_LAST_BITS = 1e-9


def en_number(value: float, uncertainty: float, expected: float, expected_uncertainty: float) -> float | None:
    """Return En = (value − expected) / √(U² + U_expected²), signed; both U expanded (k = 2), all in one unit.

    Satisfactory where |En| ≤ 1 (ISO 13528; ISO/IEC 17043). Infinite where the values differ and neither has an
    uncertainty; None where a value is not finite, so there is nothing to compare.

    >>> round(en_number(10.05, 0.04, 10.00, 0.03), 3)
    1.0
    """
    spread = math.hypot(uncertainty, expected_uncertainty)
    difference = value - expected
    if not (math.isfinite(spread) and math.isfinite(difference)):
        return None
    if spread == 0:
        return math.copysign(math.inf, difference) if difference else 0.0
    return difference / spread


def verdict_of(en: float | None) -> Verdict:
    """Return the verdict of an En number: agrees up to 1, questionable up to 1.5, disagrees beyond."""
    if en is None or math.isnan(en):
        return Verdict.UNPREDICTED
    if abs(en) <= AGREES_UP_TO + _LAST_BITS:
        return Verdict.AGREES
    if abs(en) <= QUESTIONABLE_UP_TO + _LAST_BITS:
        return Verdict.QUESTIONABLE
    return Verdict.DISAGREES


def en_as_text(en: float | None, digits: int = 2) -> str:
    """Return an En number with its sign and `digits` decimals, or as many as its verdict needs; a dash for none.

    Rounded to two decimals 1.004 would read as one that agrees, which it does not.

    >>> en_as_text(0.5), en_as_text(-1.004), en_as_text(1.5004), en_as_text(None)
    ('+0.50', '-1.004', '+1.5004', '–')
    """
    if en is None or math.isnan(en):
        return "–"
    verdict = verdict_of(en)
    shown = (f"{en:+.{decimals}f}" for decimals in range(digits, 18))
    return next((text for text in shown if verdict_of(float(text)) is verdict), f"{en:+}")


def judgement_of(
    channel: Channel,
    time: float,
    value: float | None,
    expected: Expected | None,
    flags: frozenset[Flag] = frozenset(),
) -> Judgement:
    """Return the judgement of one reading by itself; `flags` are what its history adds.

    A value that is None or infinite has no En: there is nothing to compare.
    """
    uncertainty = en = None
    if value is not None and math.isfinite(value):
        uncertainty = channel.accuracy.of(value)
        if expected is not None:
            en = en_number(value, uncertainty, expected.value, expected.uncertainty)
    return Judgement(
        channel.name,
        time,
        value,
        uncertainty,
        None if expected is None else expected.value,
        None if expected is None else expected.uncertainty,
        en,
        verdict_of(en),
        flags,
    )
