"""What meters of every kind would read off a solved circuit, with how each reading moves with the parts.

A trace (the voltage or current at a point) can be read as true rms, mean, rms of its AC part, peak, peak to peak, or
as an average-responding meter shows it: 1.1107 times the mean of the rectified wave, with or without its DC part.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from benchmon.bench import Bench, Channel
from benchmon.prediction.circuit import trace_measures as m
from benchmon.prediction.circuit.meter_response import (
    SINE_FORM_FACTOR,
    MeterResponse,
    readings_by_response,
    response_of,
)
from benchmon.prediction.circuit.parts import Parts, parts_of
from benchmon.prediction.circuit.traces import Traces
from benchmon.prediction.defects.fault_circuit import FaultCircuit, solve_fault_circuit
from benchmon.prediction.defects.wiring import Defects
from benchmon.prediction.solved import solve
from benchmon.prediction.thermal.equilibrium import ThermalEquilibrium
from benchmon.prediction.uncertainty import JUNCTION_SHIFT, MODEL_FLOOR, input_uncertainties_of
from benchmon.signals.arrays import Floats

_STEP = 0.2
_LEAST_MAINS_DOUBT = 0.02
_LEAST_LOAD_DOUBT = 0.015
"""A resistor of a common class, warm by an amount that nobody measured, needs no explanation."""


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


QUANTITY_KINDS: Mapping[str, tuple[str, Detector]] = {
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

    state: ThermalEquilibrium | FaultCircuit | None = field(default=None, repr=False)
    """The solved circuit, from which one like it may start."""

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
    *,
    near: MeterValues | None = None,
    like: MeterValues | None = None,
) -> MeterValues:
    """Return what meters read on `bench`, or with other `parts` (b = 1), and with `defects`.

    The circuit is solved at `mains_voltage` (V rms); the values are those at the bench's own voltage, by the slope
    there. `near` are values of the same circuit to start from. Where there are those of a circuit `like` it, all
    unknowns but the mains are taken to move a reading by the same part of it, which saves solving for each. Raises
    `PredictionError`.
    """
    parts = (parts or parts_of(bench)).replaced({"mains.voltage": np.array([mains_voltage])})
    start = near.state if near is not None else None
    if defects is None:
        begin = start if isinstance(start, ThermalEquilibrium) else None
        solved = _solved(bench, parts, begin, mains_alone=like is not None)
    else:
        first = start if isinstance(start, FaultCircuit) else None
        solved = _solved_faulty(bench, parts, defects, first, mains_alone=like is not None)
    there, moved = _everything(bench, *solved.nominal), _everything(bench, *solved.moved)
    names, sizes = solved.names, solved.sizes
    back = bench.mains.voltage - mains_voltage
    row = names.index("mains.voltage")
    made = {name: _value(there[name], moved[name], row, back / sizes[row]) for name in there}
    if like is not None:
        alike = {name: _found_in(like, name) for name in made}
        made = {name: _moving_like(value, alike[name], len(like.unknowns)) for name, value in made.items()}
        names, sizes = list(like.unknowns), np.array(list(like.unknowns.values()))
    return MeterValues(
        {name: value for name, value in made.items() if isinstance(name, str)},
        {name: value for name, value in made.items() if isinstance(name, tuple)},
        dict(zip(names, sizes.tolist(), strict=True)),
        responses={name: value for name, value in made.items() if isinstance(name, MeterResponse)},
        state=solved.state,
    )


_Read = tuple[dict[str, Floats], Traces, Floats]
"""The quantities of a solved circuit, its traces, and the mains' frequency (Hz)."""


@dataclass(frozen=True)
class _SolvedCircuit:
    """A circuit as it is and with each unknown moved; the unknowns' names and standard uncertainties (k,)."""

    state: ThermalEquilibrium | FaultCircuit
    nominal: _Read
    moved: _Read
    names: list[str]
    sizes: Floats


def _solved(bench: Bench, parts: Parts, near: ThermalEquilibrium | None, *, mains_alone: bool) -> _SolvedCircuit:
    nominal = solve(bench, parts, initial_guess=near)
    names, sizes, varied, shift = _varied(bench, parts, nominal.equilibrium.junction, mains_alone=mains_alone)
    other = solve(bench, varied, shift, initial_guess=nominal.equilibrium)
    read = (nominal.quantities, nominal.equilibrium.traces, parts["mains.frequency"])
    moved = (other.quantities, other.equilibrium.traces, varied["mains.frequency"])
    return _SolvedCircuit(nominal.equilibrium, read, moved, names, sizes)


