"""A fault of the circuit as the prediction engine solves it: a bench, parts or defects that differ in one way."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.circuit.parts import Parts, parts_of
from benchmon.prediction.circuit.traces import Traces
from benchmon.prediction.defects.fault_circuit import solve_fault_circuit
from benchmon.prediction.defects.wiring import Defects
from benchmon.prediction.solved import solve
from benchmon.watch.diagnosis.likelihood import RARE
from benchmon.watch.diagnosis.meter_values import MeterValues

OFF = "switch off, let capacitors discharge, "
"""How every remedy begins that needs hands in the supply."""


@dataclass(frozen=True)
class SuspectedFault:
    """One fault: its name, remedy and weight; the bench, the factors of its parts and its defects; what else differs.

    `added` is added to values that may be zero, as harmonics of the mains. `correct` turns the solved
    values into those of the faulty circuit where the engine's circuit stands for another.
    """

    cause: str
    remedy: str
    weight: float
    bench: Bench
    changes: Mapping[str, float] = field(default_factory=dict)
    added: Mapping[str, float] = field(default_factory=dict)
    defects: Defects | None = None
    correct: Callable[[MeterValues], MeterValues] = lambda values: values
    size_doubt: float = 0.0
    """The part of its size by which a fault may be larger or smaller: all readings then move together."""

    shape_doubt: float = 0.0
    """The part of its change by which a reading may miss what is computed, where the shape of a fault is open."""

    def is_solved_as(self, bench: Bench) -> bool:
        """Return whether the engine's circuit is the sound `bench`'s, and they differ by `correct` alone."""
        return self.bench is bench and not (self.changes or self.added or self.defects)

    def parts(self, mains_voltage: float) -> Parts:
        """Return the parts of the faulty circuit at `mains_voltage` (V rms)."""
        parts = parts_of(self.bench)
        values = {name: parts[name] * factor for name, factor in self.changes.items()}
        values |= {name: parts[name] + value for name, value in self.added.items()}
        return parts.replaced({**values, "mains.voltage": np.array([mains_voltage])})

    def traces(self, mains_voltage: float) -> Traces:
        """Return the traces of the faulty circuit at `mains_voltage` (V rms). Raises `PredictionError`."""
        parts = self.parts(mains_voltage)
        if self.defects is not None:
            return solve_fault_circuit(self.bench, parts, self.defects).traces
        return solve(self.bench, parts).equilibrium.traces


_COLD = {"diode.thermal_resistance": 0.0}
"""While a fuse still holds, nothing has settled: how warm anything is by then is not asked."""


_BRIEF = 0.1 * RARE
"""A fuse holds a short for moments, and few readings are of those; each of several diodes may be the one."""


def while_the_fuse_holds(cause: str, remedy: str, bench: Bench, defects: Defects) -> SuspectedFault:
    """Return a short that is read before the fuse melts, which is seldom."""
    return SuspectedFault(
        f"{cause}, and the fuse still holds",
        "switch off at once, let capacitors discharge, " + remedy,
        _BRIEF,
        bench,
        _COLD,
        defects=defects,
        correct=_not_settled,
        shape_doubt=_NOT_SETTLED,
    )


_NOT_SETTLED = 0.1
"""Part of their change by which readings may miss those of a settled short, from memory: the core is still going to
where the short's direct current drives it."""


def _not_settled(values: MeterValues) -> MeterValues:
    return magnetised(_without_temperatures(values))


def _without_temperatures(values: MeterValues) -> MeterValues:
    warm = {name for name in values.quantities if "temperature" in name and not name.startswith("ambient")}
    return replace(values, absent=values.absent | warm)


_MAGNETISED = {
    "mains.current.rms": 0.3,
    "mains.current.peak": 0.3,
    "mains.power.apparent": 0.3,
    "mains.power_factor": -0.3,
    "mains.displacement_factor": -0.3,
}


_MAGNETISED_SHAPE = {
    "mains.current.thd": 0.15,
    "mains.current.crest_factor": 0.15,
    "mains.power.active": 0.08,
    "diode.current.peak": 0.15,
    "secondary.current.peak": 0.15,
}
"""Parts by which readings differ from core to core where half waves magnetise it: a gap of a hair decides that.

More current goes with a lower power factor; how the wave's shape follows is open.
"""


def magnetised(values: MeterValues) -> MeterValues:
    """Return the values with what is not known of a core that the rectifier magnetises one way."""
    quantities = {}
    for name, value in values.quantities.items():
        together = np.append(value.moves, _MAGNETISED.get(name, 0.0) * value.value)
        alone = math.hypot(value.own, (0.05 if name in _MAGNETISED else _MAGNETISED_SHAPE.get(name, 0.0)) * value.value)
        quantities[name] = replace(value, moves=together, own=alone)
    return replace(values, quantities=quantities)


BETWEEN = 0.45
"""The part of a fault's size by which it may be another, up to the next size that is solved."""
