"""The wirings of a rectifier diode by diode: between which nodes each winding, diode, capacitor and load stands."""

from __future__ import annotations

from dataclasses import dataclass

from benchmon.bench import Bench
from benchmon.prediction.stamps import Node

COMMON: Node = ()


@dataclass(frozen=True)
class Branch:
    """Windings one after another, whose EMF drives current out of `start`; `windings` are their numbers, from 1."""

    start: Node
    end: Node
    windings: tuple[int, ...]


@dataclass(frozen=True)
class Rail:
    """A filter with its load: it begins at `start` and returns to `end`, and is positive there if `sign` is 1."""

    start: Node
    end: Node
    sign: int


@dataclass(frozen=True)
class DiodeWiring:
    """A rectifier with `nodes` nodes beside the common one, numbered from 0.

    `diodes` are pairs of anode and cathode, of which the first carries meters. `halves` are the nodes, plus and minus,
    of a doubler's two capacitors; elsewhere the first capacitor is part of each rail's filter.
    """

    nodes: int
    branches: tuple[Branch, ...]
    diodes: tuple[tuple[Node, Node], ...]
    rails: tuple[Rail, ...]
    halves: tuple[tuple[Node, Node], ...] = ()


_NODES: tuple[Node, ...] = ((0,), (1,), (2,), (3,))


def wiring_by_diode(bench: Bench) -> DiodeWiring:
    """Return how the bench's windings and diodes are connected."""
    kind = bench.rectifier.kind
    a, b, c, d = _NODES
    if kind == "centre tap":
        halves = (Branch(a, COMMON, (1,)), Branch(COMMON, b, (2,)))
        return DiodeWiring(3, halves, ((a, c), (b, c)), (Rail(c, COMMON, 1),))
    if kind == "split rail":
        halves = (Branch(a, COMMON, (1,)), Branch(COMMON, b, (2,)))
        return DiodeWiring(4, halves, ((a, c), (b, c), (d, a), (d, b)), (Rail(c, COMMON, 1), Rail(d, COMMON, -1)))
    if kind == "bridge":
        diodes = ((a, c), (b, c), (COMMON, a), (COMMON, b))
        return DiodeWiring(3, _branches(bench, a, b), diodes, (Rail(c, COMMON, 1),))
    if kind == "half wave":
        return DiodeWiring(2, _branches(bench, a, COMMON), ((a, b),), (Rail(b, COMMON, 1),))
    capacitors = ((b, COMMON), (COMMON, c))
    return DiodeWiring(3, _branches(bench, a, COMMON), ((a, b), (c, a)), (Rail(b, c, 1),), capacitors)


def _branches(bench: Bench, start: Node, end: Node) -> tuple[Branch, ...]:
    connection = bench.transformer.connection
    if connection == "series":
        return (Branch(start, end, (1, 2)),)
    if connection == "parallel":
        return Branch(start, end, (1,)), Branch(start, end, (2,))
    return (Branch(start, end, (1,)),)
