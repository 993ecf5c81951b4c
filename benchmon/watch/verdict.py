"""The verdict on a reading (En of ISO 13528), and when a change of it is worth an event.

A reading's own verdict and flags are always exact and immediate; these rules hold for events only, so that noise at a
limit does not fill the log:

- A state that matters (hot, stale, overrange, no reading) is announced at its first reading, and withdrawn after three
  readings in a row without it.
- A verdict is announced after three readings in a row with it.
"""

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


READINGS_IN_A_ROW = 3
INSIDE_THE_LINE = 0.1

_BADNESS = (Verdict.AGREES, Verdict.QUESTIONABLE, Verdict.DISAGREES)


class Latched:
    """A state of a channel that is announced at once and withdrawn after three readings without it."""

    def __init__(self) -> None:
        self.announced = False
        self._without = 0

    def update(self, present: bool) -> bool | None:
        """Take whether the state is there now. Return True where it begins, False where it is over, else None."""
        if present:
            self._without = 0
            began = not self.announced
            self.announced = True
            return True if began else None
        if not self.announced:
            return None
        self._without += 1
        if self._without < READINGS_IN_A_ROW:
            return None
        self.announced = False
        self._without = 0
        return False


class SteadyVerdict:
    """The verdict that was announced last, and the run of readings that speaks for another."""

    def __init__(self) -> None:
        self._announced = 0
        self._worse: list[int] = []
        self._better: list[int] = []

    def update(self, en: float | None) -> Verdict | None:
        """Take a reading's En. Return the verdict to announce now, or None."""
        if en is None or math.isnan(en):
            self._worse.clear()
            self._better.clear()
            return None
        worse = _BADNESS.index(verdict_of(en))
        better = _BADNESS.index(verdict_of(abs(en) + INSIDE_THE_LINE))
        self._worse = [*self._worse, worse] if worse > self._announced else []
        self._better = [*self._better, better] if better < self._announced else []
        # The least change that all three readings of the run support.
        if len(self._worse) >= READINGS_IN_A_ROW:
            return self._announce(min(self._worse))
        if len(self._better) >= READINGS_IN_A_ROW:
            return self._announce(max(self._better))
        return None

    def _announce(self, badness: int) -> Verdict:
        self._announced = badness
        self._worse.clear()
        self._better.clear()
        return _BADNESS[badness]
