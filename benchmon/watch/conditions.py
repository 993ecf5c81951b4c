"""The conditions a prediction is made for, as measured: mains voltage, ambient temperature, power on or off."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Container
from dataclasses import dataclass, replace

from benchmon.bench import Accuracy, Bench, Channel, SetLoad
from benchmon.prediction.mains_shape import CREST_FACTOR, THD, MeasuredShape
from benchmon.prediction.result import Prediction
from benchmon.prediction.winding_temperature import WINDINGS, MeasuredWindings
from benchmon.standards import PUBLIC_SUPPLY_VARIES, USUALLY_LEAKS_IN
from benchmon.watch.plan import Plan, is_mains_set, powered_above
from benchmon.watch.plan.hand_readings import is_mains_turned
from benchmon.watch.watch import STALE_AFTER_PERIODS

_SMOOTHING = 1.25
"""Time constant of the smoothing, in seconds: by 1 s the noise of a reading every half second grows by a seventh, by
2 s a mains that wanders by 3 % in three minutes makes a quiet output drift."""
_MAINS_JUMP, _AMBIENT_JUMP, _WINDINGS_JUMP = 0.02, 3.0, 10.0
_SHAPE_JUMPS = {THD: 0.01, CREST_FACTOR: 0.05}
_SHAPE_STEPS = {THD: 1e-4, CREST_FACTOR: 1e-3}
_STANDS_AFTER = 3.0
"""Seconds after the mains was turned within which meters have followed (from memory)."""
_WARM_AFTER = 1800.0
"""Seconds after a sweep in which most parts come to the load that stands (from memory)."""
_COLDEST, _HOTTEST = -60.0, 120.0
_OFF_AFTER = 2.0
_LEAST_RISE = 2.0
"""Kelvins of rise below which a reading does not show how far a part has warmed."""


@dataclass(frozen=True, slots=True)
class PlannedMains:
    """The mains that a step of the plan wants, V rms; whether it was set, and whether it is being turned now."""

    volts: float
    is_set: bool
    is_turned: bool


@dataclass(frozen=True, slots=True)
class Conditions:
    """What to predict for: mains volts (rms) and ambient °C as measured, and the load; None is the bench file's own.

    `shape` is what meters read of the shape of the mains voltage, `windings` how warm they read the transformer's
    windings, None where none does. `charging_mains` is a higher mains, V rms, to which a reservoir without load may
    still be charged where the mains wanders. `planned_mains` is what the plan wants of the mains, None where the bench
    file says what it should be. While a sweep has its load or its mains set (`is_load_being_set`) nothing can be
    expected, and while `is_swept` no temperature but those that the sweep needs (`swept_needs`): they follow a load for
    half an hour.
    """

    mains_voltage: float | None = None
    ambient: float | None = None
    load: SetLoad = None
    shape: MeasuredShape | None = None
    planned_mains: PlannedMains | None = None
    windings: MeasuredWindings | None = None
    charging_mains: float | None = None
    is_load_being_set: bool = False
    is_swept: bool = False
    swept_needs: tuple[str, ...] = ()

    def is_near(self, other: Conditions, mains: float, ambient: float) -> bool:
        """Return whether these differ by at most `mains` (relative) and `ambient` (kelvins), both measured or not.

        Another load is never near. The shape of the mains and the warmth of the windings are followed without another
        prediction, and what the mains should read moves none.
        """
        return (
            self.load == other.load
            and _near(self.mains_voltage, other.mains_voltage, mains * (other.mains_voltage or 0.0))
            and _near(self.ambient, other.ambient, ambient)
        )


def _near(one: float | None, other: float | None, allowed: float) -> bool:
    if one is None or other is None:
        return one is other
    return abs(one - other) <= allowed


class Smoothed:
    """A channel's readings smoothed over some seconds; a step larger than `jump` is taken at once.

    The reading that jumps may have been half way, as a meter averages: the one after it counts alone. Then all since
    count alike until there is about a second of them. From then on level and slope are followed together (a critically
    damped g-h filter), so that a mains which wanders is not followed seconds late: what is predicted from it would seem
    to drift. Silence counts from `began` (session seconds).
    """

    def __init__(self, channel: Channel, jump: float, began: float = 0.0) -> None:
        self.channel = channel
        self._jump = jump
        self._value: float | None = None
        self._slope = 0.0
        self._since_jump = 0
        self._time = began

    def add(self, time: float, value: float) -> None:
        """Take a reading at `time` seconds."""
        passed = max(0.0, time - self._time)
        due = None if self._value is None else self._value + self._slope * passed
        if due is None or abs(value - due) > self._jump:
            self._value, self._slope, self._since_jump = value, 0.0, 0
        else:
            self._since_jump += 1
            kept = math.exp(-passed / _SMOOTHING)
            level, slope = 1.0 - kept * kept, (1.0 - kept) ** 2
            self._value = due + max(1 / self._since_jump, level) * (value - due)
            if passed > 0.0 and self._since_jump * level > 1.0:
                self._slope += slope * (value - due) / passed
        self._time = time

    def is_silent(self, time: float) -> bool:
        """Return whether the channel has given nothing for three of its periods."""
        return time > self.silent_after

    @property
    def silent_after(self) -> float:
        """When the channel will have given nothing for three of its periods, if nothing comes."""
        return self._time + STALE_AFTER_PERIODS * self.channel.period

    def at(self, time: float) -> float | None:
        """Return the smoothed value, None before the first reading and while the channel is silent."""
        return None if self.is_silent(time) else self._value


class ChargingMains:
    """The highest mains, V rms, to which a reservoir without a load may still be charged while the mains wanders."""

    def __init__(self) -> None:
        self._highest, self._time = 0.0, 0.0

    def observe(self, time: float, volts: float) -> None:
        """Take the smoothed mains, V rms, at `time` seconds."""
        self._highest, self._time = self.at(time, volts), time

    def at(self, time: float, volts: float) -> float:
        """Return the highest mains that still counts at `time`, where it is at `volts` now."""
        left = self._highest * math.exp(-max(0.0, time - self._time) / USUALLY_LEAKS_IN)
        # From more than a mains wanders by, it was turned down.
        return max(volts, min(left, (1.0 + PUBLIC_SUPPLY_VARIES) * volts))


class PowerSwitchings:
    """When the supply was powered and when not, by its mains voltage.

    Without power for less than two seconds counts as a glitch of the meter, not as a power cycle.
    """

    def __init__(self, powered_above: float, on_since: float | None) -> None:
        self.powered_above = powered_above
        self._spells: deque[tuple[float, float]] = deque([] if on_since is None else [(on_since, math.inf)], maxlen=20)
        self._low_since: float | None = None
        self._found_on = on_since

    @property
    def found_on(self) -> float | None:
        """When the supply was first found with power that nobody saw come; None where it was seen, or never came."""
        return self._found_on

    @property
    def on_since(self) -> float | None:
        """Return when the power last came, None before that and while it is away."""
        return self._spells[-1][0] if self._spells and self._spells[-1][1] == math.inf else None

    def observe(self, time: float, voltage: float) -> None:
        """Take a reading of the mains, volts rms, at `time` seconds."""
        if voltage > self.powered_above:
            if not self._spells and self._low_since is None:
                self._found_on = time
            self._low_since = None
            if self.on_since is None:
                self._spells.append((time, math.inf))
            return
        self._low_since = time if self._low_since is None else self._low_since
        if self.on_since is not None and time - self._low_since >= _OFF_AFTER:
            self._spells[-1] = (self._spells[-1][0], self._low_since)

    def warm_for(self, time: float, time_constant: float, found: float = 0.0) -> float:
        """Return how long a cold supply would have to be on to be as warm as this one is at `time`; all in seconds.

        A part with one time constant warms along 1 − exp(−t/τ) while the power is on and cools along exp(−t/τ) while
        it is off (lumped heat capacity, JESD51). `found` is how far it had warmed when it was found on, 0 to 1.
        """
        # What is still missing is followed, not what has come: near the end it is the small one, and keeps its digits.
        missing, last = (1.0, 0.0) if self._found_on is None else (1.0 - found, self._found_on)
        for on, off in self._spells:
            missing = _cooled(missing, max(0.0, min(on, time) - last) / time_constant)
            last = max(min(off, time), min(on, time))
            missing *= math.exp(-(last - min(on, time)) / time_constant)
        missing = _cooled(missing, max(0.0, time - last) / time_constant)
        return math.inf if missing <= 0.0 else -time_constant * math.log(missing)


def _cooled(missing: float, time_constants: float) -> float:
    return missing if time_constants == 0.0 else 1.0 - (1.0 - missing) * math.exp(-time_constants)


class MeasuredConditions:
    """Follows the bench's own meters of mains voltage and ambient temperature, where it has them.

    Times are in session seconds; they begin at `began`. `read` names the channels that are read at all, None for all.
    """

    def __init__(self, bench: Bench, *, began: float = 0.0, read: Container[str] | None = None) -> None:
        self._began = began
        self._powered_above, self._tolerance = powered_above(bench), bench.mains.tolerance
        mains, ambient = (_first_of(bench, quantity, read) for quantity in ("mains.voltage.rms", "ambient.temperature"))
        self.mains = None if mains is None else Smoothed(mains, _MAINS_JUMP * bench.mains.voltage, began)
        self.ambient = None if ambient is None else Smoothed(ambient, _AMBIENT_JUMP, began)
        windings = _first_of(bench, WINDINGS, read)
        self._windings = None if windings is None else Smoothed(windings, _WINDINGS_JUMP, began)
        self._shape = [
            Smoothed(channel, jump, began)
            for quantity, jump in _SHAPE_JUMPS.items()
            if (channel := _first_of(bench, quantity, read)) is not None
        ]
        self.load: SetLoad = None
        self._charging = ChargingMains()
        self._is_being_set, self._sweep_ended = False, -math.inf
        self._swept_needs: tuple[str, ...] = ()
        self._step: tuple[int | None, float | None] = (None, None)
        self._is_mains_set = False
        self._turned: tuple[float, float] = (-math.inf, 0.0)
        self.power = PowerSwitchings(self._powered_above, None if self.mains else began)
        self._first: dict[str, tuple[float, float]] = {}
        self._known: tuple[float, float, Conditions | None] | None = None
        """From when until when which conditions hold if nothing is observed: many channels are read meanwhile."""

    @property
    def mains_accuracy(self) -> Accuracy:
        """How exactly the mains voltage is known: by its meter, else as the bench file's tolerance has it."""
        return Accuracy(self._tolerance) if self.mains is None else self.mains.channel.accuracy

    def change(self, bench: Bench) -> None:
        """Go by another description of the same channels from now on."""
        self._known = None
        self._powered_above = self.power.powered_above = powered_above(bench)
        self._tolerance = bench.mains.tolerance
        channels = {channel.name: channel for channel in bench.channel}
        for followed in (self.mains, self.ambient, self._windings, *self._shape):
            if followed is not None:
                followed.channel = channels[followed.channel.name]

    def follow(self, plan: Plan) -> None:
        """Go by the load and the mains voltage of the plan's current step."""
        self._known = None
        self.load = plan.load
        sweeps = plan.sweeps
        self._is_being_set, self._sweep_ended, self._swept_needs = sweeps.is_being_set, sweeps.ended_at, sweeps.needs
        step = (plan.step_number, plan.mains)
        if step != self._step:
            self._step, self._is_mains_set = step, False

    def observe(self, channel: str, time: float, value: float | None) -> None:
        """Take a reading of any channel; what is neither mains voltage nor ambient, or no usable number, is left."""
        if value is None or not math.isfinite(value):
            return
        if channel not in self._first:
            self._first[channel] = (time, value)
        if self.mains and channel == self.mains.channel.name:
            self._known = None
            self.mains.add(time, value)
            self.power.observe(time, value)
            self._charging.observe(time, self.mains.at(time) or 0.0)
            # Without power, the mains is to be set again.
            is_set = self._is_mains_set and value > self._powered_above
            wanted = self._step[1]
            self._is_mains_set = is_set or (wanted is not None and is_mains_set(self.mains.channel, value, wanted))
            if is_mains_turned(self.mains.channel, self._turned[1], value):
                self._turned = (time, value)
        if self.ambient and channel == self.ambient.channel.name and _COLDEST <= value <= _HOTTEST:
            self._known = None
            self.ambient.add(time, value)
        for followed in (self._windings, *self._shape):
            if followed is not None and channel == followed.channel.name:
                self._known = None
                followed.add(time, value)

    def _measured_shape(self, time: float) -> MeasuredShape | None:
        """Return what meters read of the shape of the mains, in steps so fine that they move nothing else."""
        read = {
            followed.channel.quantity: (round(value / step) * step, followed.channel.accuracy.of(value))
            for followed in self._shape
            if (value := followed.at(time)) is not None and (step := _SHAPE_STEPS[followed.channel.quantity])
        }
        if not read:
            return None
        thd, crest = read.get(THD, (None, 0.0)), read.get(CREST_FACTOR, (None, 0.0))
        return MeasuredShape(thd[0], round(thd[1], 5), crest[0], round(crest[1], 4))

    def now(self, time: float) -> Conditions | None:
        """Return what to predict for at `time`, None where the supply is not powered or that is not known yet.

        Where nobody measures the mains it is at what the plan wants, else at the bench file's voltage, both with the
        tolerance of the bench file. A mains meter that is silent leaves the bench file's voltage.
        """
        if self._known is not None and self._known[0] <= time <= self._known[1]:
            return self._known[2]
        found = self._found_at(time)
        # While a step wants another mains, or a sweep is done or just over, conditions change with the time alone.
        is_still = self._step[1] is None and time - self._sweep_ended > _WARM_AFTER
        self._known = (time, self._until_silence(time), found) if is_still else None
        return found

    def _until_silence(self, time: float) -> float:
        """Return when the first of the channels that are followed, and not silent at `time`, will count as silent."""
        followed = (self.mains, self.ambient, self._windings, *self._shape)
        live = (one.silent_after for one in followed if one is not None and not one.is_silent(time))
        return min(live, default=math.inf)

    def _found_at(self, time: float) -> Conditions | None:
        """Return what `now` returns, from what is followed."""
        if self.mains is None:
            wanted = self._step[1]
            return None if wanted is not None and wanted <= self._powered_above else self.without_mains(time, wanted)
        if self.mains.is_silent(time):
            return self.without_mains(time)
        voltage = self.mains.at(time)
        if voltage is None or voltage <= self._powered_above:
            return None
        ambient = None if self.ambient is None else self.ambient.at(time)
        shape, planned = self._measured_shape(time), self._planned_mains(time)
        windings = self._measured_windings(time)
        charging = self._charging.at(time, voltage)
        higher = charging if charging > voltage else None
        return self._of_sweep(Conditions(voltage, ambient, self.load, shape, planned, windings, higher), time)

    def _of_sweep(self, conditions: Conditions, time: float) -> Conditions:
        """Return conditions with what a sweep keeps from being expected at `time`."""
        passed = time - self._sweep_ended
        if passed > _WARM_AFTER:
            return conditions
        is_set_back = 0.0 <= passed < _STANDS_AFTER
        return replace(
            conditions,
            is_load_being_set=self._is_being_set or is_set_back,
            is_swept=True,
            swept_needs=self._swept_needs,
        )

    def _measured_windings(self, time: float) -> MeasuredWindings | None:
        """Return how warm a meter reads the windings, None where none does."""
        if self._windings is None or (celsius := self._windings.at(time)) is None:
            return None
        return MeasuredWindings(celsius, self._windings.channel.accuracy.of(celsius))

    def _planned_mains(self, time: float) -> PlannedMains | None:
        wanted = self._step[1]
        if wanted is None:
            return None
        is_turned = not self._is_mains_set and time - self._turned[0] < _STANDS_AFTER
        return PlannedMains(wanted, self._is_mains_set, is_turned)

    def situation(self, time: float) -> Conditions:
        """Return the conditions at `time`, without a mains voltage where the supply is not powered."""
        unpowered = Conditions(None, None if self.ambient is None else self.ambient.at(time), self.load)
        return self.now(time) or unpowered

    def without_mains(self, time: float, wanted: float | None = None) -> Conditions:
        """Return what to predict for at `time` where the mains voltage is not measured: that of the bench file.

        `wanted` is the voltage (V rms) that the plan wants instead.
        """
        ambient = None if self.ambient is None else self.ambient.at(time)
        return self._of_sweep(Conditions(wanted, ambient, self.load, windings=self._measured_windings(time)), time)

    @property
    def power_on(self) -> float | None:
        """When the supply was last switched on, in session seconds; None while it is off or that is not known."""
        return self.power.on_since

    @property
    def was_on(self) -> bool:
        """Whether the supply was found on: nobody saw the power come."""
        return self.power.found_on is not None

    def warm_for(self, channel: Channel, time: float, prediction: Prediction) -> float:
        """Return for how long a supply that was cold must have been on for `channel` to be as it is at `time`.

        Where nobody saw the power come, the channel's own first reading shows how far it had warmed by then, at most to
        where it should settle. What has no time constant is as the power finds it: since power-on, or since the
        session's start where no meter saw the power come.
        """
        time_constant = prediction.warm_up.get(channel.quantity)
        if self.power.on_since is None or time_constant is None:
            return max(0.0, time - (self._began if self.power.on_since is None else self.power.on_since))
        return self.power.warm_for(time, time_constant, self._found_warm(channel, time_constant, prediction))

    def _found_warm(self, channel: Channel, time_constant: float, prediction: Prediction) -> float:
        """Return the part of its rise, 0 to 1, that a temperature had when the supply was found on."""
        first, found_on = self._first.get(channel.name), self.power.found_on
        settled = prediction.quantities.get(channel.quantity)
        if first is None or found_on is None or settled is None:
            return 0.0
        rise = settled.value - prediction.ambient
        if rise < _LEAST_RISE:
            return 0.0
        missing = min(1.0, max(0.0, 1.0 - (first[1] - prediction.ambient) / rise))
        missing *= math.exp(min(50.0, max(0.0, first[0] - found_on) / time_constant))
        return max(0.0, 1.0 - missing)


def _first_of(bench: Bench, quantity: str, read: Container[str] | None) -> Channel | None:
    found = (channel for channel in bench.channel if read is None or channel.name in read)
    return next((channel for channel in found if channel.quantity == quantity), None)
