"""Sessions side by side: what was measured, corrected to one mains voltage and one ambient, beside what was expected.

A reading is moved by as much as the prediction moves between the conditions then and the common ones; a tenth of that
is allowed for in its uncertainty, and so is the uncertainty of the mains voltage itself. Differences are taken from the
first session. One is significant where it is larger than its expanded uncertainty.

One meter that reads both sessions on one range errs alike in both, so its error all but cancels in a difference
(correlated inputs, JCGM 100:2008, 5.2 and F.1.2.3). It counts as one meter where it called itself the same, or has the
same address, and its channel has the same name, quantity and accuracy; two readings less than a tenth apart count as of
one range.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from benchmon.bench import Bench, Channel
from benchmon.errors import BadInput, PredictionError
from benchmon.prediction.operating_point import OperatingPointPredictor
from benchmon.prediction.result import Prediction
from benchmon.quantities import UNITS, Expected, is_temperature
from benchmon.report.evaluation import EndOfTest, Findings, find, predict_under
from benchmon.report.session_reader import RecordedSession

MOST_SESSIONS = 8
_OF_CORRECTION = 0.1
_ONE_RANGE = 0.1
OF_METER = 0.2
"""The part of a meter's accuracy by which its error may differ between two tests, from memory: warm-up and the year's
drift are the larger parts of an accuracy."""
_STEP = 0.01
CONDITIONS = ("mains.voltage.rms", "ambient.temperature", "mains.frequency")


@dataclass(frozen=True)
class Value:
    """One quantity of one session: as measured, corrected, and expected under the common conditions.

    `of_meter` is that part of the uncertainties which comes from the meter's accuracy, `of_mains` that part of
    `uncertainty` which comes from the mains meter's, through the correction.
    """

    measured: float
    measured_uncertainty: float
    corrected: float
    uncertainty: float
    expected: Expected | None
    of_meter: float = 0.0
    of_mains: float = 0.0

    @property
    def is_measured(self) -> bool:
        """Whether a channel read it."""
        return math.isfinite(self.corrected)


@dataclass(frozen=True)
class Difference:
    """A session's quantity less that of the first: measured, and expected; NaN and None for what is not known.

    `same_meter` is whether one meter read both on one range.
    """

    measured: float
    uncertainty: float
    expected: float
    expected_uncertainty: float
    same_meter: bool = False

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
class ComparedStep:
    """A step of the plan that several sessions have: `places` are their places in the comparison, `mains` is common."""

    name: str
    places: tuple[int, ...]
    mains: float | None
    compared: tuple[Compared, ...]


@dataclass(frozen=True)
class Comparison:
    """Sessions side by side. `mains` and `ambient` are the common ones, None where nothing was corrected to any.

    `steps` are those that at least two sessions went through, in the order of the first that has them.
    """

    found: tuple[Findings, ...]
    labels: tuple[str, ...]
    mains: float | None
    ambient: float | None
    predictions: tuple[Prediction | None, ...]
    compared: tuple[Compared, ...]
    notes: tuple[str, ...]
    steps: tuple[ComparedStep, ...] = ()

    @property
    def legends(self) -> tuple[str, ...]:
        """A short name of each session for a picture: A, B, … with the bench's title and the unit's serial number."""
        pairs = zip(self.labels, self.found, strict=True)
        return tuple(f"{label[:1]}: {found.session.info.title}" for label, found in pairs)


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
    compared = _all_compared(found, corrections)
    return Comparison(
        found,
        labels_of(sessions),
        common,
        ambient,
        tuple(one.there for one in corrections),
        compared,
        tuple(_notes(found, corrections, common, mains, compared)),
        tuple(_steps(found, mains)),
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

    def value(self, quantity: str, measured: float, uncertainty: float, of_meter: float) -> Value:
        there = self.there.quantities.get(quantity) if self.there else None
        moved, of_mains = self._moved(quantity)
        total = math.hypot(uncertainty, _OF_CORRECTION * moved, of_mains)
        return Value(measured, uncertainty, measured + moved, total, there, of_meter, of_mains)

    def _moved(self, quantity: str) -> tuple[float, float]:
        """Return by how much a reading is moved to the common conditions, and what the mains meter may move it by."""
        if self.here is None or self.there is None or self.more is None:
            return 0.0, 0.0
        here, there, more = (one.quantities.get(quantity) for one in (self.here, self.there, self.more))
        if here is None or there is None or more is None:
            return 0.0, 0.0
        moved, slope = there.value - here.value, (more.value - there.value) / self.step
        return moved, slope * self.of_mains


def _steps(found: Sequence[Findings], mains: float | None) -> Iterator[ComparedStep]:
    """Yield the steps of one name that at least two sessions went through, each corrected to a mains of its own."""
    names = dict.fromkeys(step.stage.step.name for one in found for step in one.steps)
    for name in names:
        pairs = [(place, _at_step(one, name)) for place, one in enumerate(found)]
        known = [(place, one) for place, one in pairs if one is not None]
        if len(known) < 2:
            continue
        of_step = [one for _, one in known]
        common = mains if mains is not None else _mean([one.mains for one in of_step])
        ambient = _mean([one.ambient for one in of_step])
        compared = _all_compared(of_step, [_Correction.of(one, common, ambient) for one in of_step])
        yield ComparedStep(name, tuple(place for place, _ in known), common, compared)


def _at_step(found: Findings, name: str) -> Findings | None:
    """Return what a session came to at the end of the last step of that name, None where it has none."""
    step = next((one for one in reversed(found.steps) if one.stage.step.name == name), None)
    if step is None:
        return None
    there = replace(found, window=step.window, channels=step.channels, steps=(), prediction=None)
    mains, ambient = there.of("mains.voltage.rms"), there.of("ambient.temperature")
    at = (None if mains is None else mains.value, None if ambient is None else ambient.value)
    prediction, problem = predict_under(there.bench, *at, step.load)
    return replace(there, mains=at[0], ambient=at[1], load=step.load, prediction=prediction, problem=problem)


def _all_compared(found: Sequence[Findings], corrections: Sequence[_Correction]) -> tuple[Compared, ...]:
    """Return each quantity that at least one session measured."""
    compared = (_compared(quantity, found, corrections) for quantity in UNITS if quantity not in CONDITIONS)
    return tuple(one for one in compared if any(value.is_measured for value in one.values))


def _compared(quantity: str, found: Sequence[Findings], corrections: Sequence[_Correction]) -> Compared:
    values = []
    for one, correction in zip(found, corrections, strict=True):
        values.append(correction.value(quantity, *_read(one, quantity)))
    same = _supplies(found)
    differences = tuple(
        _difference(
            values[0],
            value,
            same=same[0] == same[at],
            meter=shared_meter(quantity, found[0], found[at]),
            mains_meter=shared_meter("mains.voltage.rms", found[0], found[at]),
        )
        for at, value in enumerate(values)
        if at
    )
    return Compared(quantity, UNITS[quantity], tuple(values), differences)


def shared_meter(quantity: str, first: EndOfTest, other: EndOfTest) -> Channel | None:
    """Return the channel of the meter that read a quantity of both sessions on one range, None where two did."""
    one, two = first.of(quantity), other.of(quantity)
    if one is None or two is None or abs(two.value - one.value) > _ONE_RANGE * abs(one.value):
        return None
    ours, theirs = one.channel, two.channel
    is_same = (ours.name, ours.accuracy, ours.scale) == (theirs.name, theirs.accuracy, theirs.scale)
    known = meter_of(first, ours)
    return ours if is_same and known and known == meter_of(other, theirs) else None


def meter_of(found: EndOfTest, channel: Channel) -> tuple[str, ...]:
    """Return what a channel's instrument is known by: its driver, and what it called itself or else its address.

    Nothing is known of a meter whose readings a person types.
    """
    if channel in found.bench.typed_channels:
        return ()
    instrument = next(one for one in found.bench.instrument if one.name == channel.instrument)
    return instrument.driver, found.session.identities.get(instrument.name) or instrument.address


def _read(found: Findings, quantity: str) -> tuple[float, float, float]:
    """Return what a session read at its end, with its uncertainty and the meter's part of that.

    Of a temperature it is where that settles, if forecast.
    """
    one = found.of(quantity)
    if one is None:
        return math.nan, math.nan, math.nan
    forecasts = [
        forecast
        for forecast in found.session.forecasts
        if forecast.channel == one.channel.name and forecast.time <= found.window.until + 1.0
    ]
    if is_temperature(quantity) and forecasts and forecasts[-1].final is not None:
        final, spread = forecasts[-1].final, forecasts[-1].uncertainty or 0.0
        of_meter = one.channel.accuracy.of(final)
        return final, math.hypot(spread, of_meter), of_meter
    return one.value, one.uncertainty, min(one.channel.accuracy.of(one.value), one.uncertainty)


def _supplies(found: Sequence[Findings]) -> list[Mapping[str, object]]:
    return [supply_of(one.bench) | {"load now": one.load} for one in found]


def supply_of(bench: Bench) -> dict[str, object]:
    """Return what of a bench is the supply itself: not its title, its meters or its plan."""
    return bench.model_dump(
        exclude={"title", "instrument", "channel", "step", "switch_off", "ambient", "report", "learned"}
    )


def _difference(
    first: Value, other: Value, *, same: bool, meter: Channel | None, mains_meter: Channel | None
) -> Difference:
    """Return the difference of two values. Of one and the same supply the same is expected, whatever its parts are."""
    measured = other.corrected - first.corrected
    own = sum(one.uncertainty**2 - one.of_meter**2 - one.of_mains**2 for one in (first, other))
    of_meter = math.hypot(first.of_meter, other.of_meter)
    if meter is not None:
        of_meter = math.hypot(OF_METER * of_meter, meter.accuracy.relative * (other.measured - first.measured))
    of_mains = math.hypot(first.of_mains, other.of_mains)
    if mains_meter is not None:
        of_mains = math.hypot(OF_METER * of_mains, other.of_mains - first.of_mains)
    uncertainty = math.hypot(math.sqrt(max(0.0, own)), of_meter, of_mains)
    expected, spread = math.nan, math.nan
    if first.expected is not None and other.expected is not None:
        expected = other.expected.value - first.expected.value
        spread = 0.0 if same else math.hypot(first.expected.uncertainty, other.expected.uncertainty)
    return Difference(measured, uncertainty, expected, spread, meter is not None)


def _notes(
    found: Sequence[Findings],
    corrections: Sequence[_Correction],
    common: float | None,
    asked: float | None,
    compared: Sequence[Compared],
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
        notes.append(
            f"Not corrected: {', '.join(left)}, since no channel read the mains there, or nothing is predicted."
        )
    if any(is_temperature(one.channel.quantity) for each in found for one in each.channels):
        notes.append("Temperatures are where they settle, as far as that was forecast; expected ones are settled.")
    if any(difference.same_meter for one in compared for difference in one.differences):
        notes.append(
            "Where one meter read both sessions on one range, its error all but cancels in the difference: "
            f"{OF_METER:.0%} of its accuracy is counted there.".replace("%", " %")
        )
    for label, one in zip(labels, found, strict=True):
        if one.tripped:
            notes.append(f"{label} went past a limit: {', '.join(one.tripped)}.")
        if not one.window.is_powered:
            notes.append(f"No channel of {label} shows that the mains was on; the end of the recording is taken.")
    return notes
