"""The steady state of a circuit and the idle current of its core, solved together while temperatures settle.

What the core takes drops across the primary circuit and is missing from the EMF (`Sag`), and what the windings carry
magnetises the core: the two are solved in turns. A circuit that is solved for the first time takes the chance of every
turn to refine its mesh, so that rough solutions, not fine ones, are thrown away.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Generic, Protocol, TypeVar

import numpy as np

from benchmon.bench import Bench
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.circuit import Sag
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.circuit.steady_state import PeriodicCircuit, refined, steady_solution
from benchmon.prediction.collocation import PeriodicSolution
from benchmon.signals.arrays import Floats

_CLOSE, _NEAR = 2e-5, 0.02
"""Change of the sag, relative to the EMF, that counts as none, and up to which a mesh still fits."""

_MOST_ROUNDS = 40


class CoredCircuit(PeriodicCircuit, Protocol):
    """A circuit behind a transformer, such as `Circuit`."""

    @property
    def sag(self) -> Sag | None:
        """What the core's idle current takes from the EMF, None where that is left out."""
        ...


C = TypeVar("C", bound=CoredCircuit)
C_co = TypeVar("C_co", bound=CoredCircuit, covariant=True)


class CoredState(Protocol[C_co]):
    """A solved circuit, such as `SteadyState`."""

    @property
    def circuit(self) -> C_co:
        """The equations."""
        ...

    @property
    def solution(self) -> PeriodicSolution:
        """The solution of every variant."""
        ...


S = TypeVar("S", bound=CoredState[CoredCircuit])


@dataclass(frozen=True)
class CoreModel(Generic[C, S]):
    """How the circuit of a `bench` is made and what its core takes.

    `circuit_at` makes the circuit from parts, junction temperatures and a sag; `state_of` joins it with its solution;
    `sag_of` returns the sag of a state with other parts, None where the core takes nothing. `intervals` is the mesh, a
    half period. With `together` the sag changes so little that one solution a turn is enough; what the core of a half
    wave takes is large, and so is what a limiter makes of it: these settle apart.
    """

    bench: Bench
    circuit_at: Callable[[Parts, Floats, Sag | None], C]
    state_of: Callable[[C, PeriodicSolution], S]
    sag_of: Callable[[S, Parts], Sag | None]
    intervals: int
    together: bool


class SettlingCore(Generic[C, S]):
    """Solves a circuit again and again while its temperatures settle, and the idle current of its core with them."""

    def __init__(self, model: CoreModel[C, S]) -> None:
        self._model = model
        self._last: S | None = None
        self._sag: Sag | None = None
        self._found: tuple[S, Sag | None] | None = None
        self._settled = False
        self._following: int | None = None

    @property
    def is_resolved(self) -> bool:
        """Whether the mesh of the last state is the final one."""
        return self._following is None

    def idle_of(self, state: S) -> Sag | None:
        """Return what the core takes at the currents of `state`, None where that is nothing or was not worked out."""
        return self._found[1] if self._found is not None and self._found[0] is state else None

    def next(self, now: Parts, junction: Floats, state: S | None) -> tuple[S, bool]:
        """Return the state with parts `now` and a `junction` temperature, and whether the idle current has settled.

        Starts from `state`, or without one on a rough mesh. Raises `PredictionError` if core and circuit do not agree,
        and `NoSteadyState` if there is none.
        """
        model = self._model
        if state is None or state is not self._last:
            self._begin(now, state)
        emf = now["mains.voltage"] * now["transformer.open_circuit_voltage"] / model.bench.transformer.primary_voltage
        self._settled = self._settled and model.together
        for turn in range(_MOST_ROUNDS):
            state = self._solved(now, junction, state, refines=turn == 0)
            if self._settled:
                break
            found = model.sag_of(state, now)
            self._found = state, found
            change, self._sag = _change_of(found, self._sag, emf), found
            self._settled = self.is_resolved and change < _CLOSE
            if model.together or change < (_CLOSE if self.is_resolved else _NEAR):
                break
            if self.is_resolved and change >= _NEAR:
                # The mesh fits as long as the EMF is about the same.
                self._following, state = model.intervals, None
        else:
            raise PredictionError(
                "transformer: the current of its core and that of the circuit find no common state; check no_load, "
                "no_load_current and the resistances of the primary circuit"
            )
        self._last = state
        return state, self._settled

    def _begin(self, now: Parts, state: S | None) -> None:
        self._settled, self._sag, self._following = False, None, self._model.intervals
        if state is not None:
            self._following, self._sag = None, state.circuit.sag
            if len(state.solution.y) != now.variants:
                self._sag = self._model.sag_of(state, now)

    def _solved(self, now: Parts, junction: Floats, state: S | None, *, refines: bool) -> S:
        """Return the state with the present sag, on the mesh of `state` or, if it `refines`, on the next one."""
        circuit = self._model.circuit_at(now, junction, self._sag)
        near = None if state is None else state.solution
        if self._following is not None and (refines or near is None):
            solution, self._following = refined(circuit, near, self._following)
        else:
            solution = steady_solution(circuit, now.variants, near, self._model.intervals)
            if near is not None and solution.mesh is not near.mesh:
                self._following = None
        return self._model.state_of(circuit, solution)


def _change_of(sag: Sag | None, before: Sag | None, emf: Floats) -> float:
    """Return the largest change of a sag, relative to the `emf` (b,) in rms volts."""
    if sag is None:
        return 0.0
    # A state may have been solved on another mesh than the one before it.
    change = sag.volts if before is None else sag.volts - before.at(sag.angle)
    return float(np.max(np.abs(change) / emf[:, None]))
