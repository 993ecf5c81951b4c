"""What meters of every kind would read off a solved circuit, with how each reading moves with the parts.

A trace (the voltage or current at a point) can be read as true rms, mean, rms of its AC part, peak, peak to peak, or
as an average-responding meter shows it: 1.1107 times the mean of the rectified wave, with or without its DC part.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from benchmon.bench import Bench, Channel
from benchmon.prediction.circuit import trace_measures as m
from benchmon.prediction.circuit.leakage import effects_of_leakage
from benchmon.prediction.circuit.meter_response import (
    SINE_FORM_FACTOR,
    MeterResponse,
    readings_by_response,
    response_of,
)
from benchmon.prediction.circuit.parts import Parts, joined, parts_of
from benchmon.prediction.circuit.traces import Traces
from benchmon.prediction.defects.fault_circuit import FaultCircuit, solve_fault_circuit
from benchmon.prediction.defects.wiring import Defects
from benchmon.prediction.solved import solve
from benchmon.prediction.thermal.equilibrium import ThermalEquilibrium
from benchmon.prediction.uncertainty import JUNCTION_SHIFT, MODEL_FLOOR, input_uncertainties_of
from benchmon.quantities import at_first_output, at_second_output
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE
from benchmon.standards import LEAST_LOAD_DOUBT

_STEP = 0.2
_LEAST_MAINS_DOUBT = 0.02


class Detector(StrEnum):
    """How a meter may read a wave."""

    RMS = "true rms"
    MEAN = "mean"
    AC_RMS = "rms of the AC part"
    PEAK = "peak"
    VALLEY = "valley"
    RIPPLE = "peak to peak"
    RECTIFIED = "average responding"
    AC_RECTIFIED = "average responding, AC coupled"


_KINDS: dict[str, tuple[str, Detector]] = {
    "mains.voltage.rms": ("mains.voltage", Detector.RMS),
    "mains.current.rms": ("mains.current", Detector.RMS),
    "mains.current.peak": ("mains.current", Detector.PEAK),
    "secondary.voltage.rms": ("secondary.voltage", Detector.RMS),
    "secondary.current.rms": ("secondary.current", Detector.RMS),
    "secondary.current.peak": ("secondary.current", Detector.PEAK),
    "diode.current.mean": ("diode.current", Detector.MEAN),
    "diode.current.rms": ("diode.current", Detector.RMS),
    "diode.current.peak": ("diode.current", Detector.PEAK),
    "reservoir.voltage.mean": ("reservoir.voltage", Detector.MEAN),
    "reservoir.voltage.ripple": ("reservoir.voltage", Detector.RIPPLE),
    "reservoir.voltage.peak": ("reservoir.voltage", Detector.PEAK),
    "reservoir.voltage.valley": ("reservoir.voltage", Detector.VALLEY),
    "reservoir.current.rms": ("reservoir.current", Detector.RMS),
    "output.voltage.rms": ("output.voltage", Detector.RMS),
    "output.voltage.mean": ("output.voltage", Detector.MEAN),
    "output.voltage.ac_rms": ("output.voltage", Detector.AC_RMS),
    "output.voltage.peak": ("output.voltage", Detector.PEAK),
    "output.voltage.valley": ("output.voltage", Detector.VALLEY),
    "output.voltage.ripple": ("output.voltage", Detector.RIPPLE),
    "output.current.rms": ("output.current", Detector.RMS),
    "output.current.mean": ("output.current", Detector.MEAN),
}

QUANTITY_KINDS: Mapping[str, tuple[str, Detector]] = _KINDS | {
    second: (at_second_output(trace) or trace, way)
    for quantity, (trace, way) in _KINDS.items()
    if (second := at_second_output(quantity))
}
"""Those quantities that are one wave, read in one way: the trace and the way."""


@dataclass(frozen=True)
class MeterValue:
    """A value, what one standard uncertainty of each unknown changes it by (k,), and what is left of itself."""

    value: float
    moves: Floats
    own: float = 0.0

    def scaled(self, factor: float, offset: float = 0.0) -> MeterValue:
        """Return factor × value + offset."""
        return MeterValue(factor * self.value + offset, factor * self.moves, abs(factor) * self.own)

    def with_the_last_known(self, off: float) -> MeterValue:
        """Return the value where the last unknown is known to be `off` by so many of its standard uncertainties."""
        moves = self.moves.copy()
        moves[-1] = 0.0
        return MeterValue(self.value + off * float(self.moves[-1]), moves, self.own)


State = ThermalEquilibrium | FaultCircuit
"""A solved circuit without or with defects."""


@dataclass(frozen=True)
class MeterValues:
    """All that meters may read off one circuit: its quantities, and every trace in every way."""

    quantities: Mapping[str, MeterValue]
    waves: Mapping[tuple[str, Detector], MeterValue]
    unknowns: Mapping[str, float] = field(default_factory=dict)
    """Each unknown's name and standard uncertainty (in its unit; 0 for a shift without one), in the order of moves."""

    absent: frozenset[str] = field(default_factory=frozenset)
    """Quantities without a meaning in this circuit, such as the power factor of no current."""

    responses: Mapping[MeterResponse, MeterValue] = field(default_factory=dict)
    """What the meters of the bench that are no ideal ones show."""

    state: State | None = field(default=None, repr=False)
    """The solved circuit, from which one like it may start; None where many were solved at once."""

    def of(self, quantity: str) -> MeterValue | None:
        """Return what a right meter for `quantity` reads, None where nothing is predicted."""
        return None if quantity in self.absent else self.quantities.get(quantity)

    def shown_at(self, channel: Channel) -> MeterValue | None:
        """Return what the meter of a channel shows: another value where it responds to the average, or is slow."""
        right, response = self.of(channel.quantity), response_of(channel)
        if right is None or response is None:
            return right
        return self.responses.get(response, right)


