"""Temperatures: a part has one time constant on an ideal bench, two on a real one, where the air moves too."""

from __future__ import annotations

import copy
import math

import numpy as np

from benchmon.bench import Bench, Fuse, Ntc, ResistorLoad
from benchmon_simulated.effects import Effects, SlowNoise
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

    @property
    def case_rise(self) -> float:
        """Kelvins of the case over ambient."""
        return CASE_SHARE * self.rise

    @property
    def is_warmed(self) -> bool:
        """Whether power warms it at all."""
        return self._resistance > 0.0

    def advance(self, power: float, seconds: float, cooling: float = 1.0) -> None:
        """Heat the body with `power` watts for `seconds`; `cooling` is a factor on its thermal resistance."""
        final = max(0.0, power) * self._resistance * cooling
        # The heat capacity stays the same, so worse cooling makes the time constant longer.
        left = math.exp(-seconds / (self._time_constant * cooling)) if self._time_constant > 0 else 0.0
        self.rise = final + (self.rise - final) * left


class MountedPart:
    """A part on its heat sink: the part's own stage, and that of the heat sink in series with it (Foster's ladder).

    `share` of the thermal resistance in K/W is the part's own, with `own` seconds; the rest has `slow` seconds. The
    case shows the heat sink's rise and the part `case_share` of the own one.
    """

    def __init__(self, resistance: float, share: float, own: float, slow: float, case_share: float) -> None:
        self._own = Body(share * resistance, own)
        self._sink = Body((1.0 - share) * resistance, slow)
        self._case_share = case_share

    @property
    def rise(self) -> float:
        """Kelvins of the junction over ambient."""
        return self._own.rise + self._sink.rise

    @property
    def case_rise(self) -> float:
        """Kelvins of the case over ambient."""
        return self._case_share * self._own.rise + self._sink.rise

    @property
    def is_warmed(self) -> bool:
        """Whether power warms it at all."""
        return True

    def advance(self, power: float, seconds: float, cooling: float = 1.0) -> None:
        """Heat the part with `power` watts for `seconds`; `cooling` is a factor on the resistance to the air."""
        self._own.advance(power, seconds)
        self._sink.advance(power, seconds, cooling)

    @classmethod
    def drawn(cls, resistance: float, time_constant: float, random: np.random.Generator, scale: float) -> MountedPart:
        """Return a part with a total `resistance` and a `time_constant` as in the bench file, its stages drawn.

        A fifth to a half of the resistance lies within the part and its mounting, at a quarter to three quarters of the
        time constant; the heat sink has 1.2 to 3 times it. The case has 78 to 92 % of the whole rise. The resistance is
        met within a tenth. All from experience.
        """
        share, own, slow, case, off = random.uniform(0.0, 1.0, 5).tolist()
        share = 0.2 + 0.3 * share
        whole = max(0.78, 1.0 - share) + case * (0.92 - max(0.78, 1.0 - share))
        return cls(
            resistance * (1.0 + 0.1 * min(2.0, scale) * (2.0 * off - 1.0)),
            share,
            time_constant * (0.25 + 0.5 * own),
            time_constant * (1.2 + 1.8 * slow),
            (whole - 1.0 + share) / share,
        )


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
    rated power; a reservoir's can has 12 K/W; a regulator's time constant is 60 s where the bench file gives none.

    On a real bench the transformer's rise differs by a quarter, its time constant is 20 to 60 minutes (from experience;
    the bench file's within a tenth where it gives one); diodes and regulator have two stages (`MountedPart`). Moving
    air changes every resistance to the air by 2 % (deviation), with power that falls with frequency, over seconds to
    minutes (from experience).
    """

    def __init__(self, bench: Bench, diodes: int, seed: int, effects: Effects) -> None:
        diode, regulator = bench.diode, bench.regulator
        random, scale = np.random.default_rng([seed, 0x4EA7]), effects.scale
        self.air = SlowNoise(random, 0.02 * scale, 8.0, 4) if effects.heat else None

        def part(resistance: float | None, time_constant: float | None) -> Body | MountedPart:
            if not effects.heat or not resistance or not time_constant:
                return Body(resistance or 0.0, time_constant or 0.0)
            return MountedPart.drawn(resistance, time_constant, random, scale)

        resistance, seconds = 36.0 / math.sqrt(bench.transformer.rating or 50.0), 1200.0
        if effects.heat:
            resistance *= 1.0 + 0.25 * min(2.0, scale) * float(random.uniform(-1.0, 1.0))
            given = getattr(bench.transformer, "thermal_time_constant", None)
            seconds = float(random.uniform(0.9, 1.1)) * given if given else float(random.uniform(1200.0, 3600.0))
        self.transformer = Body(resistance, seconds)
        self._measured_at: float | None = getattr(bench.transformer, "resistance_temperature", None)
        mounted = part(diode.thermal_resistance, diode.thermal_time_constant)
        self.junctions = [copy.deepcopy(mounted) for _ in range(diodes)]
        rating = bench.load.power_rating if isinstance(bench.load, ResistorLoad) else None
        self.load = Body(60.0 / rating if rating else 0.5, 120.0)
        self.second_load = self._second_load(bench)
        self.limiter = InrushLimiter(bench.ntc) if bench.ntc else None
        self.reservoir = Body(12.0, 300.0) if bench.reservoir else None
        warms_in = (regulator.thermal_time_constant if regulator else None) or 60.0
        self.regulator = part(regulator.thermal_resistance, warms_in) if regulator else None
        self.has_two_outputs = bench.rectifier.kind in ("split rail", "two bridges")
        self.second_reservoir = copy.deepcopy(self.reservoir)
        if bench.outputs_apart:
            self.second_reservoir = Body(12.0, 300.0) if bench.seen_from_output_2().reservoir else None
        other = bench.second_regulator
        self.second_regulator = copy.deepcopy(self.regulator)
        if bench.regulator_2 is not None:
            warms_in = (other.thermal_time_constant if other else None) or 60.0
            self.second_regulator = part(other.thermal_resistance, warms_in) if other else None
        self._across = bench.rectifier.loads == "across"

    @staticmethod
    def _second_load(bench: Bench) -> Body:
        load = bench.load if bench.load_2 is None else bench.load_2
        rating = load.power_rating if isinstance(load, ResistorLoad) else None
        return Body(60.0 / rating if rating else 0.5, 120.0)

    def moving_air(self, time: float) -> float:
        """Return the factor of moving air on every thermal resistance to the air, at `time` seconds."""
        return 1.0 if self.air is None else 1.0 + self.air.at(time)

    def copper(self, ambient: float) -> float:
        """Return the windings' resistance at an `ambient` in °C, relative to that in the bench file.

        Without a temperature in the file, its resistances are those at ambient.
        """
        if self._measured_at is None:
            return 1.0 + COPPER * self.transformer.rise
        return 1.0 + COPPER * (ambient + self.transformer.rise - self._measured_at)

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
        if self.has_two_outputs:
            if not self._across:
                bodies["load_2.temperature"] = self.second_load
            if self.second_reservoir:
                bodies["reservoir_2.temperature.case"] = self.second_reservoir
            hot |= {"regulator_2": self.second_regulator} if self.second_regulator else {}
        found = {quantity: ambient + body.rise for quantity, body in bodies.items()}
        for point, body in hot.items():
            found[f"{point}.temperature.junction"] = ambient + body.rise
            found[f"{point}.temperature.case"] = ambient + body.case_rise
        return found | {"ambient.temperature": ambient}
