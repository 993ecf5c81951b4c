"""What a fit is made from: settled readings of sessions, each with the conditions under which it was taken.

Every step of a plan gives one condition, a session without steps the end of its test. A reading is the mean of a
channel over the last seconds of powered time. Its meter errs alike in all conditions and sessions, within its accuracy;
what is left to each reading is how its values scatter, and the part of an accuracy by which a meter may differ between
two tests.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench, Channel, OutputLoad, SetLoad, first_of, second_of
from benchmon.errors import BadInput
from benchmon.quantities import at_first_output, is_temperature
from benchmon.report.comparison.comparison import OF_METER, meter_of
from benchmon.report.evaluation import ChannelResult, EndOfTest, EvaluationWindow, end_of_test, plan_of, steps_of
from benchmon.report.session_reader import RecordedSession
from benchmon.signals.uncertainty import COVERAGE
from benchmon.text import one_line
from benchmon.watch.heating.rise_fit import FEWEST, fit_rise
from benchmon.watch.plan import powered_above
from benchmon.watch.records import Flag

_LOOKED_AT = 400
_SPOILT = frozenset({Flag.STALE, Flag.OVERRANGE, Flag.IMPLAUSIBLE})
_LEAST_RISE, _POINTS, _LEAST_DEVIATION = 4.0, 48, 0.05
"""K by which a temperature must rise to show a time constant, readings that are looked at, the least deviation."""
_PART_OF_RISE = 1.0 - math.exp(-1.0)
_LEAST_MAINS = 0.3
"""Part of the nominal mains voltage below which a condition says little of a supply."""


@dataclass(frozen=True)
class Condition:
    """One state of the supply: `session` is the place of its session, `since` the seconds since power came on.

    `load` and `second_load` are what was set at the outputs, None for the bench file's own. `mains` (V) and `ambient`
    (°C) are as measured, None where no channel measures them.
    """

    session: int
    name: str
    load: SetLoad
    since: float
    mains: float | None
    ambient: float | None
    second_load: OutputLoad = None

    def set_at(self, quantity: str) -> OutputLoad:
        """Return what was set at the output that a part or quantity belongs to."""
        return first_of(self.load) if at_first_output(quantity) == quantity else self.second_load


@dataclass(frozen=True)
class SettledReading:
    """One channel in one condition (its place): the mean, and the standard uncertainty that is this reading's own.

    `meter` is what its meter and range are known by: readings of one meter share its error.
    """

    condition: int
    channel: Channel
    value: float
    own: float
    meter: tuple[str, ...]

    @property
    def name(self) -> str:
        """The quantity that was read."""
        return self.channel.quantity


@dataclass(frozen=True, slots=True)
class SeenConstant:
    """The time, in seconds, in which 63 % of a channel's rise were over, and the deviation of its logarithm."""

    channel: Channel
    seconds: float
    deviation: float


@dataclass(frozen=True)
class Data:
    """All readings of one supply, with the bench file of its first session: a later one may have learned from that."""

    bench: Bench
    sessions: tuple[RecordedSession, ...]
    conditions: tuple[Condition, ...]
    readings: tuple[SettledReading, ...]
    constants: tuple[SeenConstant, ...] = ()

    @property
    def words(self) -> str:
        """What the readings are from, in a few words."""
        names = ", ".join(one.path.name for one in self.sessions[:3])
        more = f" and {len(self.sessions) - 3} more" if len(self.sessions) > 3 else ""
        return one_line(f"{len(self.readings)} readings of {names}{more}", 200)


def read_data(sessions: Sequence[RecordedSession]) -> Data:
    """Return the settled readings of sessions, the earliest first. Raises `BadInput` where they are of several units.

    A reading that was stale, over range or contradicted others is left out, and so is what was not powered.
    """
    ordered = sorted(sessions, key=lambda one: one.info.started)
    _check_one_unit(ordered)
    conditions: list[Condition] = []
    readings: list[SettledReading] = []
    constants: list[SeenConstant] = []
    for place, session in enumerate(ordered):
        with session.held_open():
            rises = (_constant_seen(session, channel) for channel in session.channels)
            constants += [one for one in rises if one is not None]
            for condition, results, end in _states(place, session):
                number = len(conditions)
                found = [_reading(number, one, end) for one in results]
                usable = [one for one in found if one is not None]
                if usable:
                    conditions.append(condition)
                    readings += usable
    if not readings:
        raise BadInput("no session has a settled reading of a powered supply, so there is nothing to fit")
    return Data(ordered[0].bench, tuple(ordered), tuple(conditions), tuple(readings), tuple(constants))


def _check_one_unit(sessions: Sequence[RecordedSession]) -> None:
    serials = sorted({one.info.serial for one in sessions if one.info.serial})
    if len(serials) > 1:
        raise BadInput(f"the sessions are of several units, {one_line(', '.join(serials), 100)}; a fit is of one")
    designs = [_design(one.bench) for one in sessions]
    other = next((one for one, design in zip(sessions, designs, strict=True) if design != designs[0]), None)
    if other is not None:
        raise BadInput(f"{one_line(other.path, 300)}: is of another design than {one_line(sessions[0].path.name, 100)}")


