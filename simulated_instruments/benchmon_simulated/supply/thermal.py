"""Temperatures: each body has one thermal resistance to ambient and one time constant."""

from __future__ import annotations

import math

from benchmon.bench import Bench, Fuse, Ntc, ResistorLoad
from benchmon_simulated.supply.diode import ZERO_CELSIUS

COPPER = 0.00393
"""Temperature coefficient of copper's resistance per kelvin, at 20 °C (IEC 60028)."""

CASE_SHARE = 0.85
"""The case's share of the junction's rise, of diodes and regulators (our assumption)."""


class Body:
    """A part that dissipates, with its `rise` over ambient in kelvins. It starts at ambient.

    `resistance` in K/W; `time_constant` in seconds, 0 where the bench file gives none: the body settles at once.
    """

    def __init__(self, resistance: float, time_constant: float) -> None:
        self.rise = 0.0
        self._resistance, self._time_constant = resistance, time_constant

    def advance(self, power: float, seconds: float, cooling: float = 1.0) -> None:
        """Heat the body with `power` watts for `seconds`; `cooling` is a factor on its thermal resistance."""
        final = max(0.0, power) * self._resistance * cooling
        # The heat capacity stays the same, so worse cooling makes the time constant longer.
        left = math.exp(-seconds / (self._time_constant * cooling)) if self._time_constant > 0 else 0.0
        self.rise = final + (self.rise - final) * left


class InrushLimiter(Body):
    """The NTC thermistor in the primary circuit: when hot, it has almost no resistance."""

    def __init__(self, ntc: Ntc) -> None:
        super().__init__(1.0 / ntc.dissipation_factor, ntc.time_constant)
        self._r25, self._beta = ntc.r25, ntc.beta

    def ohms(self, ambient: float) -> float:
        """Return its resistance: R25·exp(β·(1/T − 1/298.15 K)), the usual model of NTC thermistors."""
        kelvins = ambient + self.rise + ZERO_CELSIUS
        return self._r25 * math.exp(self._beta * (1.0 / kelvins - 1.0 / 298.15))


class FuseElement:
    """The wire in the fuse: it melts once it is hot enough, and the primary circuit is then open.

    It carries 1.6 times its rating indefinitely, and melts at its melting I²t (A²s) where the current is far above.
    Where the bench file gives no I²t, it is 10 s·rating² for a time-lag and 1 s·rating² for a fast fuse (our
    assumption).
    """

    def __init__(self, fuse: Fuse) -> None:
        self._held = (1.6 * fuse.rating) ** 2
        melting = fuse.melting_i2t or (10.0 if fuse.speed == "time-lag" else 1.0) * fuse.rating**2
        self._time_constant = melting / self._held
        self._heat = 0.0
        self.blown = False

    def advance(self, square: float, seconds: float) -> None:
        """Heat the fuse with a mean squared current of `square` A² for `seconds`."""
        final = square / self._held
        self._heat = final + (self._heat - final) * math.exp(-seconds / self._time_constant)
        self.blown = self.blown or self._heat >= 1.0


class ThermalState:
    """The temperatures of all parts. Values that the bench file does not give are our assumptions.

    The transformer rises by about 40 K at full load whatever its size, in 20 minutes; a load resistor by 60 K at its
    rated power; a reservoir's can has 12 K/W; a regulator's time constant is 60 s.
    """

    def __init__(self, bench: Bench, diodes: int) -> None:
        diode, regulator = bench.diode, bench.regulator
        self.junctions = [
            Body(diode.thermal_resistance or 0.0, diode.thermal_time_constant or 0.0) for _ in range(diodes)
        ]
        self.transformer = Body(36.0 / math.sqrt(bench.transformer.rating or 50.0), 1200.0)
        rating = bench.load.power_rating if isinstance(bench.load, ResistorLoad) else None
        self.load = Body(60.0 / rating if rating else 0.5, 120.0)
        self.limiter = InrushLimiter(bench.ntc) if bench.ntc else None
        self.reservoir = Body(12.0, 300.0) if bench.reservoir else None
        self.regulator = Body(regulator.thermal_resistance or 0.0, 60.0) if regulator else None

    @property
    def copper(self) -> float:
        """The resistance of the warm windings relative to cold ones."""
        return 1.0 + COPPER * self.transformer.rise

    def limiter_ohms(self, ambient: float) -> float:
        """Return the resistance of the inrush limiter at an `ambient` in °C, 0 if there is none."""
        return self.limiter.ohms(ambient) if self.limiter else 0.0

    def temperatures(self, ambient: float) -> dict[str, float]:
        """Return every temperature quantity of this bench in °C; the diode is diode 1."""
        bodies = {"transformer.temperature": self.transformer, "load.temperature": self.load}
        if self.limiter:
            bodies["ntc.temperature"] = self.limiter
        if self.reservoir:
            bodies["reservoir.temperature.case"] = self.reservoir
        hot = {"diode": self.junctions[0]} | ({"regulator": self.regulator} if self.regulator else {})
        found = {quantity: ambient + body.rise for quantity, body in bodies.items()}
        for point, body in hot.items():
            found[f"{point}.temperature.junction"] = ambient + body.rise
            found[f"{point}.temperature.case"] = ambient + CASE_SHARE * body.rise
        return found | {"ambient.temperature": ambient}
