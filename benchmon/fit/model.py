"""The engine as a function of what a fit estimates, with its derivatives.

Every unknown is a variable with the prior of a standard normal distribution: a part's value is its nominal one times
exp(size·u), or plus size·u, with the standard uncertainty that the prediction gives it. The unknowns are parts, which
all conditions share; the shape of the mains and how warm junctions are, of each session; mains voltage and ambient
temperature, of each condition, which no reading is taken to know exactly; and gain and zero of each meter.

Windings warm towards the rise that their rating lets expect, times one unknown factor, with their time constant; where
the bench file holds their temperature, they have that. A load resistor warms towards its rise with a usual one.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmon.bench import Bench
from benchmon.fit.readings import Condition, Data, SettledReading
from benchmon.prediction.circuit.meter_response import response_of
from benchmon.prediction.circuit.parts import WINDING_RISE, WINDING_TEMPERATURE, Parts, parts_of
from benchmon.prediction.predict import with_load
from benchmon.prediction.solved import SolvedQuantities, solve
from benchmon.prediction.thermal.equilibrium import ThermalEquilibrium
from benchmon.prediction.thermal.rated_rise import transformer_rise, warm_resistance
from benchmon.prediction.uncertainty import (
    JUNCTION_SHIFT,
    InputUncertainty,
    input_uncertainties_of,
    model_uncertainty,
)
from benchmon.quantities import at_first_output
from benchmon.signals.arrays import Floats
from benchmon.standards import LEAST_LOAD_DOUBT, LOAD_WARMS_IN, TRANSFORMER_WARMS_IN

WINDING_RISE_FACTOR = "transformer.rise"
"""The unknown factor on the estimated rise of the windings."""
MAINS, AMBIENT = "mains.voltage", "ambient.temperature"
_SESSION_PARTS, _LOAD_PARTS = "mains.harmonic.", ("load.", "load_2.")
_OWN_PARTS = {MAINS, AMBIENT, JUNCTION_SHIFT, WINDING_TEMPERATURE, WINDING_RISE}
_WINDINGS = ("transformer.primary_resistance", "transformer.secondary_resistance")
_WARMTH_SIZE = 0.4
"""How far the rise of windings differs from the usual one: from half as warm to half as warm again."""
_LOADS_WARM = ("load.temperature_coefficient", "load_2.temperature_coefficient")
"""The parts by which the resistance of a warm load differs."""
_MAINS_SIZE, _AMBIENT_SIZE = 0.1, 5.0
"""Deviation of the mains voltage, as a part, and of the ambient, K, before a meter has shown more."""
_JUNCTION_SIZE, _DRAUGHT = 0.25, 0.03
"""Deviation of a junction's rise, as a part of it: while it warms, and once it is warm, in moving air."""
_HELD = ("output.voltage.", "reservoir.voltage.")
_FLICKER = 0.01
"""Part by which the peak that a capacitor without load still holds may lie above the mains now (from memory)."""
_STEP = 0.03


@dataclass(frozen=True)
class Unknown:
    """One variable: the part, its label, and its standard uncertainty, of the logarithm if it is `relative`.

    `session` and `condition` are what it belongs to alone, None where all share it. `meter` is whose gain ("gain") or
    zero ("zero") it is. `load` is the load of a step that it is of. `from_session` marks a change of a part from that
    session on.
    """

    part: str
    label: str
    size: float
    relative: bool = True
    session: int | None = None
    condition: int | None = None
    meter: tuple[str, ...] = ()
    from_session: int | None = None
    load: float | None = None

    @property
    def is_part(self) -> bool:
        """Whether it is a value of the supply itself, that a bench file holds."""
        own = self.session is None and self.condition is None and self.load is None
        return own and not self.meter and self.from_session is None

    def acts_in(self, place: int, condition: Condition) -> bool:
        """Return whether it has a part in a condition, by its place."""
        if self.meter:
            return False
        if self.part.startswith(_LOAD_PARTS) and self.load != condition.set_at(self.part):
            return False
        began = self.from_session is None or condition.session >= self.from_session
        return self.session in {None, condition.session} and self.condition in {None, place} and began


@dataclass(frozen=True)
class Evaluated:
    """What the readings should be, (n,), their derivatives by the unknowns, (n, k), and the model's own doubt, (n,)."""

    values: Floats
    slopes: Floats
    model: Floats


