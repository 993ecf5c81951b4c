"""Find the part that prevents convergence: the first one whose value, changed alone, gives a steady state."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

import numpy as np

from benchmon.bench import Bench, Capacitor, Choke
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.circuit.steady_state import solve_circuit
from benchmon.quantities import format_value

_FACTOR = 100.0
_MOST_TRIED = 6
"""A circuit that does not converge costs seconds, and so may each of its variants."""
_OF_REACTANCE = 0.02
"""Series resistance that damps a bare inductance, as a fraction of its reactance at the mains frequency."""


@dataclass(frozen=True)
class _Change:
    """A value of `parts`, by `key`, and the `milder` value to try in its place; `part` is its name for the user."""

    part: str
    key: str
    milder: float
    unit: str


def diagnose_convergence(bench: Bench, parts: Parts) -> str:
    """Return one line for a circuit without a steady state: the part at fault, and a value that has one."""
    one = Parts({name: value[:1] for name, value in parts.values.items()})
    for change in islice(_changes(bench, one), _MOST_TRIED):
        if _is_solved(bench, one.replaced({change.key: np.array([change.milder])})):
            now, then = (format_value(value, change.unit, 3) for value in (float(one[change.key][0]), change.milder))
            return f"{change.part}: with {now} the circuit's steady state was not found; with {then} there is one"
    return (
        "the circuit's steady state was not found, and no single part is to blame; "
        "check the filter and load for values far out of proportion"
    )


def _is_solved(bench: Bench, parts: Parts) -> bool:
    try:
        return bool(np.all(solve_circuit(bench, parts, parts["ambient.temperature"]).solution.converged))
    except PredictionError:
        return False


def _changes(bench: Bench, parts: Parts) -> Iterator[_Change]:
    """Yield the changes to try, the most likely causes first."""
    yield from _milder(bench, parts, _FACTOR)
    leakage = "transformer.leakage_inductance"
    ohms = _OF_REACTANCE * 2.0 * np.pi * float(parts["mains.frequency"][0] * parts[leakage][0])
    if ohms > float(parts["transformer.secondary_resistance"][0]):
        yield _Change("transformer.secondary_resistance", "transformer.secondary_resistance", ohms, "Ω")


def _milder(bench: Bench, parts: Parts, factor: float) -> Iterator[_Change]:
    leakage = "transformer.leakage_inductance"
    if parts[leakage][0] > 0.0:
        yield _Change(leakage, leakage, float(parts[leakage][0]) / factor, "H")
    for index, part in enumerate(bench.filter):
        place = f"filter[{index + 1}] {part.kind}"
        if isinstance(part, Choke):
            yield _Change(place, f"filter.{index}.inductance", part.inductance / factor, "H")
        elif isinstance(part, Capacitor):
            yield _Change(place, f"filter.{index}.capacitance", part.capacitance * factor, "F")
            yield _Change(place, f"filter.{index}.capacitance", part.capacitance / factor, "F")
    if "load.resistance" in parts:
        yield _Change("load", "load.resistance", float(parts["load.resistance"][0]) * factor, "Ω")
    elif "load.current" in parts:
        yield _Change("load", "load.current", float(parts["load.current"][0]) / factor, "A")
