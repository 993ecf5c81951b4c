"""Periodic steady state of a circuit: a first solution on an even mesh, then on adaptive meshes.

If Newton's method fails it is damped, and at last the circuit is solved by continuation: from diodes and loads with
wide corners, which are narrowed step by step to the real ones. Where that fails too, the part that prevents convergence
is named: the first one whose value, changed alone, gives a steady state.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import islice
from typing import Protocol, Self

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench, Capacitor, Choke
from benchmon.errors import NoSteadyState, PredictionError
from benchmon.prediction.circuit.circuit import Circuit, Sag, circuit_of
from benchmon.prediction.circuit.parts import Parts, joined
from benchmon.prediction.collocation import (
    TOLERANCE,
    Mesh,
    PeriodicSolution,
    solve_periodic,
)
from benchmon.prediction.shared_jacobian import SharedSolution, VariedSystem, solve_shared_jacobian
from benchmon.quantities import format_value
from benchmon.signals.arrays import Floats

COARSE, FINE = 32, 64
"""Intervals of the first and of the adapted meshes, per half period."""

_FINER, _MOST_LOST = (128, 256), 1e-4
"""Intervals if those are too few: if the numerical loss is more than this fraction of the energy supplied."""

_ADAPTATIONS, _MOST_ADAPTATIONS = 2, 6
"""Adapted meshes: the first locates the steps of current, the second resolves them."""

_ROUGH = 1e-3
"""Relative size of Newton's last step on a mesh from which another one is adapted."""

_LARGEST_STEP = 0.15
"""Largest change of a path's current between neighbouring instants, relative to its swing, that counts as resolved."""

_EVEN_SHARE = 1.5
"""Density of an adapted mesh that does not depend on the curvature, relative to the part that does."""

_WIDEST_CORNERS, _NARROWING = 100.0, 3.0
"""Continuation: how many times wider the corners of diodes and loads are at first, and the factor of each step back."""

_MOST_NARROWING_STEPS, _MOST_FAILURES, _MOST_FIRST_FAILURES = 500, 5, 3
"""Newton's steps from which the continuation gives up, and most solutions in it that are not found, also at its begin.

Of 1200 supplies drawn between absurd limits 13 were solved by it, within 66 to 497 steps.
"""

_GUESSES = (1.0, 0.1, 0.0)
"""Parts of the usual guess to start from: a choke after a rectifier may carry much less, and hold the output down."""


class PeriodicCircuit(VariedSystem, Protocol):
    """A circuit whose steady state can be found, such as `Circuit`."""

    @property
    def repeat(self) -> float:
        """The angle after which the circuit repeats, in radians of the mains."""
        ...

    def currents(self, y: Floats, angle: Floats) -> Floats:
        """Return the currents that meshes follow, at unknowns `y` (b, …, n) and mains angles (…), (b, …, p)."""
        ...

    def guess(self, mesh: Mesh) -> Floats:
        """Return stage values to start from, (b, m, 2, n)."""
        ...

    def is_physical(self, found: PeriodicSolution) -> NDArray[np.bool_]:
        """Return for which variants, (b,), the end of Newton's steps is a solution."""
        ...

    def with_wider_corners(self, factor: float) -> Self:
        """Return the circuit with diodes and loads whose corners are `factor` times wider."""
        ...

    def energy_lost(self, solution: PeriodicSolution) -> float:
        """Return what the method, not the circuit, loses of the energy that comes in over a period."""
        ...


@dataclass(frozen=True)
class SteadyState:
    """A solved circuit: the equations with the solution of every variant."""

    circuit: Circuit
    solution: PeriodicSolution


def solve_circuit(
    bench: Bench, parts: Parts, celsius: Floats, initial_guess: SteadyState | None = None, sag: Sag | None = None
) -> SteadyState:
    """Return the steady state with all junctions at `celsius` (b,); `initial_guess` is a solution to start from.

    `sag` is what the core's idle current takes from the EMF.

    Raises `NoSteadyState`, a `PredictionError`, if no variant converges; single variants that fail are marked in the
    solution.
    """
    circuit = circuit_of(bench, parts, celsius, sag)
    start = initial_guess.solution if initial_guess else None
    return SteadyState(circuit, steady_solution(circuit, parts.variants, start))


