"""Sessions side by side: what was measured, corrected to one mains voltage and one ambient, beside what was expected.

A reading is moved by as much as the prediction moves between the conditions then and the common ones; a tenth of that
is allowed for in its uncertainty, and so is the uncertainty of the mains voltage itself. Differences are taken from the
first session. One is significant where it is larger than its expanded uncertainty. The same meter in two sessions would
err alike in both; that is not counted on.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchmon.bench import Bench
from benchmon.errors import BadInput, PredictionError
from benchmon.prediction.operating_point import OperatingPointPredictor
from benchmon.prediction.result import Prediction
from benchmon.quantities import UNITS, Expected, is_temperature
from benchmon.report.evaluation import Findings, find
from benchmon.report.session_reader import RecordedSession

MOST_SESSIONS = 8
_OF_CORRECTION = 0.1
_STEP = 0.01
CONDITIONS = ("mains.voltage.rms", "ambient.temperature", "mains.frequency")


@dataclass(frozen=True)
class Value:
    """One quantity of one session: as measured, corrected, and expected under the common conditions."""

    measured: float
    measured_uncertainty: float
    corrected: float
    uncertainty: float
    expected: Expected | None

    @property
    def is_measured(self) -> bool:
        """Whether a channel read it."""
        return math.isfinite(self.corrected)


@dataclass(frozen=True)
class Difference:
    """A session's quantity less that of the first: measured, and expected; NaN and None for what is not known."""

    measured: float
    uncertainty: float
    expected: float
    expected_uncertainty: float

    @property
    def significant(self) -> bool | None:
        """Whether the measured difference is larger than its uncertainty."""
        return abs(self.measured) > self.uncertainty if math.isfinite(self.measured) else None

    @property
    def as_expected(self) -> bool | None:
        """Whether the measured difference agrees with the expected one."""
        if not (math.isfinite(self.measured) and math.isfinite(self.expected)):
            return None
        return abs(self.measured - self.expected) <= math.hypot(self.uncertainty, self.expected_uncertainty)


@dataclass(frozen=True)
class Compared:
    """One quantity of all sessions; `differences` are of all but the first."""

    quantity: str
    unit: str
    values: tuple[Value, ...]
    differences: tuple[Difference, ...]


@dataclass(frozen=True)
class Comparison:
    """Sessions side by side. `mains` and `ambient` are the common ones, None where nothing was corrected to any."""

    found: tuple[Findings, ...]
    labels: tuple[str, ...]
    mains: float | None
    ambient: float | None
    predictions: tuple[Prediction | None, ...]
    compared: tuple[Compared, ...]
    notes: tuple[str, ...]


def compare(sessions: Sequence[RecordedSession], mains: float | None = None) -> Comparison:
    """Return sessions side by side at `mains` (V rms), or at the mean of what was measured.

    Raises `BadInput` for fewer than two sessions or too many, `SessionFileError` where one is damaged.
    """
    if not 2 <= len(sessions) <= MOST_SESSIONS:
        raise BadInput(f"a comparison is of 2 to {MOST_SESSIONS} sessions, not of {len(sessions)}")
    found = tuple(find(session) for session in sessions)
    common = mains if mains is not None else _mean([one.mains for one in found])
    ambient = _mean([one.ambient for one in found])
    corrections = [_Correction.of(one, common, ambient) for one in found]
    compared = [_compared(quantity, found, corrections) for quantity in UNITS if quantity not in CONDITIONS]
    return Comparison(
        found,
        labels_of(sessions),
        common,
        ambient,
        tuple(one.there for one in corrections),
        tuple(one for one in compared if any(value.is_measured for value in one.values)),
        tuple(_notes(found, corrections, common, mains)),
    )


def labels_of(sessions: Sequence[RecordedSession]) -> tuple[str, ...]:
    """Return a short name for each session: A, B, … with its file."""
    return tuple(f"{chr(65 + at)}: {session.path.name}" for at, session in enumerate(sessions))


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None


