"""What warms up: each body one thermal resistance and one time constant above ambient."""

from __future__ import annotations

import math

from benchmon.bench import Bench, Ntc, ResistorLoad
from benchmon_simulated.diodes import ZERO_CELSIUS

COPPER = 0.00393
"""Per kelvin: how the resistance of copper grows, from 20 °C (IEC 60028)."""

CASE_SHARE = 0.85
"""How much of its junction's rise the case of an axial diode shows (our assumption)."""


class Body:
    """A part that dissipates: its `rise` over ambient in kelvins. It starts cold.

    `resistance` in K/W; `time_constant` in seconds, 0 for a part whose file tells none: it settles at once.
    """

    def __init__(self, resistance: float, time_constant: float) -> None:
        self.rise = 0.0
        self._resistance, self._time_constant = resistance, time_constant

    def advance(self, power: float, seconds: float) -> None:
        """Let `power` watts heat the body for `seconds`."""
        final = max(0.0, power) * self._resistance
        left = math.exp(-seconds / self._time_constant) if self._time_constant > 0 else 0.0
        self.rise = final + (self.rise - final) * left


class InrushLimiter(Body):
    """The thermistor in the primary circuit: hot, it has almost no resistance."""

    def __init__(self, ntc: Ntc) -> None:
        super().__init__(1.0 / ntc.dissipation_factor, ntc.time_constant)
        self._r25, self._beta = ntc.r25, ntc.beta

    def ohms(self, ambient: float) -> float:
        """Return its resistance: R25·exp(β·(1/T − 1/298.15 K)), the usual law of such thermistors."""
        kelvins = ambient + self.rise + ZERO_CELSIUS
        return self._r25 * math.exp(self._beta * (1.0 / kelvins - 1.0 / 298.15))


class Warmth:
    """Everything on the bench that warms. Where the file is silent, the values are our assumptions.

    The transformer reaches about 40 K at full load whatever its size, in 20 minutes; a load resistor 60 K at its
    rated power; a reservoir's can has 12 K/W.
    """

    def __init__(self, bench: Bench) -> None:
        self.junction = Body(bench.diode.thermal_resistance or 0.0, bench.diode.thermal_time_constant or 0.0)
        self.transformer = Body(36.0 / math.sqrt(bench.transformer.rating or 50.0), 1200.0)
        rating = bench.load.power_rating if isinstance(bench.load, ResistorLoad) else None
        self.load = Body(60.0 / rating if rating else 0.5, 120.0)
        self.limiter = InrushLimiter(bench.ntc) if bench.ntc else None
        self.reservoir = Body(12.0, 300.0) if bench.reservoir else None

    @property
    def copper(self) -> float:
        """The factor by which warm windings have more resistance than cold ones."""
        return 1.0 + COPPER * self.transformer.rise

    def limiter_ohms(self, ambient: float) -> float:
        """Return the resistance of the inrush limiter in an `ambient` of °C, 0 if there is none."""
        return self.limiter.ohms(ambient) if self.limiter else 0.0

    def temperatures(self, ambient: float) -> dict[str, float]:
        """Return every temperature of the vocabulary that this bench has, °C."""
        bodies = {"transformer.temperature": self.transformer, "load.temperature": self.load}
        if self.limiter:
            bodies["ntc.temperature"] = self.limiter
        if self.reservoir:
            bodies["reservoir.temperature.case"] = self.reservoir
        return {quantity: ambient + body.rise for quantity, body in bodies.items()} | {
            "ambient.temperature": ambient,
            "diode.temperature.junction": ambient + self.junction.rise,
            "diode.temperature.case": ambient + CASE_SHARE * self.junction.rise,
        }
