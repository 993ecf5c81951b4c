"""Meter faults: a channel senses a wrong value, or shows another value than it senses."""

from __future__ import annotations

import math
from typing import ClassVar

import numpy as np

from benchmon_simulated.fault_effects import MeterFaultEffect
from benchmon_simulated.faults.base import MeterFault
from benchmon_simulated.meters.meter import SINE_FORM_FACTOR, Meter
from benchmon_simulated.supply.circuit import Floats
from benchmon_simulated.supply.supply import Snapshot

_WAVES = ("voltage", "current")
_NO_DC_COMPONENT = ("mains.", "secondary.")


def wave_of(quantity: str, snapshot: Snapshot) -> Floats | None:
    """Return the waveform, shape (400,), that a quantity is measured on; None if there is none."""
    return snapshot.waveforms.get(".".join(quantity.split(".")[:2]))


def _has_wave(meter: Meter, *hows: str) -> bool:
    point, _, what = meter.channel.quantity.partition(".")
    kind, _, how = what.partition(".")
    return kind in _WAVES and how in hows and point in ("mains", "secondary", "diode", "reservoir", "output")


class _Sensed(MeterFaultEffect):
    """A detector other than the one that the quantity needs."""

    def sensed(self, value: float, quantity: str, snapshot: Snapshot) -> float:
        """Return what the detector measures on the waveform."""
        wave = wave_of(quantity, snapshot)
        return value if wave is None else self.detected(wave, quantity)

    def detected(self, wave: Floats, quantity: str) -> float:
        """Return what this detector measures on `wave`, shape (n,)."""
        raise NotImplementedError


class _AverageResponding(_Sensed):
    def detected(self, wave: Floats, quantity: str) -> float:
        alternating = wave - wave.mean() if quantity.endswith("ac_rms") else wave
        return SINE_FORM_FACTOR * float(np.abs(alternating).mean())


class _AcOnly(_Sensed):
    def detected(self, wave: Floats, quantity: str) -> float:  # noqa: ARG002 (part of the interface)
        return float(wave.std())

    def captured(self, wave: Floats) -> Floats:
        """Return the wave without its DC component."""
        return np.asarray(wave - wave.mean(), dtype=np.float64)


class _DcOnly(_Sensed):
    def detected(self, wave: Floats, quantity: str) -> float:  # noqa: ARG002 (part of the interface)
        return float(wave.mean())

    def captured(self, wave: Floats) -> Floats:
        """Return the DC component alone."""
        return np.full_like(wave, float(wave.mean()))


class AverageDetector(MeterFault):
    """The detector rectifies, takes the mean and multiplies by 1.1107: right for a sine, wrong for everything else."""

    name, description = "average-detector", "an rms meter responds to the average and is right for sines only"
    where = "an rms channel of a voltage or current"

    def fits(self, meter: Meter) -> bool:
        """Return whether the channel measures an rms value."""
        return _has_wave(meter, "rms", "ac_rms")

    def effect(self, meter: Meter) -> MeterFaultEffect:  # noqa: ARG002 (part of MeterFault's interface)
        """Return the effect of the wrong detector."""
        return _AverageResponding()


class AcCoupling(MeterFault):
    """A capacitor before the detector removes the DC component: the AC range, where AC+DC or DC was meant."""

    name, description = "ac-coupling", "a meter is on its AC range instead of AC+DC or DC"
    where = "an rms or mean channel of a quantity with a DC component"

    def fits(self, meter: Meter) -> bool:
        """Return whether the quantity may have a DC component."""
        return _has_wave(meter, "rms", "mean") and not meter.channel.quantity.startswith(_NO_DC_COMPONENT)

    def effect(self, meter: Meter) -> MeterFaultEffect:  # noqa: ARG002 (part of MeterFault's interface)
        """Return the effect of the wrong detector."""
        return _AcOnly()


class DcCoupling(MeterFault):
    """The detector takes the mean: the DC range, where AC or AC+DC was meant."""

    name, description = "dc-coupling", "a meter is on its DC range instead of AC or AC+DC"
    where = "an rms channel of a voltage or current"

    def fits(self, meter: Meter) -> bool:
        """Return whether the channel measures an rms value."""
        return _has_wave(meter, "rms", "ac_rms")

    def effect(self, meter: Meter) -> MeterFaultEffect:  # noqa: ARG002 (part of MeterFault's interface)
        """Return the effect of the wrong detector."""
        return _DcOnly()


class _Scaled(MeterFaultEffect):
    def __init__(self, factor: float) -> None:
        self._factor = factor

    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (part of the interface)
        """Return the value times the factor."""
        return self._factor * value

    def captured(self, wave: Floats) -> Floats:
        """Return the wave times the factor."""
        return self._factor * wave