@dataclass(frozen=True)
class _Correction:
    """The predictions of one session: under its own conditions, under the common ones, and with a little more mains."""

    here: Prediction | None
    there: Prediction | None
    more: Prediction | None
    step: float
    of_mains: float

    @classmethod
    def of(cls, found: Findings, mains: float | None, ambient: float | None) -> _Correction:
        own = found.of("mains.voltage.rms")
        try:
            follower = OperatingPointPredictor(found.bench)
            there = follower.at(mains, ambient if found.ambient is not None else None, found.load)
            if found.mains is None or mains is None:
                return cls(None, there, None, 1.0, 0.0)
            more = follower.at(mains * (1.0 + _STEP), ambient if found.ambient is not None else None, found.load)
        except PredictionError:
            return cls(None, None, None, 1.0, 0.0)
        return cls(found.prediction, there, more, mains * _STEP, own.uncertainty if own is not None else 0.0)

    @property
    def corrects(self) -> bool:
        return self.here is not None and self.there is not None and self.more is not None

    def value(self, quantity: str, measured: float, uncertainty: float) -> Value:
        there = self.there.quantities.get(quantity) if self.there else None
        moved, spread = self._moved(quantity)
        total = math.hypot(uncertainty, spread)
        return Value(measured, uncertainty, measured + moved, total, there)

    def _moved(self, quantity: str) -> tuple[float, float]:
        """Return by how much a reading is moved to the common conditions, and how uncertain that is."""
        if self.here is None or self.there is None or self.more is None:
            return 0.0, 0.0
        here, there, more = (one.quantities.get(quantity) for one in (self.here, self.there, self.more))
        if here is None or there is None or more is None:
            return 0.0, 0.0
        moved, slope = there.value - here.value, (more.value - there.value) / self.step
        return moved, math.hypot(_OF_CORRECTION * moved, slope * self.of_mains)


def _compared(quantity: str, found: Sequence[Findings], corrections: Sequence[_Correction]) -> Compared:
    values = []
    for one, correction in zip(found, corrections, strict=True):
        values.append(correction.value(quantity, *_read(one, quantity)))
    same = _supplies(found)
    differences = tuple(
        _difference(values[0], value, same=same[0] == same[at]) for at, value in enumerate(values) if at
    )
    return Compared(quantity, UNITS[quantity], tuple(values), differences)


def _read(found: Findings, quantity: str) -> tuple[float, float]:
    """Return what a session read at its end, with its uncertainty; of a temperature where it settles, if forecast."""
    one = found.of(quantity)
    if one is None:
        return math.nan, math.nan
    forecasts = [
        forecast
        for forecast in found.session.forecasts
        if forecast.channel == one.channel.name and forecast.time <= found.window.until + 1.0
    ]
    if is_temperature(quantity) and forecasts and forecasts[-1].final is not None:
        return forecasts[-1].final, math.hypot(
            forecasts[-1].uncertainty or 0.0, one.channel.accuracy.of(forecasts[-1].final)
        )
    return one.value, one.uncertainty


def _supplies(found: Sequence[Findings]) -> list[Mapping[str, object]]:
    return [supply_of(one.bench) | {"load now": one.load} for one in found]


def supply_of(bench: Bench) -> dict[str, object]:
    """Return what of a bench is the supply itself: not its title, its meters or its plan."""
    return bench.model_dump(exclude={"title", "instrument", "channel", "step", "switch_off", "ambient"})


def _difference(first: Value, other: Value, *, same: bool) -> Difference:
    """Return the difference of two values. Of one and the same supply the same is expected, whatever its parts are."""
    expected, spread = math.nan, math.nan
    if first.expected is not None and other.expected is not None:
        expected = other.expected.value - first.expected.value
        spread = 0.0 if same else math.hypot(first.expected.uncertainty, other.expected.uncertainty)
    return Difference(
        other.corrected - first.corrected, math.hypot(first.uncertainty, other.uncertainty), expected, spread
    )


def _notes(
    found: Sequence[Findings], corrections: Sequence[_Correction], common: float | None, asked: float | None
) -> list[str]:
    labels = [chr(65 + at) for at in range(len(found))]
    notes = []
    if common is not None:
        how = "as asked" if asked is not None else "the mean of what was measured"
        moved = [label for label, one in zip(labels, corrections, strict=True) if one.corrects]
        notes.append(
            f"Readings of {', '.join(moved) or 'no session'} are corrected by the prediction to a mains of "
            f"{common:.1f} V, {how}, and to one ambient; a tenth of the correction is allowed for."
        )
    left = [label for label, one in zip(labels, corrections, strict=True) if not one.corrects]
    if left:
        notes.append(f"Not corrected is {', '.join(left)}: no channel read the mains there, or nothing is predicted.")
    if any(is_temperature(one.channel.quantity) for each in found for one in each.channels):
        notes.append("Temperatures are where they settle, as far as that was forecast; expected ones are settled.")
    for label, one in zip(labels, found, strict=True):
        if one.tripped:
            notes.append(f"{label} went past a limit: {', '.join(one.tripped)}.")
        if not one.window.is_powered:
            notes.append(f"No channel of {label} shows that the mains was on; the end of the recording is taken.")
    return notes
