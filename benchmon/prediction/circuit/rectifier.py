"""Rectifier topologies as conducting paths, from the EMF of the winding to the ports that they charge."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.circuit.parts import Parts
from benchmon.signals.arrays import Floats


@dataclass(frozen=True)
class PathWiring:
    """The conducting paths of a rectifier, without the values of parts.

    `signs` is the sign of the EMF in each path; `ports` the port that each path charges; `in_series` the number of
    diodes in one path, `diodes` in all; `shared` whether the paths share one winding in both directions (else each has
    its own half). `turns` is the EMF of a path in windings, `line` the primary ampere-turns of a path in windings.
    """

    signs: tuple[int, ...]
    ports: tuple[int, ...]
    in_series: int
    diodes: int
    shared: bool
    turns: int
    line: int
    windings_in_parallel: int = 1

    @property
    def symmetric(self) -> bool:
        """Whether the second half period repeats the first with the two paths exchanged."""
        return len(self.signs) == 2


def wiring_of(bench: Bench) -> PathWiring:
    """Return how the bench's rectifier and windings are wired."""
    kind = bench.rectifier.kind
    if kind == "centre tap":
        return PathWiring((1, -1), (0, 0), 1, 2, shared=False, turns=1, line=1)
    if kind == "split rail":
        return PathWiring((1, -1), (0, 0), 1, 4, shared=True, turns=1, line=2)
    turns = 2 if bench.transformer.connection == "series" else 1
    parallel = 2 if bench.transformer.connection == "parallel" else 1
    if kind == "half wave":
        return PathWiring((1,), (0,), 1, 1, shared=True, turns=turns, line=turns, windings_in_parallel=parallel)
    if kind == "bridge":
        return PathWiring((1, -1), (0, 0), 2, 4, shared=True, turns=turns, line=turns, windings_in_parallel=parallel)
    return PathWiring((1, -1), (0, 1), 1, 2, shared=True, turns=turns, line=turns, windings_in_parallel=parallel)


@dataclass(frozen=True)
class WindingModel:
    """The transformer as seen by the paths, for b variants and p paths.

    `emf` (b,) rms volts in a path; `winding` (b,) and `reflected` (b,) ohms of the winding and of the primary circuit;
    `resistance` and `inductance` (b, p, p) couple the path currents; `line_ratio` (b,) primary amperes per ampere of
    the first path less the second.
    """

    emf: Floats
    winding: Floats
    reflected: Floats
    resistance: Floats
    inductance: Floats
    line_ratio: Floats


def windings_of(wiring: PathWiring, parts: Parts, primary_voltage: float) -> WindingModel:
    """Return EMF, resistances and leakage of the conducting paths, everything referred to the secondary."""
    ratio = parts["transformer.open_circuit_voltage"] / primary_voltage
    primary = (
        parts["mains.source_resistance"]
        + parts["transformer.primary_resistance"]
        + parts["fuse.resistance"]
        + parts["ntc.resistance"]
    )
    share = wiring.turns / wiring.windings_in_parallel
    winding = parts["transformer.secondary_resistance"] * share
    leakage = parts["transformer.leakage_inductance"] * share
    reflected = primary * ratio**2 * wiring.turns * wiring.line
    paths = len(wiring.signs)
    exchange = np.outer(wiring.signs, wiring.signs).astype(float)
    own = exchange if wiring.shared else np.eye(paths)
    return WindingModel(
        emf=parts["mains.voltage"] * ratio * wiring.turns,
        winding=winding,
        reflected=reflected,
        resistance=winding[:, None, None] * own + reflected[:, None, None] * exchange,
        inductance=leakage[:, None, None] * own,
        line_ratio=ratio * wiring.line,
    )