class _WrongRatio(MeterFault):
    factor: ClassVar[float]
    where = "a channel of a current"

    def fits(self, meter: Meter) -> bool:
        """Return whether the channel measures a current, as a clamp does."""
        return meter.channel.unit == "A"

    def effect(self, meter: Meter) -> MeterFaultEffect:  # noqa: ARG002 (part of MeterFault's interface)
        """Return the effect of the wrong ratio."""
        return _Scaled(self.factor)


class ClampTenfold(_WrongRatio):
    """The clamp gives ten times the millivolts per ampere that the meter is set to."""

    name, description = "clamp-tenfold", "a current clamp is set to the wrong ratio: ten times too much"
    factor = 10.0


class ClampTenth(_WrongRatio):
    """The clamp gives a tenth of the millivolts per ampere that the meter is set to."""

    name, description = "clamp-tenth", "a current clamp is set to the wrong ratio: a tenth"
    factor = 0.1


class ReversedLeads(MeterFault):
    """Plus and minus are exchanged: a signed value has the opposite sign."""

    name, description = "reversed-leads", "the leads of a meter are exchanged: its sign is wrong"
    where = "a mean of a voltage or current"

    def fits(self, meter: Meter) -> bool:
        """Return whether the channel measures a signed value."""
        return _has_wave(meter, "mean")

    def effect(self, meter: Meter) -> MeterFaultEffect:  # noqa: ARG002 (part of MeterFault's interface)
        """Return the effect of the opposite sign."""
        return _Scaled(-1.0)


class _AnyChannel(MeterFault):
    where = "a channel"

    def fits(self, meter: Meter) -> bool:  # noqa: ARG002 (part of MeterFault's interface)
        """Return True: it can affect every meter."""
        return True


class _Overload(MeterFaultEffect):
    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (part of the interface)
        return math.copysign(math.inf, value)


class Overload(_AnyChannel):
    """The range is held by hand, too low for the input: the meter shows overload."""

    name, description = "overload", "a meter is held in a range that is too low and shows overload"

    def effect(self, meter: Meter) -> MeterFaultEffect:  # noqa: ARG002 (part of MeterFault's interface)
        """Return the effect of the range."""
        return _Overload()


class _Frozen(MeterFaultEffect):
    def __init__(self) -> None:
        self._held: float | None = None
        self._held_wave: Floats | None = None

    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (part of the interface)
        if self._held is None and not math.isnan(value):
            self._held = value
        return value if self._held is None else self._held

    def captured(self, wave: Floats) -> Floats:
        if self._held_wave is None:
            self._held_wave = wave
        return self._held_wave


class FrozenValue(_AnyChannel):
    """The display holds what it showed when the fault began (a hold key, a hung converter); queries are answered."""

    name, description = "frozen-value", "a meter goes on answering, but its value stands still"

    def effect(self, meter: Meter) -> MeterFaultEffect:  # noqa: ARG002 (part of MeterFault's interface)
        """Return the effect of the hold."""
        return _Frozen()


class _Creeping(MeterFaultEffect):
    def __init__(self) -> None:
        self._began: float | None = None

    def shown(self, value: float, time: float) -> float:
        if self._began is None:
            self._began = time
        return value * (1.0 + 0.03 * min(10.0, (time - self._began) / 60.0))


class WeakBattery(_AnyChannel):
    """The reference falls with the battery, so the meter shows more and more: 3 % a minute."""

    name, description = "weak-battery", "a meter's battery is low and its readings creep upwards by 3 % a minute"

    def effect(self, meter: Meter) -> MeterFaultEffect:  # noqa: ARG002 (part of MeterFault's interface)
        """Return the effect of the falling reference."""
        return _Creeping()


class _MeasuresAmbient(MeterFaultEffect):
    def sensed(self, value: float, quantity: str, snapshot: Snapshot) -> float:  # noqa: ARG002 (part of the interface)
        return snapshot.values["ambient.temperature"]


class LooseProbe(MeterFault):
    """The probe has come off its part: it shows the ambient temperature."""

    name, description = "loose-probe", "a temperature probe has come off its part and measures the ambient"
    where = "a channel of a part's temperature"

    def fits(self, meter: Meter) -> bool:
        """Return whether the channel measures a temperature other than ambient."""
        return meter.channel.unit == "°C" and meter.channel.quantity != "ambient.temperature"

    def effect(self, meter: Meter) -> MeterFaultEffect:  # noqa: ARG002 (part of MeterFault's interface)
        """Return the effect of a probe at ambient."""
        return _MeasuresAmbient()


METER_FAULTS: tuple[type[MeterFault], ...] = (
    Overload,
    FrozenValue,
    AverageDetector,
    AcCoupling,
    DcCoupling,
    ClampTenfold,
    ClampTenth,
    ReversedLeads,
    WeakBattery,
    LooseProbe,
)