def _solved_faulty(
    bench: Bench, parts: Parts, defects: Defects, near: FaultCircuit | None, *, mains_alone: bool
) -> _SolvedCircuit:
    nominal = solve_fault_circuit(bench, parts, defects, initial_guess=near)
    names, sizes, varied, shift = _varied(bench, parts, nominal.junction, mains_alone=mains_alone)
    other = solve_fault_circuit(bench, varied, defects, shift, nominal)
    read = (nominal.quantities, nominal.traces, parts["mains.frequency"])
    moved = (other.quantities, other.traces, varied["mains.frequency"])
    return _SolvedCircuit(nominal, read, moved, names, sizes)


_Name = str | tuple[str, Detector] | MeterResponse


def _found_in(values: MeterValues, name: _Name) -> MeterValue | None:
    if isinstance(name, str):
        return values.quantities.get(name)
    return values.responses.get(name) if isinstance(name, MeterResponse) else values.waves.get(name)


def _value(nominal: Floats, varied: Floats, row: int, back: float) -> MeterValue:
    moves = (varied - nominal[0]) / _STEP
    value = float(nominal[0] + back * moves[row])
    return MeterValue(value, moves, MODEL_FLOOR * abs(value))


_MOST_ALIKE = 3.0
"""Times by which a reading may move more than that of a circuit like it because it is so much larger."""


def _moving_like(value: MeterValue, like: MeterValue | None, count: int) -> MeterValue:
    """Return a value that only the mains move (1,) with the movements of one `like` it, (count,)."""
    moves = np.zeros(count)
    if like is not None and like.value != 0.0:
        moves[:-1] = like.moves[:-1] * min(abs(value.value / like.value), _MOST_ALIKE)
    moves[-1] = value.moves[-1]
    return replace(value, moves=moves)


def _varied(
    bench: Bench, parts: Parts, junction: Floats, *, mains_alone: bool
) -> tuple[list[str], Floats, Parts, Floats]:
    """Return the unknowns' names and standard uncertainties, one variant for each, moved by a part of it.

    The mains are the last, and the only one if `mains_alone`.
    """
    known = input_uncertainties_of(bench, parts, mains_is_measured=True)
    known = [] if mains_alone else [entry for entry in known if entry.part != "mains.voltage"]
    names = [entry.part for entry in known] + ["mains.voltage"]
    changes = {name: np.repeat(value, len(names)) for name, value in parts.values.items()}
    sizes, shift = np.zeros(len(names)), np.zeros(len(names))
    rise = float(junction[0] - parts["ambient.temperature"][0])
    for row, entry in enumerate(known):
        if entry.part == JUNCTION_SHIFT:
            shift[row] = -_STEP * entry.size * rise
            continue
        size = max(entry.size, _LEAST_LOAD_DOUBT) if entry.part == "load.resistance" else entry.size
        sizes[row] = size * (abs(changes[entry.part][row]) if entry.relative else 1.0)
        changes[entry.part][row] += _STEP * sizes[row]
        for other, moved in entry.along:
            changes[other][row] *= 1.0 + _STEP * moved
    # Narrower than a rectangle's: mains beyond its tolerance is to be reported, not explained away.
    sizes[-1] = max(bench.mains.tolerance / 2.5, _LEAST_MAINS_DOUBT) * bench.mains.voltage
    changes["mains.voltage"][-1] += _STEP * sizes[-1]
    return names, sizes, Parts(changes), shift


def _everything(bench: Bench, quantities: dict[str, Floats], traces: Traces, frequency: Floats) -> dict[_Name, Floats]:
    found = dict[_Name, Floats](quantities.items())
    found |= dict[_Name, Floats](readings_by_response(bench, traces, frequency).items())
    for name in ("mains.voltage", "mains.current", "secondary.voltage", "secondary.current", "diode.current"):
        found |= _ways(name, traces[name], traces.weights)
    for name in ("output.voltage", "output.current", "reservoir.voltage", "reservoir.current"):
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