def meter_values(
    bench: Bench,
    mains_voltage: float,
    parts: Parts | None = None,
    defects: Defects | None = None,
    near: State | None = None,
) -> MeterValues:
    """Return what meters read on `bench`, or with other `parts` (b = 1), and with `defects`.

    The circuit is solved at `mains_voltage` (V rms); the values are those at the bench's own voltage, by the slope
    there. `near` is a state of the same circuit to start from. Raises `PredictionError`.
    """
    parts = (parts or parts_of(bench)).replaced({"mains.voltage": np.array([mains_voltage])})
    nominal = _solved(bench, parts, defects, near)
    names, sizes, varied, shift = _varied(bench, parts, nominal.junction)
    there = _everything(bench, nominal, parts)
    moved = _everything(bench, _solved(bench, varied, defects, nominal.state, shift), varied)
    row = names.index("mains.voltage")
    back = (bench.mains.voltage - mains_voltage) / sizes[row]
    made = {name: _value(float(there[name][0]), moved[name], row, back) for name in there}
    made |= _leaking(bench, made)
    return _sorted(made, dict(zip(names, sizes.tolist(), strict=True)), nominal.state)


def values_like(
    right: MeterValues, bench: Bench, parts: Parts, defects: Defects | None = None, near: State | None = None
) -> tuple[list[MeterValues], State]:
    """Return what meters read on `bench` with each variant of `parts` (b,), and with `defects`; and the state of all.

    All variants are at one mains voltage. They are solved at once, each with the mains as they are and moved, which
    takes little longer than one alone. All unknowns but the mains are taken to move a reading by the same part of it as
    in the circuit of which `right` are the values, which saves solving for each. `near` is a state of the same variants
    to start from. Raises `PredictionError` if one of them has no steady state.
    """
    count, volts, size = parts.variants, float(parts["mains.voltage"][0]), _mains_doubt(bench)
    both = joined([parts, parts.replaced({"mains.voltage": parts["mains.voltage"] + _STEP * size})])
    solved = _solved(bench, both, defects, near)
    read = _everything(bench, solved, both)
    back = (bench.mains.voltage - volts) / size
    found = []
    for row in range(count):
        made = {name: _value(float(all_[row]), all_[[row + count]], 0, back) for name, all_ in read.items()}
        found.append(_moved_like(made | _leaking(bench, made), right))
    return found, solved.state


@dataclass(frozen=True)
class _Solved:
    """A solved circuit: its state, quantities (b,), traces and the temperature of the measured junction, °C (b,)."""

    state: State
    quantities: dict[str, Floats]
    traces: Traces
    junction: Floats


def _solved(
    bench: Bench, parts: Parts, defects: Defects | None, near: State | None, shift: Floats | float = 0.0
) -> _Solved:
    if defects is None:
        sound = solve(bench, parts, shift, near if isinstance(near, ThermalEquilibrium) else None)
        state = sound.equilibrium
        return _Solved(state, sound.quantities, state.traces, state.junction)
    found = solve_fault_circuit(bench, parts, defects, shift, near if isinstance(near, FaultCircuit) else None)
    return _Solved(found, found.quantities, found.traces, found.junction)


_Name = str | tuple[str, Detector] | MeterResponse


def _found_in(values: MeterValues, name: _Name) -> MeterValue | None:
    if isinstance(name, str):
        return values.quantities.get(name)
    return values.responses.get(name) if isinstance(name, MeterResponse) else values.waves.get(name)


def _value(nominal: float, varied: Floats, row: int, back: float) -> MeterValue:
    moves = (varied - nominal) / _STEP
    value = float(nominal + back * moves[row])
    return MeterValue(value, moves, MODEL_FLOOR * abs(value))


_Made = dict[_Name, MeterValue]


def _leaking(bench: Bench, made: _Made) -> _Made:
    """Return those of the values `made` that leakage lowers where there is no load, with what they may then miss."""
    levels = {name: value.value for name, value in made.items() if isinstance(name, str)}
    lower = effects_of_leakage(bench, levels)
    return {name: replace(made[name], own=math.hypot(made[name].own, drop / COVERAGE)) for name, drop in lower.items()}


