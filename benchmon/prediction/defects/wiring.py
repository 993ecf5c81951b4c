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
    `dry_reservoirs` those of whose capacitance and series resistance there is `left_when_dry`, as factors.
    """

    open_diodes: frozenset[int] = frozenset()
    shorted_diodes: frozenset[int] = frozenset()
    reversed_windings: frozenset[int] = frozenset()
    open_reservoirs: frozenset[int] = frozenset()
    dry_reservoirs: frozenset[int] = frozenset()
    left_when_dry: tuple[float, float] = (0.5, 2.0)


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

    `diodes` are pairs of anode and cathode, of which the first carries meters. `halves` are the nodes, plus and minus,
    of a multiplier's capacitors; elsewhere the first capacitor is part of each rail's filter.
    """

    nodes: int
    branches: tuple[WindingBranch, ...]
    diodes: tuple[tuple[Node, Node], ...]
    rails: tuple[Rail, ...]
    halves: tuple[tuple[Node, Node], ...] = ()


def wiring_by_diode(bench: Bench) -> DiodeWiring:
    """Return how the bench's windings and diodes are connected."""
    topology = bench.rectifier.topology
    branches = topology.branches(bench.transformer.connection)
    return DiodeWiring(
        nodes=topology.nodes,
        branches=tuple(WindingBranch(_node(start), _node(end), windings) for (start, end), windings in branches),
        diodes=tuple((_node(anode), _node(cathode)) for anode, cathode in topology.diodes),
        rails=tuple(_rail(plus, minus) for plus, minus in topology.rails),
        halves=tuple((_node(plus), _node(minus)) for plus, minus in (one.nodes for one in topology.capacitors)),
    )


def _node(number: int) -> Node:
    """Return the unknown of a node of the topology, whose node 0 is common."""
    return (number - 1,) if number else COMMON


def _rail(plus: int, minus: int) -> Rail:
    return Rail(_node(plus), _node(minus), 1) if plus else Rail(_node(minus), COMMON, -1)
