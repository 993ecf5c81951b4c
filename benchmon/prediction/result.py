"""What a prediction says: expected values with their uncertainty, harmonics and waveforms."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from benchmon.quantities import Expected
from benchmon.signals.arrays import Floats

__all__ = ["Expected", "Floats", "Prediction", "Waveforms"]


@dataclass(frozen=True)
class Waveforms:
    """One mains period of the circuit in steady state: `time` in seconds, (n,), and every trace on it, (n,).

    Times are not evenly spaced: they crowd where currents change. Traces are named after points of the circuit:
    `mains.voltage`, `mains.current`, `secondary.current`, `diode.current`, `output.voltage`, …; volts and amperes.
    """

    time: Floats
    traces: dict[str, Floats]


@dataclass(frozen=True)
class Prediction:
    """Every expected reading of a bench in one state.

    `quantities` maps a quantity of the vocabulary to its settled value. `harmonics` maps `mains.current` to pairs of
    order and rms amperes. `warm_up` gives the time constant, in seconds, of those temperatures that have one.
    `contributions` maps a quantity to what its uncertainty comes from: labels and shares of the variance, largest
    first, at most 1 in all.
    """

    mains_voltage: float
    mains_frequency: float
    ambient: float
    quantities: dict[str, Expected]
    harmonics: dict[str, list[tuple[int, float]]]
    waveforms: Waveforms
    warm_up: dict[str, float] = field(default_factory=dict)
    contributions: dict[str, list[tuple[str, float]]] = field(default_factory=dict)

    def at(self, quantity: str, since_power_on: float | None = None) -> Expected | None:
        """Return what `quantity` should read `since_power_on` seconds after power-on, or settled if None.

        A temperature rises from ambient along 1 − exp(−t/τ); its uncertainty grows with its rise. None where nothing
        is predicted.
        """
        settled = self.quantities.get(quantity)
        tau = self.warm_up.get(quantity)
        if settled is None or tau is None or since_power_on is None:
            return settled
        part = 1.0 - float(np.exp(-max(0.0, since_power_on) / tau))
        rise = settled.value - self.ambient
        # While it warms, the time constant is the worst-known value: a third of the rise still to come is allowed.
        allowance = abs(rise) * (1.0 - part) / 3 * min(1.0, since_power_on / tau) if since_power_on > 0 else 0.0
        return Expected(self.ambient + rise * part, max(1.0, settled.uncertainty * part) + allowance, settled.unit)