def _sorted(made: _Made, unknowns: Mapping[str, float], state: State | None) -> MeterValues:
    return MeterValues(
        {name: value for name, value in made.items() if isinstance(name, str)},
        {name: value for name, value in made.items() if isinstance(name, tuple)},
        unknowns,
        responses={name: value for name, value in made.items() if isinstance(name, MeterResponse)},
        state=state,
    )


def _moved_like(made: _Made, like: MeterValues, state: State | None = None) -> MeterValues:
    """Return values that only the mains move, each with the movements of the one `like` it."""
    count = len(like.unknowns)
    moving = {name: _moving_like(value, _found_in(like, name), count) for name, value in made.items()}
    return _sorted(moving, like.unknowns, state)


_MOST_ALIKE = 3.0
"""Times by which a reading may move more than that of a circuit like it because it is so much larger."""


def _moving_like(value: MeterValue, like: MeterValue | None, count: int) -> MeterValue:
    """Return a value that only the mains move (1,) with the movements of one `like` it, (count,)."""
    moves = np.zeros(count)
    if like is not None and like.value != 0.0:
        moves[:-1] = like.moves[:-1] * min(abs(value.value / like.value), _MOST_ALIKE)
    moves[-1] = value.moves[-1]
    return replace(value, moves=moves)


def _varied(bench: Bench, parts: Parts, junction: Floats) -> tuple[list[str], Floats, Parts, Floats]:
    """Return the unknowns' names and standard uncertainties, one variant for each, moved by a part of it.

    The mains are the last.
    """
    known = input_uncertainties_of(bench, parts, mains_is_measured=True)
    known = [entry for entry in known if entry.part != "mains.voltage"]
    names = [entry.part for entry in known] + ["mains.voltage"]
    changes = {name: np.repeat(value, len(names)) for name, value in parts.values.items()}
    sizes, shift = np.zeros(len(names)), np.zeros(len(names))
    rise = float(junction[0] - parts["ambient.temperature"][0])
    for row, entry in enumerate(known):
        if entry.part == JUNCTION_SHIFT:
            shift[row] = -_STEP * entry.size * rise
            continue
        size = max(entry.size, LEAST_LOAD_DOUBT) if at_first_output(entry.part) == "load.resistance" else entry.size
        sizes[row] = size * (abs(changes[entry.part][row]) if entry.relative else 1.0)
        changes[entry.part][row] += _STEP * sizes[row]
        for other, moved in entry.along:
            changes[other][row] *= 1.0 + _STEP * moved
    sizes[-1] = _mains_doubt(bench)
    changes["mains.voltage"][-1] += _STEP * sizes[-1]
    return names, sizes, Parts(changes), shift


def _mains_doubt(bench: Bench) -> float:
    """Return the standard uncertainty of the mains, V.

    It is narrower than a rectangle's: mains beyond its tolerance is to be reported, not explained away.
    """
    return max(bench.mains.tolerance / 2.5, _LEAST_MAINS_DOUBT) * bench.mains.voltage


def _everything(bench: Bench, solved: _Solved, parts: Parts) -> dict[_Name, Floats]:
    quantities, traces, frequency = solved.quantities, solved.traces, parts["mains.frequency"]
    found = dict[_Name, Floats](quantities.items())
    found |= dict[_Name, Floats](readings_by_response(bench, traces, frequency).items())
    for name in ("mains.voltage", "mains.current", "secondary.voltage", "secondary.current", "diode.current"):
        found |= _ways(name, traces[name], traces.weights)
    outputs = ("output.voltage", "output.current", "reservoir.voltage", "reservoir.current")
    for name in (*outputs, *(at_second_output(one) or one for one in outputs)):
        if name in traces:
            found |= _ways(name, traces[name], traces.weights)
    for quantity, way in QUANTITY_KINDS.items():
        if quantity in quantities:
            found[way] = quantities[quantity]
    return found


def _ways(name: str, trace: Floats, weights: Floats) -> dict[_Name, Floats]:
    mean = m.mean_of(trace, weights)
    alternating = trace - mean[:, None]
    top, bottom = trace.max(axis=1), trace.min(axis=1)
    return {
        (name, Detector.RMS): m.rms_of(trace, weights),
        (name, Detector.MEAN): mean,
        (name, Detector.AC_RMS): m.rms_of(alternating, weights),
        (name, Detector.PEAK): np.maximum(top, -bottom),
        (name, Detector.VALLEY): bottom,
        (name, Detector.RIPPLE): top - bottom,
        (name, Detector.RECTIFIED): SINE_FORM_FACTOR * m.mean_of(np.abs(trace), weights),
        (name, Detector.AC_RECTIFIED): SINE_FORM_FACTOR * m.mean_of(np.abs(alternating), weights),
    }