def steady_solution(
    circuit: PeriodicCircuit, variants: int, initial_guess: PeriodicSolution | None, fine: int = FINE
) -> PeriodicSolution:
    """Return the periodic solution of the `variants` of a circuit on an adapted mesh of `fine` intervals a half period.

    `initial_guess` is a solution of a similar circuit, whose mesh is used as it is. Raises `NoSteadyState` if no
    variant converges.
    """
    if initial_guess is not None:
        start = np.broadcast_to(initial_guess.y, (variants, *initial_guess.y.shape[1:]))
        # Variants that each start from near its own solution need no common one, unless theirs is known.
        if variants > 1 and (len(initial_guess.y) == 1 or isinstance(initial_guess, SharedSolution)):
            solution = _together(circuit, initial_guess, start)
            if np.all(solution.converged):
                return solution
        solution = _solve_on(circuit, initial_guess.mesh, start)
        if np.all(solution.converged):
            return solution
    solution, intervals = refined(circuit, None, fine)
    while intervals is not None:
        solution, intervals = refined(circuit, solution, intervals)
    return solution


def refined(
    circuit: PeriodicCircuit, last: PeriodicSolution | None, intervals: int = FINE
) -> tuple[PeriodicSolution, int | None]:
    """Return the solution on the next mesh, of `intervals` a half period, adapted to the `last` solution.

    Without a last one it is the even mesh. The circuit may differ a little from that of the last solution. Also return
    the intervals of the mesh that should follow, None where this one resolves the currents. Raises `NoSteadyState` if
    no variant converges.
    """
    if last is None:
        mesh = even_mesh(circuit)
        solution = _solved_from_guesses(circuit, mesh)
        following: int | None = intervals
    else:
        mesh = adapted_mesh(circuit, last, intervals)
        tolerance = TOLERANCE if mesh.adapted >= _ADAPTATIONS else _ROUGH
        solution = _solve_on(circuit, mesh, _interpolated(last, mesh, circuit), tolerance)
        following = _following(circuit, solution, intervals)
    _refuse_unsolved(solution)
    return solution, following


def _solved_from_guesses(circuit: PeriodicCircuit, mesh: Mesh) -> PeriodicSolution:
    """Return a rough solution on the first mesh: from the usual guess, or nearer to zero, or with more effort."""
    guess = circuit.guess(mesh)
    found = []
    for share in _GUESSES:
        found.append(_solved(circuit, mesh, share * guess, damped=False, tolerance=_ROUGH))
        if np.all(found[-1].converged):
            return found[-1]
    return _with_more_effort(circuit, guess, found[0], _ROUGH)


def _following(circuit: PeriodicCircuit, solution: PeriodicSolution, intervals: int) -> int | None:
    """Return how many intervals a half period the mesh after that of `solution` needs; None if there need be none."""
    adapted = solution.mesh.adapted
    if adapted < _ADAPTATIONS:
        return intervals
    if intervals not in _FINER and adapted < _MOST_ADAPTATIONS and _largest_step(circuit, solution) > _LARGEST_STEP:
        return intervals
    if circuit.energy_lost(solution) <= _MOST_LOST:
        return None
    return next((more for more in _FINER if more > intervals), None)


def _together(circuit: PeriodicCircuit, near: PeriodicSolution, start: Floats) -> PeriodicSolution:
    """Return the solution with a shared Jacobian, that of `near` if it was found for the same variants.

    Variants that do not converge with it are solved each with its own.
    """
    known = near.jacobian if isinstance(near, SharedSolution) and len(near.y) == len(start) else None
    solution = solve_shared_jacobian(circuit, near.mesh, start, known)
    with np.errstate(over="ignore", invalid="ignore"):
        solution = replace(solution, converged=solution.converged & circuit.is_physical(solution))
    rest = np.flatnonzero(~solution.converged)
    if len(rest) in (0, len(start)):
        return solution
    return _replaced(solution, rest, _solved(circuit.chosen(rest), solution.mesh, solution.y[rest], damped=False))