class SupplyModel:
    """The readings of `data` as a function of `unknowns`, which `changes` of parts between sessions may follow."""

    def __init__(self, data: Data, changes: Sequence[Unknown] = ()) -> None:
        self.data = data
        transformer = data.bench.transformer
        self._measured_at = transformer.resistance_temperature
        # How warm the windings are is followed here, as they are seldom settled.
        plain = transformer.model_copy(update={"resistance_temperature": None, "winding_temperature": None})
        self.bench: Bench = data.bench.model_copy(update={"transformer": plain})
        self._benches = [with_load(self.bench, one.load) for one in data.conditions]
        self._nominal = [self._nominal_of(place) for place in range(len(data.conditions))]
        self._guesses: list[ThermalEquilibrium | None] = [None] * len(data.conditions)
        self._rises = [0.0] * len(data.conditions)
        self.unknowns: tuple[Unknown, ...] = (*self._all_unknowns(), *changes)

    def _nominal_of(self, place: int) -> dict[str, float]:
        condition = self.data.conditions[place]
        values = {name: float(value[0]) for name, value in parts_of(self._benches[place]).values.items()}
        if condition.mains is not None:
            values[MAINS] = condition.mains
        if condition.ambient is not None:
            values[AMBIENT] = condition.ambient
        return values

    def _all_unknowns(self) -> list[Unknown]:
        found: dict[str, Unknown] = {}
        learned = {one.part for one in self.data.bench.learned}
        for condition in self.data.conditions:
            # Of the bench as it is: it may hold at which temperature the windings were measured.
            bench = with_load(self.data.bench, condition.load)
            for entry in input_uncertainties_of(bench, parts_of(bench), mains_is_measured=True, correlated=False):
                if entry.part in _LOADS_WARM:
                    # How warm a load gets is of its place and air that day, and a step's load is another resistor.
                    step = condition.set_at(entry.part)
                    at = step if isinstance(step, float) else None
                    one = Unknown(entry.part, entry.label, entry.size, session=condition.session, load=at)
                    found.setdefault(f"{entry.part} {at} {condition.session}", one)
                elif entry.part not in _OWN_PARTS and not entry.part.startswith(_SESSION_PARTS):
                    one, load = _unknown_of(entry, is_learned=entry.part in learned), condition.set_at(entry.part)
                    if entry.part.startswith(_LOAD_PARTS) and isinstance(load, float):
                        found.setdefault(f"{entry.part} {load}", replace(one, load=load))
                    else:
                        found.setdefault(entry.part, one)
        several = list(found.values())
        several.append(Unknown(WINDING_RISE_FACTOR, "warmth of the windings", _WARMTH_SIZE))
        shape = [
            entry
            for entry in input_uncertainties_of(self.bench, parts_of(self.bench), mains_is_measured=True)
            if entry.part.startswith(_SESSION_PARTS)
        ]
        for session in range(len(self.data.sessions)):
            several += [Unknown(one.part, one.label, one.size, relative=False, session=session) for one in shape]
        several += self._of_conditions()
        for meter, channel in {one.meter: one.channel for one in self.data.readings}.items():
            for part, size in (("gain", channel.accuracy.relative), ("zero", channel.accuracy.absolute)):
                if size > 0.0:
                    several.append(Unknown(part, f"{part} of {channel.name}", size / 2.0, False, meter=meter))
        return several

    def _of_conditions(self) -> Iterator[Unknown]:
        """Yield what belongs to each condition alone."""
        for place in range(len(self.data.conditions)):
            yield Unknown(MAINS, "mains voltage", _MAINS_SIZE, condition=place)
            yield Unknown(AMBIENT, "ambient temperature", self._ambient_size(place), False, condition=place)
            yield Unknown(JUNCTION_SHIFT, "warmth of the junctions", 1.0, False, condition=place)

    def _ambient_size(self, place: int) -> float:
        if self.data.conditions[place].ambient is None:
            return _AMBIENT_SIZE
        return next(
            max(one.accuracy.of(25.0) / 2.0, 0.1)
            for one in self.data.bench.channel
            if one.quantity == "ambient.temperature"
        )

    def evaluate(self, u: Floats) -> Evaluated:
        """Return the readings at the unknowns `u` (k,). Raises `PredictionError` where the circuit has no solution."""
        readings = self.data.readings
        values, slopes, model = np.zeros(len(readings)), np.zeros((len(readings), len(u))), np.zeros(len(readings))
        for place in range(len(self.data.conditions)):
            of_place = [row for row, one in enumerate(readings) if one.condition == place]
            active = [k for k, one in enumerate(self.unknowns) if one.acts_in(place, self.data.conditions[place])]
            nominal, varied = self.solved(place, u, active)
            for row in of_place:
                reading = readings[row]
                value, others = _read(reading, nominal), _read(reading, varied)
                values[row], slopes[row, active] = value[0], (others - value[0]) / _STEP
                model[row] = self._doubt(place, reading, float(value[0]))
        self._add_meters(u, values, slopes)
        return Evaluated(values, slopes, model)

    def solved(self, place: int, u: Floats, active: Sequence[int]) -> tuple[SolvedQuantities, SolvedQuantities]:
        """Return a condition as solved at the unknowns `u`, and with each of those that are `active` moved a step."""
        bench, rise = self._benches[place], self._rises[place]
        parts, shift = self._parts(place, [u], rise)
        nominal = solve(bench, parts, shift, initial_guess=self._guesses[place])
        self._guesses[place] = nominal.equilibrium
        # The windings' and the junctions' rise are those of the last look: they change little while a fit converges.
        found = transformer_rise(bench, parts, nominal.quantities)
        self._rises[place] = 0.0 if found is None else float(found[0])
        if not rise and self._rises[place]:
            return self.solved(place, u, active)
        moved = []
        for k in active:
            other = u.copy()
            other[k] += _STEP
            moved.append(other)
        parts, shift = self._parts(place, moved, rise)
        return nominal, solve(bench, parts, shift, initial_guess=nominal.equilibrium)

    def _parts(self, place: int, several: Sequence[Floats], rise: float) -> tuple[Parts, Floats]:
        """Return the parts at several sets of unknowns, and the junctions' shift in K, each (b,)."""
        condition = self.data.conditions[place]
        rows, shifts = [], []
        for u in several:
            values = dict(self._nominal[place])
            warmth, shift = 1.0, 0.0
            for one, size in zip(self.unknowns, u.tolist(), strict=True):
                if not one.acts_in(place, condition):
                    continue
                if one.part == WINDING_RISE_FACTOR:
                    warmth *= math.exp(one.size * size)
                elif one.part == JUNCTION_SHIFT:
                    shift += self._junction_doubt(place) * size
                elif one.relative:
                    values[one.part] *= math.exp(one.size * size)
                else:
                    values[one.part] += one.size * size
            for name in values.keys() & _LOADS_WARM:
                values[name] *= 1.0 - math.exp(-condition.since / LOAD_WARMS_IN)
            growth = self._growth(condition, values[AMBIENT], warmth * rise)
            for name in _WINDINGS:
                values[name] *= growth
            rows.append(values)
            shifts.append(shift)
        return Parts({name: np.array([row[name] for row in rows]) for name in rows[0]}), np.array(shifts)

    def _growth(self, condition: Condition, ambient: float, rise: float) -> float:
        """Return the windings' resistance in a condition over that in the bench file."""
        transformer = self.data.bench.transformer
        constant = transformer.thermal_time_constant or TRANSFORMER_WARMS_IN
        warm = transformer.winding_temperature
        if warm is None:
            warm = ambient + rise * (1.0 - math.exp(-condition.since / constant))
        cold = self.data.bench.ambient.temperature if self._measured_at is None else self._measured_at
        return float(warm_resistance(1.0, cold, warm))

    def _junction_doubt(self, place: int) -> float:
        """Return the deviation of a junction's rise in a condition, K."""
        guess = self._guesses[place]
        if guess is None:
            return 0.0
        rise = max(0.0, float(guess.junction[0] - guess.parts[AMBIENT][0]))
        constant = self.data.bench.diode.thermal_time_constant or 0.0
        cold = math.exp(-self.data.conditions[place].since / constant) if constant else 0.0
        return rise * math.hypot(_JUNCTION_SIZE * min(1.0, 4.0 * cold), _DRAUGHT)

    def _doubt(self, place: int, reading: SettledReading, value: float) -> float:
        """Return the standard uncertainty of the model itself for a reading."""
        found = model_uncertainty(reading.name, value)
        is_open = self.data.conditions[place].set_at(reading.name) == "open"
        if is_open and at_first_output(reading.name).startswith(_HELD):
            found = math.hypot(found, _FLICKER * value)
        if reading.name != "diode.temperature.case":
            return found
        constant = self.data.bench.diode.thermal_time_constant or 0.0
        left = math.exp(-self.data.conditions[place].since / constant) if constant else 0.0
        guess = self._guesses[place]
        rise = 0.0 if guess is None else float(guess.junction[0] - guess.parts[AMBIENT][0])
        # Where a probe sits, a tenth of the rise; what is still to come while it warms.
        return math.hypot(found, 0.1 * rise, rise * left)

    def _add_meters(self, u: Floats, values: Floats, slopes: Floats) -> None:
        """Add what the meters' gains and zeros do to the readings."""
        true = values.copy()
        for k, one in enumerate(self.unknowns):
            if one.meter:
                mine = np.array([reading.meter == one.meter for reading in self.data.readings])
                slopes[:, k] = np.where(mine, one.size * (np.abs(true) if one.part == "gain" else 1.0), 0.0)
                values += slopes[:, k] * u[k]

    def value_of(self, k: int, u: float) -> float:
        """Return the value of an unknown part at `u`, in its unit."""
        one = self.unknowns[k]
        nominal = 1.0 if one.part == WINDING_RISE_FACTOR else self.nominal(one.part)
        return nominal * math.exp(one.size * u) if one.relative else nominal + one.size * u

    def nominal(self, part: str) -> float:
        """Return the value of a part before the fit, in its unit."""
        return next(values[part] for values in self._nominal if part in values)


def _unknown_of(entry: InputUncertainty, *, is_learned: bool) -> Unknown:
    # A tolerance that is narrower on one side is taken by the root mean square of both.
    size = entry.size * math.sqrt((entry.below**2 + entry.above**2) / 2.0)
    if at_first_output(entry.part) == "load.resistance" and not is_learned:
        size = max(size, LEAST_LOAD_DOUBT)
    return Unknown(entry.part, entry.label, size, entry.relative)


def _read(reading: SettledReading, solved: SolvedQuantities) -> Floats:
    """Return what a channel should read of every variant, (b,)."""
    response = response_of(reading.channel)
    if response is not None and response in solved.by_meter:
        return solved.by_meter[response]
    return solved.quantities[reading.name]
