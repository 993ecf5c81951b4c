"""The verdict on a reading (En of ISO 13528), and when a change of it is worth an event.

A reading's own verdict and flags are always exact and immediate; these rules hold for events only, so that noise at a
limit does not fill the log:

- A state that matters (hot, stale, overrange, no reading) is announced at its first reading, and withdrawn after three
  readings in a row without it.
- A verdict is announced after three readings in a row that support it clearly, so that neither noise nor the last digit
  of a display makes it change to and fro.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import replace
from statistics import median

from benchmon.bench import Channel
from benchmon.quantities import Expected
from benchmon.text import with_minus
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
    ('+0.50', '−1.004', '+1.5004', '–')
    """
    if en is None or math.isnan(en):
        return "–"
    verdict = verdict_of(en)
    shown = (f"{en:+.{decimals}f}" for decimals in range(digits, 18))
    return with_minus(next((text for text in shown if verdict_of(float(text)) is verdict), f"{en:+}"))


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


def spread_of(judgement: Judgement) -> float:
    """Return what En is divided by: the root-sum-square of both expanded uncertainties."""
    return math.hypot(judgement.uncertainty or 0.0, judgement.expected_uncertainty or 0.0)


READINGS_IN_A_ROW = 3
READINGS_THAT_DECIDE = 20
"""Readings in a row beyond a line, each by less than its display moves, that change a verdict nonetheless."""
INSIDE_THE_LINE = 0.1
_MOVES_KEPT, _FEWEST_MOVES = 20, 6
_FAR_INSIDE = 3.0
"""Times as far inside a line as clearly better is, from which a single reading is better at once."""
_MOST_DOUBT = 2.0
"""Of En: a display that moves by more than that shows a fault, such as a contact that opens and closes."""

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


class _Streak:
    """The readings in a row that support a verdict worse (or better) than the announced one."""

    def __init__(self, needed: int, *, worse: bool) -> None:
        self._worse = worse
        self._supported: deque[int] = deque(maxlen=needed)

    def clear(self) -> None:
        self._supported.clear()

    def take(self, badness: int, announced: int) -> int | None:
        """Take the badness that a reading supports; return the least change that a whole run supports, or None.

        While the latest reading supports a greater change, it is waited for: the run began on the way there.
        """
        if badness == announced or (badness > announced) is not self._worse:
            self._supported.clear()
            return None
        self._supported.append(badness)
        least = min(self._supported) if self._worse else max(self._supported)
        return least if len(self._supported) == self._supported.maxlen and badness == least else None


class SteadyVerdict:
    """The verdict that was announced last, and the runs of readings that support another one.

    A verdict is announced after three readings in a row that pass its line clearly: for the worse by more than the
    display moves between readings (its last digit, or noise), for the better by as much and at least a tenth of En.
    Where a value stays closer to the line than that, `READINGS_THAT_DECIDE` in a row decide.

    `shown` is what rows and the first line go by: worse at once with a reading that passes the line by more than the
    display moves, better at once with one that is far inside, otherwise as it is announced. So no last digit moves it
    to and fro, and a single reading logged by hand counts.
    """

    def __init__(self) -> None:
        self.announced = self.shown = Verdict.AGREES
        self._last: float | None = None
        self._moves: deque[float] = deque(maxlen=_MOVES_KEPT)
        self._clearly_worse = _Streak(READINGS_IN_A_ROW, worse=True)
        self._clearly_better = _Streak(READINGS_IN_A_ROW, worse=False)
        self._worse = _Streak(READINGS_THAT_DECIDE, worse=True)
        self._better = _Streak(READINGS_THAT_DECIDE, worse=False)
        self._shown_clearly_better = _Streak(READINGS_IN_A_ROW, worse=False)
        self._shown_better = _Streak(READINGS_THAT_DECIDE, worse=False)
        self._is_quiet = True

    def update(self, value: float | None, en: float | None, spread: float = 0.0) -> Verdict | None:
        """Take a reading's `value` and its En; return the verdict to announce now, or None.

        `spread` is what En was divided by: the root-sum-square of both expanded uncertainties, in the unit of `value`.
        """
        if value is not None and math.isfinite(value):
            if self._last is not None and value != self._last:
                self._moves.append(abs(value - self._last))
            self._last = value
        if en is None or math.isnan(en):
            self._clear()
            return None
        verdict = verdict_of(en)
        if verdict is self.announced and verdict is self.shown:
            # Neither a clearly worse nor a clearly better reading, nor one far inside, is on the other side of its own.
            self._clear()
            return None
        announced, badness = _BADNESS.index(self.announced), _BADNESS.index(verdict)
        doubt = self._display_moves_by(spread)
        clearly_worse = _BADNESS.index(verdict_of(max(0.0, abs(en) - doubt)))
        clearly_better = _BADNESS.index(verdict_of(abs(en) + max(INSIDE_THE_LINE, doubt)))
        self._is_quiet = False
        found = (
            self._clearly_worse.take(clearly_worse, announced),
            self._clearly_better.take(clearly_better, announced),
            self._worse.take(badness, announced),
            self._better.take(badness, announced),
        )
        decided = next((each for each in found if each is not None), None)
        far_inside = _BADNESS.index(verdict_of(abs(en) + _FAR_INSIDE * max(INSIDE_THE_LINE, doubt)))
        self._show(badness, clearly_worse, clearly_better, far_inside)
        if decided is None:
            return None
        self.announced = self.shown = _BADNESS[decided]
        self._clear()
        return self.announced

    def _show(self, badness: int, clearly_worse: int, clearly_better: int, far_inside: int) -> None:
        shown = _BADNESS.index(self.shown)
        better = (self._shown_clearly_better.take(clearly_better, shown), self._shown_better.take(badness, shown))
        if clearly_worse > shown:
            self.shown = _BADNESS[clearly_worse]
        elif far_inside < shown:
            self.shown = _BADNESS[far_inside]
        else:
            self.shown = _BADNESS[next((each for each in better if each is not None), shown)]

    def _display_moves_by(self, spread: float) -> float:
        """Return by how much of En the display typically moves where it moves, at most `_MOST_DOUBT`.

        That is its last digit where it is coarse, and its noise where it is fine.
        """
        if len(self._moves) < _FEWEST_MOVES or not spread > 0:
            return 0.0
        return min(_MOST_DOUBT, median(self._moves) / spread)

    def _clear(self) -> None:
        if not self._is_quiet:
            self._is_quiet = True
            for run in (
                self._clearly_worse,
                self._clearly_better,
                self._worse,
                self._better,
                self._shown_clearly_better,
                self._shown_better,
            ):
                run.clear()


class SteadyVerdicts:
    """The verdicts of channels as rows and the first line show them: steady, see `SteadyVerdict.shown`."""

    def __init__(self) -> None:
        self._channels: dict[str, SteadyVerdict] = {}

    def shown(self, judgement: Judgement) -> Judgement:
        """Take the next judgement of a channel; return it with the verdict to show, which is its own or a steady one.

        Without a verdict of its own it has none.
        """
        if judgement.verdict is Verdict.UNPREDICTED:
            return judgement
        steady = self._channels.get(judgement.channel)
        if steady is None:
            steady = self._channels[judgement.channel] = SteadyVerdict()
        steady.update(judgement.value, judgement.en, spread_of(judgement))
        return judgement if steady.shown is judgement.verdict else replace(judgement, verdict=steady.shown)