def _replaced(solution: PeriodicSolution, rows: NDArray[np.intp], by: PeriodicSolution) -> PeriodicSolution:
    """Return the solution with the variants `rows` replaced by those of another one."""
    y, dy, converged = solution.y.copy(), solution.dy.copy(), solution.converged.copy()
    y[rows], dy[rows], converged[rows] = by.y, by.dy, by.converged
    return replace(solution, y=y, dy=dy, converged=converged)


def _refuse_unsolved(solution: PeriodicSolution) -> None:
    if not np.any(solution.converged):
        raise NoSteadyState(
            "the circuit's steady state was not found; check the filter and load for values far out of proportion"
        )


def even_mesh(circuit: PeriodicCircuit) -> Mesh:
    """Return the first mesh, evenly spaced."""
    halves = round(circuit.repeat / np.pi)
    return Mesh(np.linspace(0.0, circuit.repeat, COARSE * halves + 1))


def _solve_on(circuit: PeriodicCircuit, mesh: Mesh, start: Floats, tolerance: float = TOLERANCE) -> PeriodicSolution:
    """Return the solution on `mesh`: by Newton's method, else damped, else by continuation from wide corners.

    Each variant goes only as far along these as it needs.
    """
    solution = _solved(circuit, mesh, start, damped=False, tolerance=tolerance)
    return _with_more_effort(circuit, start, solution, tolerance)


def _with_more_effort(
    circuit: PeriodicCircuit, start: Floats, solution: PeriodicSolution, tolerance: float
) -> PeriodicSolution:
    """Return what Newton's plain steps from `start` left in `solution`, with more effort for what did not converge."""
    for harder in (_damped, _from_wide_corners):
        rest = np.flatnonzero(~solution.converged)
        if len(rest) == 0:
            break
        those = circuit if len(rest) == len(start) else circuit.chosen(rest)
        solution = _replaced(solution, rest, harder(those, solution.mesh, start[rest], tolerance))
    return solution


def _damped(circuit: PeriodicCircuit, mesh: Mesh, start: Floats, tolerance: float) -> PeriodicSolution:
    """Return the solution by damped steps from `start`."""
    return _solved(circuit, mesh, start, damped=True, tolerance=tolerance)


def _from_wide_corners(circuit: PeriodicCircuit, mesh: Mesh, start: Floats, _: float) -> PeriodicSolution:
    """Return the solution by continuation from wide corners; the last one found, not converged, if it gets stuck."""
    corner_factor, step, failures, taken, begin = _WIDEST_CORNERS, _NARROWING, 0, 0, start
    while taken < _MOST_NARROWING_STEPS:
        wider = _solved(circuit.with_wider_corners(corner_factor), mesh, start, damped=True)
        taken += wider.steps
        if not np.all(wider.converged):
            # Go back to the last solution, and on from there by a smaller step.
            corner_factor, step, failures = corner_factor * step, step**0.5, failures + 1
            if failures == (_MOST_FAILURES if start is not begin else _MOST_FIRST_FAILURES):
                break
        elif corner_factor == 1.0:
            return wider
        else:
            start = wider.y
        corner_factor = max(corner_factor / step, 1.0)
    return replace(wider, converged=np.zeros(len(start), bool))


def _solved(
    circuit: PeriodicCircuit, mesh: Mesh, start: Floats, *, damped: bool, tolerance: float = TOLERANCE
) -> PeriodicSolution:
    """Return Newton's solution; a solution that is not physical is marked as not converged."""
    found = solve_periodic(circuit, mesh, start, damped=damped, tolerance=tolerance)
    with np.errstate(over="ignore", invalid="ignore"):
        physical = circuit.is_physical(found)
        if tolerance > TOLERANCE and np.any(found.converged & ~physical):
            # At many volts a rough end is far from the corners of the diodes: it is followed to its true one.
            found = solve_periodic(circuit, mesh, found.y, damped=damped)
            physical = circuit.is_physical(found)
        return replace(found, converged=found.converged & physical)


def _largest_step(circuit: PeriodicCircuit, solution: PeriodicSolution) -> float:
    """Return the largest change of the first variant's path currents between instants, relative to their swing."""
    current = _currents(circuit, solution)
    return float(np.max(np.abs(np.diff(current, axis=0)))) / (float(np.ptp(current)) or 1.0)


