"""Rectifier topologies diode by diode, and the defects that they may have.

A wiring lists the nodes between which each winding, diode, capacitor and load is connected.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchmon.bench import Bench
from benchmon.prediction.circuit.network import Node


@dataclass(frozen=True)
class Defects:
    """The defective parts of a supply, numbered from 1 in the order of `wiring_by_diode`; diode 1 is the measured one.

    `open_reservoirs` are the rails (of a split rail) or halves (of a doubler) whose first capacitor is disconnected,
    `dry_reservoirs` those where it has half its capacitance and twice its series resistance.
    """

    open_diodes: frozenset[int] = frozenset()
    shorted_diodes: frozenset[int] = frozenset()
    reversed_windings: frozenset[int] = frozenset()
    open_reservoirs: frozenset[int] = frozenset()
    dry_reservoirs: frozenset[int] = frozenset()


COMMON: Node = ()


@dataclass(frozen=True)
class WindingBranch:
    """Windings in series, whose EMF drives current out of `start`; `windings` are their numbers, from 1."""

    start: Node
    end: Node
    windings: tuple[int, ...]


@dataclass(frozen=True)
class Rail:
    """A filter with its load between the nodes `start` and `end`; `start` is positive if `sign` is 1."""

    start: Node
    end: Node
    sign: int


@dataclass(frozen=True)
class DiodeWiring:
    """A rectifier with `nodes` nodes besides the common one, numbered from 0.

    `diodes` are pairs of anode and cathode; the first diode is the measured one. `halves` are the nodes, plus and
    minus, of the two capacitors of a doubler; in other rectifiers the first capacitor is in the filter of each rail.
    """

    nodes: int
    branches: tuple[WindingBranch, ...]
    diodes: tuple[tuple[Node, Node], ...]
    rails: tuple[Rail, ...]
    halves: tuple[tuple[Node, Node], ...] = ()


_NODES: tuple[Node, ...] = ((0,), (1,), (2,), (3,))


def wiring_by_diode(bench: Bench) -> DiodeWiring:
    """Return how the bench's windings and diodes are connected."""
    kind = bench.rectifier.kind
    a, b, c, d = _NODES
    if kind == "centre tap":
        halves = (WindingBranch(a, COMMON, (1,)), WindingBranch(COMMON, b, (2,)))
        return DiodeWiring(3, halves, ((a, c), (b, c)), (Rail(c, COMMON, 1),))
    if kind == "split rail":
        halves = (WindingBranch(a, COMMON, (1,)), WindingBranch(COMMON, b, (2,)))
        return DiodeWiring(4, halves, ((a, c), (b, c), (d, a), (d, b)), (Rail(c, COMMON, 1), Rail(d, COMMON, -1)))
    if kind == "bridge":
        diodes = ((a, c), (b, c), (COMMON, a), (COMMON, b))
        return DiodeWiring(3, _branches(bench, a, b), diodes, (Rail(c, COMMON, 1),))
    if kind == "half wave":
        return DiodeWiring(2, _branches(bench, a, COMMON), ((a, b),), (Rail(b, COMMON, 1),))
    capacitors = ((b, COMMON), (COMMON, c))
    return DiodeWiring(3, _branches(bench, a, COMMON), ((a, b), (c, a)), (Rail(b, c, 1),), capacitors)


def _branches(bench: Bench, start: Node, end: Node) -> tuple[WindingBranch, ...]:
    connection = bench.transformer.connection
    if connection == "series":
        return (WindingBranch(start, end, (1, 2)),)
    if connection == "parallel":
        return WindingBranch(start, end, (1,)), WindingBranch(start, end, (2,))
    return (WindingBranch(start, end, (1,)),)
