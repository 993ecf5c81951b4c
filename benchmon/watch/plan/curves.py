"""The curves of a sweep, measured and predicted, and the figures of the whole: regulation and output resistance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from benchmon.bench import Channel, at_swept_output
from benchmon.quantities import CURRENT, RESISTANCE
from benchmon.watch.plan.settled_points import SettledValue
from benchmon.watch.plan.sweep import SweepRun, SweptPoint

EFFICIENCY, POWER_FACTOR = "efficiency", "mains.power_factor"
_VOLTS, _AMPERES = ("output.voltage.mean", "output.voltage.rms"), ("output.current.mean", "output.current.rms")
_OUT_2 = "output_2.power.mean"
_OUT, _IN, _APPARENT = "output.power.mean", "mains.power.active", "mains.power.apparent"
_FIRST = (*_VOLTS, "output.voltage.ripple", "reservoir.voltage.ripple", EFFICIENCY, POWER_FACTOR)
"""Quantities whose curves come first; the others follow in the order of the bench file, temperatures last."""
_OF_GAIN = 0.1
"""The part of a meter's gain error that may differ between two readings of one sweep, from memory: its linearity."""


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """A measured point: what was swept stood `at` a value (SI), with what was read and expected there (k = 2)."""

    at: float
    read: SettledValue


@dataclass(frozen=True, slots=True)
class SweepCurve:
    """A quantity over what is swept. `predicted` holds a value of what is swept, the expected value and its ±."""

    name: str
    quantity: str
    unit: str
    points: tuple[CurvePoint, ...]
    predicted: tuple[tuple[float, float, float], ...]


@dataclass(frozen=True, slots=True)
class MeasuredFigure:
    """A figure of a whole sweep with its expanded uncertainty (k = 2), and what was predicted of it, where known."""

    name: str
    value: float
    uncertainty: float
    unit: str
    expected: float | None = None
    expected_uncertainty: float | None = None

    @property
    def en(self) -> float | None:
        """The difference over the root-sum-square of both uncertainties (ISO 13528), None where nothing is expected."""
        if self.expected is None or self.expected_uncertainty is None:
            return None
        spread = math.hypot(self.uncertainty, self.expected_uncertainty)
        return (self.value - self.expected) / spread if spread > 0.0 else None


def curves_of(run: SweepRun, channels: Sequence[Channel]) -> list[SweepCurve]:
    """Return the curves of a sweep: of each channel, and efficiency and power factor where channels give them."""
    unwanted = {"mains.voltage.rms", "ambient.temperature"}
    if run.sweep.kind is CURRENT:
        unwanted |= {at_swept_output(run.sweep.over, name) for name in _AMPERES}
    measured = {one.quantity: one for one in reversed(channels)}
    curves = [
        SweepCurve(
            channel.name,
            channel.quantity,
            channel.unit,
            tuple(CurvePoint(point.at, point.readings[channel.name]) for point in _with(run.taken, channel.name)),
            _predicted(run, channel.quantity),
        )
        for channel in channels
        if channel.quantity not in unwanted
    ]
    # What two outputs deliver together is no product of readings: it is not worked out.
    efficiency = None if _OUT_2 in run.predicted.quantities else _efficiency(measured)
    derived = [_derived(run, EFFICIENCY, efficiency, _efficiency_predicted(run))]
    if POWER_FACTOR not in measured:
        derived.append(_derived(run, POWER_FACTOR, _power_factor(measured), _predicted(run, POWER_FACTOR)))
    curves += [curve for curve in derived if curve.points]
    place = {quantity: at for at, quantity in enumerate(_FIRST)}
    return sorted(curves, key=lambda one: (place.get(one.quantity, len(place)), ".temperature" in one.quantity))


def _with(points: Iterable[SweptPoint], *names: str) -> list[SweptPoint]:
    return [point for point in points if all(name in point.readings for name in names)]


def _predicted(run: SweepRun, quantity: str) -> tuple[tuple[float, float, float], ...]:
    rows = run.predicted.quantities.get(quantity, ())
    pairs = zip(run.sweep.values, rows, strict=False)
    return tuple((at, one[0], one[1]) for at, one in pairs if one is not None)


def _efficiency_predicted(run: SweepRun) -> tuple[tuple[float, float, float], ...]:
    """Return the predicted efficiency; both powers vary together, so its ± is rather too wide."""
    found = []
    inputs = {at: (value, own) for at, value, own in _predicted(run, _IN)}
    second = {at: (value, own) for at, value, own in _predicted(run, _OUT_2)}
    for at, first, its_own in _predicted(run, _OUT):
        more, its_more = second.get(at, (0.0, 0.0))
        value, own = first + more, its_own + its_more
        taken, its = inputs.get(at, (0.0, 0.0))
        if taken > 0.0 and value > 0.0:
            found.append((at, value / taken, value / taken * math.hypot(own / value, its / taken)))
    return tuple(found)


_Factors = tuple[tuple[Channel, ...], tuple[Channel, ...]]
"""Channels whose product is over that of others."""


