"""The result of a prediction: expected values with their uncertainty, harmonics and waveforms."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from benchmon.findings import Finding
from benchmon.prediction.circuit.meter_response import MeterResponse
from benchmon.prediction.mains_shape import ShapeSensitivities
from benchmon.prediction.winding_temperature import CopperSensitivities
from benchmon.quantities import Expected
from benchmon.signals.arrays import Floats

__all__ = ["Expected", "Floats", "Prediction", "Waveforms"]


@dataclass(frozen=True)
class Waveforms:
    """One mains period of the circuit in steady state: `time` in seconds, (n,), and every trace on it, (n,).

    Times are not evenly spaced: they are denser where currents change. Traces are named after points of the circuit:
    `mains.voltage`, `mains.current`, `secondary.current`, `diode.current`, `output.voltage`, …; volts and amperes.
    """

    time: Floats
    traces: dict[str, Floats]


@dataclass(frozen=True)
class Prediction:
    """Every expected reading of a bench at one operating point: mains in V rms and Hz, ambient in °C.

    `quantities` maps a quantity name to its settled value. `harmonics` maps `mains.current` to pairs of order and rms
    amperes. `warm_up` maps a temperature to its time constant in seconds. `contributions` maps a quantity to its
    uncertainty budget: labels and shares of the variance, largest first, with a sum of at most 1. `unspecified` maps a
    quantity to those of its main contributions that stem from what the bench file leaves out. `shape` is how
    quantities depend on the harmonics of the mains, None where nothing of them is uncertain, and `copper` how they
    depend on the temperature of the windings, None where the bench file leaves nothing to follow. `warming` maps a
    quantity to its change with one kelvin of the windings. `by_meter` is what those meters of the bench should show
    that are no ideal ones.
    """

    mains_voltage: float
    mains_frequency: float
    ambient: float
    quantities: dict[str, Expected]
    harmonics: dict[str, list[tuple[int, float]]]
    waveforms: Waveforms
    warm_up: dict[str, float] = field(default_factory=dict)
    contributions: dict[str, list[tuple[str, float]]] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    unspecified: dict[str, list[str]] = field(default_factory=dict)
    shape: ShapeSensitivities | None = None
    copper: CopperSensitivities | None = None
    warming: Mapping[str | MeterResponse, float] = field(default_factory=dict)
    by_meter: dict[MeterResponse, Expected] = field(default_factory=dict)

    def at(
        self, quantity: str, since_power_on: float | None = None, meter: MeterResponse | None = None
    ) -> Expected | None:
        """Return the expected value of `quantity` at `since_power_on` seconds after power-on; None means settled.

        A temperature rises from ambient along 1 − exp(−t/τ); its uncertainty grows with its rise. Returns None if
        `quantity` is not predicted. `meter` is the one that reads it, None for an ideal one.
        """
        if meter in self.by_meter:
            return self.by_meter[meter]
        settled = self.quantities.get(quantity)
        tau = self.warm_up.get(quantity)
        if settled is None or tau is None or since_power_on is None:
            return settled
        fraction = -math.expm1(-max(0.0, since_power_on) / tau)
        rise = settled.value - self.ambient
        # During warm-up the time constant is the least certain value: allow a third of the rise still to come.
        allowance = abs(rise) * (1.0 - fraction) / 3 * min(1.0, since_power_on / tau) if since_power_on > 0 else 0.0
        uncertainty = max(1.0, settled.uncertainty * fraction) + allowance
        return Expected(self.ambient + rise * fraction, uncertainty, settled.unit)