def _design(bench: Bench) -> tuple[object, ...]:
    """Return how a supply is built, whatever the values of its parts are."""
    kinds = tuple(part.kind for part in bench.filter)
    return bench.rectifier.kind, bench.transformer.connection, kinds, bench.regulator is None, bench.load.kind


def _states(place: int, session: RecordedSession) -> Iterator[tuple[Condition, Sequence[ChannelResult], EndOfTest]]:
    """Yield each condition of a session with its channels; the end of the test stands for a session without steps."""
    plan = plan_of(session)
    end = end_of_test(session, plan)
    steps = [(one.stage.step.name, one.window, one.channels, one.load) for one in steps_of(session, plan)]
    for name, window, results, load in steps or [("the end", end.window, end.channels, end.load)]:
        mains, ambient = (_value(results, name) for name in ("mains.voltage.rms", "ambient.temperature"))
        if mains is not None and mains < _LEAST_MAINS * session.bench.mains.voltage:
            continue
        if window.is_powered or all(one.channel.quantity != "mains.voltage.rms" for one in results):
            second = second_of(load, has_own=session.bench.load_2 is not None)
            yield Condition(place, name, load, _since_power_on(session, window), mains, ambient, second), results, end


def _value(results: Sequence[ChannelResult], quantity: str) -> float | None:
    return next((one.value for one in results if one.channel.quantity == quantity and one.is_measured), None)


def _since_power_on(session: RecordedSession, window: EvaluationWindow) -> float:
    """Return for how many seconds the supply had mains at the end of a time; without a mains meter, all the time."""
    mains = next((one for one in session.channels if one.quantity == "mains.voltage.rms"), None)
    if mains is None or window.until <= 0.0:
        return window.until
    least = powered_above(session.bench)
    parts = session.trend(mains.name, _LOOKED_AT, 0.0, window.until)
    off = [part.end for part in parts if part.lowest is not None and part.lowest <= least]
    return window.until - off[-1] if off and off[-1] < window.until else window.until


def _reading(condition: int, one: ChannelResult, end: EndOfTest) -> SettledReading | None:
    """Return a channel's reading, None where it is none that a fit may use."""
    quantity = one.channel.quantity
    is_followed = not is_temperature(quantity) or quantity == "diode.temperature.case"
    if not one.is_measured or one.end_flags & _SPOILT or not is_followed:
        return None
    accuracy = one.channel.accuracy.of(one.value) / COVERAGE
    scatter = math.sqrt(max(0.0, (one.uncertainty / COVERAGE) ** 2 - accuracy**2))
    own = math.hypot(scatter, OF_METER * accuracy)
    meter = (one.channel.name, *meter_of(end, one.channel))
    return SettledReading(condition, one.channel, one.value, max(own, 1e-9 * abs(one.value) + 1e-12), meter)


def _constant_seen(session: RecordedSession, channel: Channel) -> SeenConstant | None:
    """Return the time constant of a temperature that rises up to the first change of the load, None where none does."""
    if not is_temperature(channel.quantity) or channel.name in {one.name for one in session.bench.typed_channels}:
        return None
    steps = [one for one in plan_of(session).steps if one.began is not None]
    until = steps[1].began if len(steps) > 1 and steps[1].began is not None else session.duration
    read = session.readings(channel.name, 0.0, until)
    kept = np.isfinite(read.values)
    times, values = read.times[kept], read.values[kept]
    if len(times) < FEWEST or float(values[-1] - values[0]) < _LEAST_RISE:
        return None
    chosen = np.unique(np.linspace(0, len(times) - 1, min(len(times), _POINTS)).astype(int))
    times, values = times[chosen], values[chosen]
    # Of a meter only what changes from reading to reading counts here; its gain and zero move no time constant.
    noise = float(np.median(np.abs(np.diff(values, 2)))) / 1.65 + 0.02
    courses = fit_rise(times, values, np.full(len(times), noise))
    if courses.growing > 0.05:
        return None
    settles = np.isfinite(courses.finals)
    ahead = np.concatenate([[0.0], np.geomspace(0.01, 60.0, 400)]) * float(times[-1] - times[0])
    paths = courses.paths(courses.start + ahead)[settles]
    part = (paths - courses.first[settles, None]) / (courses.finals - courses.first)[settles, None]
    reached = ahead[np.argmax(part >= _PART_OF_RISE, axis=1)]
    logarithms = np.log(reached[reached > 0.0])
    if len(logarithms) < len(paths) // 2:
        return None
    low, best, high = np.quantile(logarithms, (0.16, 0.5, 0.84))
    return SeenConstant(channel, math.exp(float(best)), max(float(high - low) / 2.0, _LEAST_DEVIATION))