def _efficiency(measured: Mapping[str, Channel]) -> _Factors | None:
    """Return what gives the efficiency. Of volts and amperes the ripple's own power, below 1 %, is left out."""
    if _IN not in measured:
        return None
    if _OUT in measured:
        return (measured[_OUT],), (measured[_IN],)
    volts = next((measured[one] for one in _VOLTS if one in measured), None)
    amperes = next((measured[one] for one in _AMPERES if one in measured), None)
    return None if volts is None or amperes is None else ((volts, amperes), (measured[_IN],))


def _power_factor(measured: Mapping[str, Channel]) -> _Factors | None:
    if _IN not in measured:
        return None
    if _APPARENT in measured:
        return (measured[_IN],), (measured[_APPARENT],)
    parts = [measured[one] for one in ("mains.voltage.rms", "mains.current.rms") if one in measured]
    return ((measured[_IN],), tuple(parts)) if len(parts) == 2 else None


def _derived(
    run: SweepRun, name: str, factors: _Factors | None, predicted: tuple[tuple[float, float, float], ...]
) -> SweepCurve:
    """Return a curve that is worked out of channels, each point with the relative uncertainties of all together."""
    points: list[CurvePoint] = []
    above, below = factors if factors is not None else ((), ())
    names = [channel.name for channel in (*above, *below)]
    near = {at: (value, own) for at, value, own in predicted}
    for point in _with(run.taken, *names) if factors is not None else ():
        read = [point.readings[one] for one in names]
        if any(one.value == 0.0 for one in read):
            continue
        value = math.prod(one.value for one in read[: len(above)]) / math.prod(one.value for one in read[len(above) :])
        own = abs(value) * math.hypot(*(one.uncertainty / one.value for one in read))
        wanted = near.get(run.sweep.values[point.number - 1], (None, None))
        # Without load there is no output power, and what little is read is noise.
        if own < abs(value):
            points.append(CurvePoint(point.at, SettledValue(value, own, *wanted)))
    return SweepCurve(name, name, "", tuple(points), predicted)


def figures_of(run: SweepRun, channels: Sequence[Channel]) -> list[MeasuredFigure]:
    """Return regulation and output resistance from the points of least and greatest load, or of the mains.

    They are defined as those that are predicted (`predict_sweep`). Of a meter's accuracy the part of the reading is its
    gain, which is the same at both ends but for a tenth: it falls out of a regulation, and counts once in a resistance.
    The tenth, the fixed part and the scatter count at either end. [] where two ends were not taken.
    """
    volts, amperes = (
        next((one for name in names for one in channels if one.quantity == at_swept_output(run.sweep.over, name)), None)
        for names in (_VOLTS, _AMPERES)
    )
    points = [] if volts is None else _with(run.taken, volts.name)
    if volts is None or len(points) < 2:
        return []
    points.sort(key=lambda point: 1.0 / point.at if run.sweep.kind is RESISTANCE and point.at else point.at)
    ends = [points[0].readings[volts.name], points[-1].readings[volts.name]]
    (first, last), own = (one.value for one in ends), [_own(volts, one) for one in ends]
    # What was predicted is of the whole sweep: half way there is nothing to compare.
    swept = [run.sweep.values[points[at].number - 1] for at in (0, -1)]
    is_whole = sorted(swept) == [min(run.sweep.values), max(run.sweep.values)]
    expected = {name: (value, its) for name, value, its, _ in run.predicted.figures if is_whole}

    def figure(name: str, value: float, uncertainty: float, unit: str) -> MeasuredFigure:
        return MeasuredFigure(name, value, uncertainty, unit, *expected.get(name, (None, None)))

    if run.sweep.over == "mains.voltage":
        middle = (first + last) / 2.0
        spread = math.hypot(own[0] * last, own[1] * first) / middle**2
        return [figure("line regulation", 100.0 * (last - first) / middle, 100.0 * spread, "%")]
    spread = math.hypot(own[0] / last, first * own[1] / last**2)
    found = [figure("load regulation", 100.0 * (first - last) / last, 100.0 * spread, "%")]
    flows = [] if amperes is None else [points[at].readings.get(amperes.name) for at in (0, -1)]
    little, much = flows if len(flows) == 2 else (None, None)
    if amperes is not None and little is not None and much is not None and much.value > little.value:
        step = much.value - little.value
        ohms = (first - last) / step
        parts = [one / step for one in own] + [ohms * _own(amperes, one) / step for one in (little, much)]
        gains = [ohms * volts.accuracy.relative, ohms * amperes.accuracy.relative]
        found.append(figure("output resistance", ohms, math.hypot(*parts, *gains), "Ω"))
    return found


def _own(channel: Channel, read: SettledValue) -> float:
    """Return what of a reading's uncertainty is its own at one point: linearity, the fixed part, and scatter."""
    whole = channel.accuracy.of(read.value)
    scatter = math.sqrt(max(0.0, read.uncertainty**2 - whole**2))
    linearity = _OF_GAIN * channel.accuracy.relative * abs(read.value)
    return math.hypot(linearity, channel.accuracy.absolute, scatter)


def unit_of_swept(run: SweepRun) -> str:
    """Return the unit of what is swept."""
    return run.sweep.kind.unit
