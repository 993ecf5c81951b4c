"""How windings, diodes and what they charge are connected: the net list of the bench's topology, with its windings."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from benchmon.bench import Bench
from benchmon.bench.topology import Nodes, Topology


@dataclass(frozen=True)
class NodeBranch:
    """Windings one after another, from one node to another; their starts point to the first node.

    `windings` are counted from 0.
    """

    nodes: Nodes
    windings: tuple[int, ...]


@dataclass(frozen=True)
class NodeWiring:
    """A rectifier of a topology with nodes 1 to `size`.

    `diodes` are pairs of anode and cathode; diode 1, the first, is the one that carries meters. `ports` are pairs of
    plus and minus: of a multiplier's capacitors, then of each rail's filter. `backwards` are the diodes of the path
    that conducts in the second half of the mains.
    """

    topology: Topology
    branches: tuple[NodeBranch, ...]

    @property
    def size(self) -> int:
        """The number of nodes beside the common one."""
        return self.topology.nodes

    @property
    def diodes(self) -> tuple[Nodes, ...]:
        """Anode and cathode of each diode."""
        return self.topology.diodes

    @cached_property
    def ports(self) -> tuple[Nodes, ...]:
        """Plus and minus of what is charged."""
        return (*(capacitor.nodes for capacitor in self.topology.capacitors), *self.topology.rails)

    @cached_property
    def backwards(self) -> tuple[int, ...]:
        """The diodes that conduct in the second half of the mains."""
        return self.topology.backwards

    @cached_property
    def windings(self) -> int:
        """How many secondary windings are connected."""
        return sum(len(branch.windings) for branch in self.branches)


def wiring_of(bench: Bench) -> NodeWiring:
    """Return how the bench's windings and diodes are connected."""
    topology = bench.rectifier.topology
    branches = topology.branches(bench.transformer.connection)
    return NodeWiring(
        topology, tuple(NodeBranch(nodes, tuple(number - 1 for number in windings)) for nodes, windings in branches)
    )
