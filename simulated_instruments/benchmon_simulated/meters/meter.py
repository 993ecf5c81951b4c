"""The meter of a channel: a chain of stages from the true value to the display.

The effect of a meter fault changes what the meter senses, before the first stage, or what it shows, after the last.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from typing import Any, Protocol, TypeVar

import numpy as np

from benchmon.bench import Accuracy, Channel
from benchmon_simulated.effects import Effects, SlowNoise
from benchmon_simulated.fault_effects import MeterFaultEffect
from benchmon_simulated.supply.circuit import Floats
from benchmon_simulated.supply.supply import IDEAL, Snapshot

_Value = TypeVar("_Value", float, Floats)

SINE_FORM_FACTOR = math.pi / (2.0 * math.sqrt(2.0))
"""The factor of a sine-calibrated average-responding meter on the rectified mean: π/(2·√2) = 1.1107."""

RANGE_ENDS = {"V": 1000.0, "A": 100.0, "W": 10_000.0, "VA": 10_000.0, "°C": 1370.0, "Hz": 1e6}
"""The end of a meter's highest range, in the unit of its quantity; beyond it shows overload."""


RANGES = {"V": 5, "A": 5, "W": 4, "VA": 4}
"""The number of ranges of a meter, a decade apart; one for every other unit."""


class MeterStage(Protocol):
    """One step between the true value and the display."""

    def shown(self, value: float, time: float) -> float:
        """Return the stage's output for `value` (in the quantity's unit) at `time` seconds."""
        ...


class Settling:
    """The meter's low-pass filter with a time constant in seconds."""

    def __init__(self, time_constant: float) -> None:
        self._time_constant = time_constant
        self._last: tuple[float, float] | None = None

    def shown(self, value: float, time: float) -> float:
        """Return the filtered value; the first value, and the first after NaN, is shown at once."""
        if self._last is not None and math.isfinite(self._last[0]):
            level, then = self._last
            value = value + (level - value) * math.exp(-max(0.0, time - then) / self._time_constant)
        self._last = (value, time)
        return value


