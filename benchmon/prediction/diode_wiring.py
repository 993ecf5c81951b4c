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
    of a multiplier's capacitors; elsewhere the first capacitor is part of each rail's filter.
    """

    nodes: int
    branches: tuple[Branch, ...]
    diodes: tuple[tuple[Node, Node], ...]
    rails: tuple[Rail, ...]
    halves: tuple[tuple[Node, Node], ...] = ()


def wiring_by_diode(bench: Bench) -> DiodeWiring:
    """Return how the bench's windings and diodes are connected."""
    topology = bench.rectifier.topology
    branches = topology.branches(bench.transformer.connection)
    return DiodeWiring(
        nodes=topology.nodes,
        branches=tuple(Branch(_node(start), _node(end), windings) for (start, end), windings in branches),
        diodes=tuple((_node(anode), _node(cathode)) for anode, cathode in topology.diodes),
        rails=tuple(_rail(plus, minus) for plus, minus in topology.rails),
        halves=tuple((_node(plus), _node(minus)) for plus, minus in (one.nodes for one in topology.capacitors)),
    )


def _node(number: int) -> Node:
    """Return the unknown of a node of the topology, whose node 0 is common."""
    return (number - 1,) if number else COMMON


def _rail(plus: int, minus: int) -> Rail:
    return Rail(_node(plus), _node(minus), 1) if plus else Rail(_node(minus), COMMON, -1)