def _currents(circuit: PeriodicCircuit, solution: PeriodicSolution) -> Floats:
    """Return the first variant's path currents at every instant, (k, p)."""
    current = circuit.currents(solution.y, solution.mesh.stages)
    first: Floats = current[0].reshape(-1, current.shape[-1])
    return first


def adapted_mesh(circuit: PeriodicCircuit, solution: PeriodicSolution, intervals: int) -> Mesh:
    """Return a mesh of `intervals` a half period that is denser where the first variant's path currents bend.

    The density is the square root of the summed curvature of both paths, plus an even share, so that the error of a
    straight line is about equal in each interval.
    """
    current = _currents(circuit, solution)
    current = current / (np.ptp(current) or 1.0)
    angle = solution.mesh.stages.ravel()
    steps = np.diff(angle) / circuit.repeat
    slope = np.diff(current, axis=0) / steps[:, None]
    bend = np.abs(np.diff(slope, axis=0)).sum(-1) / (steps[1:] + steps[:-1])
    bend = np.sqrt(np.maximum(np.append(bend, bend[0]), np.insert(bend, 0, bend[-1])))
    density = (bend / (np.sum(bend * steps) or 1.0) + _EVEN_SHARE) * steps
    density = np.convolve(np.pad(density, 2, mode="wrap"), [0.1, 0.2, 0.4, 0.2, 0.1], mode="valid")
    distance = np.concatenate([[0.0], np.cumsum(density)])
    wanted = np.linspace(0.0, distance[-1], round(circuit.repeat / np.pi) * intervals + 1)
    edges = np.interp(wanted, distance, angle)
    edges[0], edges[-1] = 0.0, circuit.repeat
    return Mesh(edges, solution.mesh.adapted + 1)


def _interpolated(solution: PeriodicSolution, mesh: Mesh, circuit: PeriodicCircuit) -> Floats:
    """Return the stage values of `solution` interpolated to another mesh, to start from."""
    known = solution.mesh.stages.ravel()
    ends = solution.y[:, -1, 1] @ circuit.exchange.T
    values = np.concatenate([ends[:, None], solution.y.reshape(len(ends), -1, ends.shape[-1])], axis=1)
    known = np.concatenate([[0.0], known])
    where = mesh.stages.ravel()
    index = np.clip(np.searchsorted(known, where) - 1, 0, len(known) - 2)
    part = ((where - known[index]) / (known[index + 1] - known[index]))[None, :, None]
    moved = values[:, index] * (1.0 - part) + values[:, index + 1] * part
    return moved.reshape(len(ends), len(mesh.widths), 2, -1)


_FACTOR = 100.0
_MOST_TRIED = 6
"""Changes that are tried, the most likely causes."""
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
    changes = list(islice(_changes(bench, one), _MOST_TRIED))
    for change, is_solved in zip(changes, _solved_by(bench, one, changes), strict=True):
        if is_solved:
            now, then = (format_value(value, change.unit, 3) for value in (float(one[change.key][0]), change.milder))
            return f"{change.part}: with {now} the circuit's steady state was not found; with {then} there is one"
    return (
        "the circuit's steady state was not found, and no single part is to blame; "
        "check the filter and load for values far out of proportion"
    )


def _solved_by(bench: Bench, one: Parts, changes: list[_Change]) -> list[bool]:
    """Return which changes of a circuit make it one that is solved on the first mesh without great effort.

    All are tried at once, from every guess: steps for many cost little more than for one.
    """
    if not changes:
        return []
    tried = joined([one.replaced({change.key: np.array([change.milder])}) for change in changes for _ in _GUESSES])
    try:
        circuit = circuit_of(bench, tried, tried["ambient.temperature"])
        mesh = even_mesh(circuit)
        start = np.tile(_GUESSES, len(changes))[:, None, None, None] * circuit.guess(mesh)
        found = _solved(circuit, mesh, start, damped=False, tolerance=_ROUGH).converged
    except PredictionError:
        return [False] * len(changes)
    return [bool(np.any(each)) for each in found.reshape(len(changes), -1)]


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
