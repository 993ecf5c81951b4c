"""The connections of windings, diodes and ports for each kind of rectifier, as nodes and branches.

Node 0 is common: the supply's negative output, the centre tap, the middle of a doubler's two capacitors, or, in a
half-wave doubler or tripler, the end of the winding to which the first diode returns.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchmon.bench import Bench

Nodes = tuple[int, int]


@dataclass(frozen=True)
class NodeBranch:
    """Windings in series from one node to another; their starts point to the first node."""

    nodes: Nodes
    windings: tuple[int, ...]


@dataclass(frozen=True)
class NodeWiring:
    """A rectifier of `kind` with nodes 1 to `size`.

    `diodes` are pairs of anode and cathode; diode 1, the first, carries the meters. `ports` are pairs of
    plus and minus: of each of the `stacked` capacitors of a multiplier, then of each rail's filter. `backwards` are
    the diodes of the path that conducts in the second half of the mains, where it repeats the first.
    """

    kind: str
    size: int
    branches: tuple[NodeBranch, ...]
    diodes: tuple[Nodes, ...]
    ports: tuple[Nodes, ...]
    backwards: tuple[int, ...] = ()
    stacked: int = 0

    @property
    def has_two_outputs(self) -> bool:
        """Whether there is a second output, with meters of its own."""
        return self.kind in ("split rail", "two bridges")

    @property
    def windings(self) -> int:
        """The number of connected secondary windings."""
        return sum(len(branch.windings) for branch in self.branches)


def wiring_of(bench: Bench) -> NodeWiring:
    """Return the wiring of the bench's windings and diodes."""
    kind = bench.rectifier.kind
    if kind == "centre tap":
        halves = (NodeBranch((1, 0), (0,)), NodeBranch((0, 2), (1,)))
        return NodeWiring(kind, 3, halves, ((1, 3), (2, 3)), ((3, 0),), (2,))
    if kind == "split rail":
        halves = (NodeBranch((1, 0), (0,)), NodeBranch((0, 2), (1,)))
        return NodeWiring(kind, 4, halves, ((1, 3), (2, 3), (4, 1), (4, 2)), ((3, 0), (0, 4)), (2, 3))
    if kind == "bridge":
        return NodeWiring(kind, 3, _branches(bench, (1, 2)), ((1, 3), (2, 3), (0, 1), (0, 2)), ((3, 0),), (2, 3))
    if kind == "two bridges":
        # The return of the first is the plus of the second; without that wire nothing else would flow.
        windings = (NodeBranch((1, 2), (0,)), NodeBranch((4, 5), (1,)))
        ports = ((3, 0), (0, 6), (3, 6)) if bench.rectifier.loads == "across" else ((3, 0), (0, 6))
        bridges = ((1, 3), (2, 3), (0, 1), (0, 2), (4, 0), (5, 0), (6, 4), (6, 5))
        return NodeWiring(kind, 6, windings, bridges, ports, (2, 3, 6, 7), stacked=len(ports) - 2 and 2)
    if kind == "half wave":
        return NodeWiring(kind, 2, _branches(bench, (1, 0)), ((1, 2),), ((2, 0),))
    return _multiplier(bench)


def _multiplier(bench: Bench) -> NodeWiring:
    kind = bench.rectifier.kind
    if kind == "full-wave doubler":
        ports: tuple[Nodes, ...] = ((2, 0), (0, 3), (2, 3))
        return NodeWiring(kind, 3, _branches(bench, (1, 0)), ((1, 2), (3, 1)), ports, (2,), stacked=2)
    if kind == "half-wave doubler":
        # The winding lifts the foot of the coupling capacitor (2, 1); the output's capacitor has the meters.
        ports = ((3, 0), (2, 1), (3, 0))
        return NodeWiring(kind, 3, _branches(bench, (0, 1)), ((0, 2), (2, 3)), ports, stacked=2)
    # The output of a tripler is taken at the other end of the winding, across the coupling capacitor and the last one.
    ports = ((2, 1), (4, 2), (3, 0), (4, 1))
    return NodeWiring(kind, 4, _branches(bench, (0, 1)), ((0, 2), (2, 3), (3, 4)), ports, stacked=3)


def _branches(bench: Bench, nodes: Nodes) -> tuple[NodeBranch, ...]:
    connection = bench.transformer.connection
    if connection == "series":
        return (NodeBranch(nodes, (0, 1)),)
    if connection == "parallel":
        return NodeBranch(nodes, (0,)), NodeBranch(nodes, (1,))
    return (NodeBranch(nodes, (0,)),)
