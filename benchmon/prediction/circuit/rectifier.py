"""Rectifier topologies as conducting paths, from the EMF of the winding to the ports that they charge."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.circuit.parts import Parts
from benchmon.signals.arrays import Floats


@dataclass(frozen=True)
class PathWiring:
    """The conducting paths of a rectifier, without the values of parts.

    `signs` is the sign of the EMF in each of p conducting paths; `charges` (p, ports) by which sign each path's current
    charges each port, 0 where it does not; `outputs` the ports that feed the filter; `in_series` the diodes in one
    path; `windings` the number of the winding that each path's current comes from. `turns` is the EMF of a path in
    windings, `line` the primary ampere-turns of a path in windings. Where two outputs differ they are `apart`: each has
    two paths of its own, and each port is one of them.
    """

    signs: tuple[int, ...]
    charges: tuple[tuple[int, ...], ...]
    outputs: tuple[int, ...]
    in_series: int
    windings: tuple[int, ...]
    turns: int
    line: int
    windings_in_parallel: int = 1
    apart: bool = False
    symmetric: bool = False
    """Whether the second half period repeats the first with the two paths exchanged."""

    @property
    def ports(self) -> int:
        """How many ports there are. Where each is a capacitor, the paths' charge passes all of them to the load."""
        return len(self.charges[0])

    @cached_property
    def passes(self) -> Floats:
        """How many paths an ampere out of each port has passed, (ports,): all paths' currents are these times it."""
        charges = np.array(self.charges, float)
        passed: Floats = np.linalg.lstsq(charges, np.ones(len(charges)), rcond=None)[0]
        return passed

    @property
    def mirrored(self) -> tuple[int, ...]:
        """The path that does in the second half period what each path does in the first, where it is `symmetric`."""
        return (1, 0, 3, 2) if self.apart else (1, 0)

    def through(self, winding: int) -> Floats:
        """Return by which sign each path's current goes through a winding, (p,), 0 where it does not."""
        signs = [sign if own == winding else 0 for sign, own in zip(self.signs, self.windings, strict=True)]
        return np.array(signs, float)

    @property
    def overlaps(self) -> bool:
        """Whether several paths conduct in the same half period."""
        return len(set(self.signs)) < len(self.signs)


def wiring_of(bench: Bench) -> PathWiring:
    """Return how the bench's rectifier and windings are wired."""
    topology, connection = bench.rectifier.topology, bench.transformer.connection
    in_series = not topology.is_tapped and connection == "series"
    in_parallel = not topology.is_tapped and connection == "parallel"
    turns = 2 if in_series else 1
    apart = bench.outputs_apart
    paths = topology.paths_apart if apart else topology.paths
    if apart:
        windings = tuple(path.winding for path in paths)
    else:
        # Two rails that are alike load both halves of a tapped winding all the time.
        halves = topology.is_tapped and not topology.has_two_outputs
        windings = tuple(range(1, len(paths) + 1)) if halves else (1,) * len(paths)
    return PathWiring(
        signs=tuple(path.sign for path in paths),
        charges=tuple(path.charges for path in paths),
        outputs=tuple(at for at, capacitor in enumerate(topology.capacitors) if capacitor.feeds) or (0,),
        in_series=topology.drops,
        windings=windings,
        turns=turns,
        line=turns * (1 if apart else len(topology.rails)),
        windings_in_parallel=2 if in_parallel else 1,
        apart=apart,
        symmetric=topology.repeats_after_half and not _has_even_harmonics(bench),
    )


def _has_even_harmonics(bench: Bench) -> bool:
    """Return whether the mains has even harmonics, so that its half periods differ."""
    return any(order % 2 == 0 and size > 0.0 for order, size, _ in bench.mains.harmonics or ())


@dataclass(frozen=True)
class WindingModel:
    """The transformer as seen by the paths, for b variants and p paths.

    `emf` (b,) rms volts in a path; `winding` (b,) and `reflected` (b,) ohms of the winding and of the primary circuit;
    `resistance` and `inductance` (b, p, p) couple the path currents; `line_ratio` (b,) primary amperes per ampere of
    all paths, each with its sign.
    """

    emf: Floats
    winding: Floats
    reflected: Floats
    resistance: Floats
    inductance: Floats
    line_ratio: Floats


def windings_of(wiring: PathWiring, parts: Parts, primary_voltage: float) -> WindingModel:
    """Return EMF, resistances and leakage of the conducting paths, everything referred to the secondary."""
    ratio = parts["transformer.open_circuit_voltage"] / primary_voltage * parts["core.turns"]
    primary = parts.primary_ohms
    share = wiring.turns / wiring.windings_in_parallel
    winding = parts.secondary_ohms * share
    leakage = parts["transformer.leakage_inductance"] * share
    reflected = primary * ratio**2 * wiring.turns * wiring.line
    exchange = np.outer(wiring.signs, wiring.signs).astype(float)
    numbers = np.array(wiring.windings)
    own = exchange * (numbers[:, None] == numbers)
    return WindingModel(
        emf=parts["mains.voltage"] * ratio * wiring.turns,
        winding=winding,
        reflected=reflected,
        resistance=winding[:, None, None] * own + reflected[:, None, None] * exchange,
        inductance=leakage[:, None, None] * own,
        line_ratio=ratio * wiring.line,
    )