class Calibration:
    """The gain and offset errors that remain after calibration."""

    def __init__(self, gain: float, offset: float) -> None:
        self.gain, self.offset = gain, offset

    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (part of MeterStage's interface)
        """Return the value with gain and offset."""
        return value * (1.0 + self.gain) + self.offset

    def of_wave(self, wave: Floats) -> Floats:
        """Return a captured wave, (n,), with gain and offset."""
        return wave * (1.0 + self.gain) + self.offset


class WarmUp:
    """A gain error of the cold meter that decays with a time constant."""

    def __init__(self, gain: float, time_constant: float) -> None:
        self._gain, self._time_constant = gain, time_constant

    def shown(self, value: float, time: float) -> float:
        """Return the value with the gain error that is left `time` seconds after switch-on."""
        return value * (1.0 + self._gain * math.exp(-time / self._time_constant))


class MeterNoise:
    """Normally distributed noise; `part` is its deviation as a part of the accuracy."""

    def __init__(self, random: np.random.Generator, accuracy: Accuracy, part: float) -> None:
        self._random, self._accuracy, self._part = random, accuracy, part

    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (part of MeterStage's interface)
        """Return the value with noise."""
        return value + self._part * self._accuracy.of(value) * float(self._random.standard_normal())


class Display:
    """The ranges, decades down from `end`, and the last digit of each.

    A digit is a decimal step of at most a fifth of the accuracy at the range's lower end. An autoranging meter
    holds its reading for `settling` seconds after a change of range; beyond its highest range it shows overload.
    """

    def __init__(self, accuracy: Accuracy, end: float, ranges: int = 1, settling: float = 0.0) -> None:
        self._accuracy, self._settling = accuracy, settling
        self._ends = [end / 10.0**at for at in range(ranges)]
        self._at: int | None = None
        self._shown, self._ready = 0.0, -math.inf

    def shown(self, value: float, time: float) -> float:
        """Return the rounded value, ±inf beyond the range."""
        if math.isnan(value):
            return value
        at = self._fitting(abs(value))
        if at != self._at:
            # The first range needs no settling.
            self._ready = time + self._settling if self._at is not None else -math.inf
            self._at = at
        if time >= self._ready:
            self._shown = self._rounded(value, self._ends[at])
        return self._shown

    def _fitting(self, size: float) -> int:
        """Return the range for a magnitude: the present one, unless it is too low or much too high."""
        now = self._at
        if now is not None and size <= self._ends[now] and (size > 0.08 * self._ends[now] or now == self._last):
            return now
        return next((at for at in range(self._last, -1, -1) if size <= self._ends[at]), 0)

    @property
    def _last(self) -> int:
        return len(self._ends) - 1

    def _rounded(self, value: float, end: float) -> float:
        if abs(value) > end:
            return math.copysign(math.inf, value)
        digit = self._accuracy.of(value if self._last == 0 else end / 20.0) / 5.0
        return value if digit <= 0.0 else round(value, -math.floor(math.log10(digit)))


def measure(wave: Floats, how: str) -> float | None:
    """Return what an ideal meter measures on one period of `wave`, shape (n,); None where `how` is of no wave."""
    if how in ("rms", "ac_rms"):
        alternating = wave - wave.mean() if how == "ac_rms" else wave
        return math.sqrt(float(alternating @ alternating) / len(wave))
    if how in ("peak", "ripple"):
        return float(np.abs(wave).max()) if how == "peak" else float(np.ptp(wave))
    if how == "crest_factor":
        rms = math.sqrt(float(wave @ wave) / len(wave))
        return float(np.abs(wave).max()) / rms if rms > 0.0 else None
    if how == "thd":
        spectrum = np.abs(np.fft.rfft(wave))[1:41]
        return math.sqrt(float(spectrum[1:] @ spectrum[1:])) / float(spectrum[0]) if spectrum[0] > 0.0 else None
    return None


class SimulatedDetector:
    """What the meter makes of the wave: a first-order `bandwidth` in hertz; rms values from the mean if it `averages`.

    The factor that follows is worked out again every few seconds, as shapes change slowly.
    """

    _EVERY = 5.0

    def __init__(self, quantity: str, bandwidth: float, *, averages: bool) -> None:
        self._wave, _, self._how = quantity.rpartition(".")
        self._bandwidth, self._averages = bandwidth, averages and self._how in ("rms", "ac_rms")
        self._factor, self._value, self._until = 1.0, math.nan, -math.inf

    def sensed(self, value: float, snapshot: Snapshot) -> float:
        """Return what it makes of the true `value`."""
        moved = not abs(value - self._value) <= 0.02 * abs(self._value)
        if moved or not 0.0 <= self._until - snapshot.time <= self._EVERY:
            self._value, self._until = value, snapshot.time + self._EVERY
            self._factor = self._worked_out(snapshot)
        return value * self._factor

    def _worked_out(self, snapshot: Snapshot) -> float:
        wave = snapshot.waveforms.get(self._wave)
        if wave is None or not wave.any():
            return 1.0
        true = measure(wave, self._how)
        if not true:
            return 1.0
        seen = wave
        if math.isfinite(self._bandwidth):
            times = snapshot.waveforms["time"]
            frequencies = np.fft.rfftfreq(len(wave), float(times[1] - times[0]))
            seen = np.fft.irfft(np.fft.rfft(wave) / (1.0 + 1j * frequencies / self._bandwidth), len(wave))
        if self._averages:
            alternating = seen - seen.mean() if self._how == "ac_rms" else seen
            return SINE_FORM_FACTOR * float(np.abs(alternating).mean()) / true
        return (measure(seen, self._how) or 0.0) / true


class SlowMeterNoise:
    """1/f noise of a meter's reference and amplifier, over half a second to minutes, as a part of the accuracy."""

    def __init__(self, random: np.random.Generator, accuracy: Accuracy, part: float) -> None:
        self._noise, self._accuracy = SlowNoise(random, part, 0.5, 6), accuracy

    def shown(self, value: float, time: float) -> float:
        """Return the value with noise."""
        return value + self._noise.at(time) * self._accuracy.of(value)


MakeMeter = Callable[[Channel], "Meter"]


class Meter:
    """One channel of a simulated instrument. Its errors are drawn with `seed` and lie within the channel's accuracy.

    A real one (`effects.meters`) uses three quarters of its accuracy for gain and offset, has 1/f noise of 6 % of it
    (deviation), warms up within 2 to 10 minutes, and passes 3 to 30 kHz (from experience: clamps and hand-held meters;
    the channel's `bandwidth` where it gives one). A channel that `responds` to the mean shows 1.1107 times the mean of
    the rectified wave.
    """

    def __init__(self, channel: Channel, seed: int, effects: Effects = IDEAL) -> None:
        self.channel = channel
        random = np.random.default_rng([seed, zlib.crc32(channel.name.encode())])
        gain, offset, cold = random.uniform(-1.0, 1.0, 3).tolist()
        accuracy, real = channel.accuracy, effects.meters
        part = 0.75 if real else 0.5
        self.calibration = Calibration(part * gain * accuracy.relative, part * offset * accuracy.absolute)
        settling, warming = (
            (float(random.uniform(0.1, 0.4)), float(random.uniform(120.0, 600.0))) if real else (0.15, 240.0)
        )
        bandwidth = float(_key(channel, "bandwidth") or (3000.0 * 10.0 ** random.uniform() if real else math.inf))
        averages = _key(channel, "responds") == "mean"
        self._detector = SimulatedDetector(channel.quantity, bandwidth, averages=averages) if real or averages else None
        self.stages: list[MeterStage] = [
            Settling(settling),
            self.calibration,
            WarmUp(0.2 * cold * accuracy.relative, warming),
            MeterNoise(random, accuracy, 0.04),
            Display(accuracy, RANGE_ENDS.get(channel.unit, math.inf), RANGES.get(channel.unit, 1), 0.3),
        ]
        if real:
            self.stages.insert(-1, SlowMeterNoise(random, accuracy, 0.06 * effects.scale))
        self.effects: tuple[MeterFaultEffect, ...] = ()

    def read(self, snapshot: Snapshot) -> float:
        """Return what the meter shows: before the channel's `scale`, ±inf on overload, NaN where there is no value."""
        value = snapshot.values[self.channel.quantity]
        if self._detector is not None and not math.isnan(value):
            value = self._detector.sensed(value, snapshot)
        for effect in self.effects:
            value = effect.sensed(value, self.channel.quantity, snapshot)
        for stage in self.stages:
            value = stage.shown(value, snapshot.time)
        for effect in self.effects:
            value = effect.shown(value, snapshot.time)
        return self.uncorrected(value)

    def uncorrected(self, value: _Value) -> _Value:
        """Return what is shown of a value, or of a wave: with the errors that the channel's corrections take off."""
        return (value / self.channel.gain + self.channel.zero) / self.channel.scale


def _key(channel: Channel, name: str) -> Any:
    """Return a key of the channel, None without it."""
    return getattr(channel, name, None)
