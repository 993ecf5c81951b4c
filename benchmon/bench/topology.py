"""How each kind of rectifier is connected: one record a topology, and the only place that knows them by name.

A record is a net list. Nodes are numbered from 1; node 0 is common: the output's return, the centre tap of the winding,
or the middle of a multiplier's capacitors. Diodes, windings and paths are numbered from 1 in the order of the record.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

RectifierKind = Literal[
    "half wave",
    "centre tap",
    "bridge",
    "split rail",
    "two bridges",
    "full-wave doubler",
    "half-wave doubler",
    "tripler",
]

Nodes = tuple[int, int]
"""Two nodes: anode and cathode, plus and minus, or where a winding starts and ends."""


@dataclass(frozen=True, slots=True)
class ConductingPath:
    """The `diodes` that conduct together while the EMF has the sign `sign`, and what their current charges.

    `charges` has an entry for each port: 1 where the path's current charges it, -1 where it discharges it, else 0.
    Ports are the capacitors inside the rectifier; where there are none, the output is the only port. `winding` is the
    number of the winding that the current comes from, where it matters: in paths that each feed one of two outputs.
    """

    sign: int
    diodes: tuple[int, ...]
    charges: tuple[int, ...] = (1,)
    winding: int = 1


@dataclass(frozen=True, slots=True)
class InnerCapacitor:
    """A capacitor of a multiplier between `nodes`, plus and minus: one of those that the first filter part stands for.

    The first of a record carries the meters of the reservoir. Each is charged to `peaks` times the peak of the winding.
    `feeds` is whether it is part of the output.
    """

    nodes: Nodes
    peaks: int = 1
    feeds: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Topology:
    """A kind of rectifier.

    `nodes` counts the nodes beside the common one. The windings lie between the two nodes of `winding`; if `is_tapped`,
    there are two in series with the tap at the common node; if there is a `second_winding`, each of two is by itself,
    with a rectifier of its own. `diodes` are pairs of anode and cathode, of which the first
    carries the meters; `drops` is how many of them lie in the current's way to one output. `rails` are the outputs,
    plus and minus. `paths` begins with that of diode 1. Where there are two outputs, `paths` are those of both at once,
    which is enough where both are loaded alike, and `paths_apart` those of each; their ports are the outputs. `earth`
    says which end of the winding may be earthed, `ripple_order` how often the output peaks in a period of the mains.
    """

    nodes: int
    winding: Nodes
    diodes: tuple[Nodes, ...]
    rails: tuple[Nodes, ...]
    paths: tuple[ConductingPath, ...]
    earth: str
    ripple_order: int
    drops: int = 1
    is_tapped: bool = False
    second_winding: Nodes | None = None
    capacitors: tuple[InnerCapacitor, ...] = ()
    paths_apart: tuple[ConductingPath, ...] = ()

    @property
    def repeats_after_half(self) -> bool:
        """Whether the second half period repeats the first with the two paths, and their capacitors, exchanged."""
        if [path.sign for path in self.paths] != [1, -1]:
            return False
        first, second = self.paths
        return first.charges == second.charges[::-1]

    @property
    def has_two_outputs(self) -> bool:
        """Whether there is a second output, with a filter and a load of its own."""
        return len(self.rails) > 1

    @property
    def is_plain(self) -> bool:
        """Whether there is one output and no capacitor inside: then one path conducts at a time."""
        return not self.has_two_outputs and not self.capacitors

    @property
    def multiplies(self) -> int:
        """How many capacitors the charge of the output passes: as many times the winding's peak it is charged to."""
        return max(1, len(self.capacitors))

    @property
    def first_capacitors(self) -> int:
        """How many capacitors the first one of the filter stands for."""
        return max(len(self.rails), len(self.capacitors))

    @property
    def backwards(self) -> tuple[int, ...]:
        """The diodes that conduct while the EMF is negative."""
        return tuple(number for path in self.paths if path.sign < 0 for number in path.diodes)

    @property
    def wired_as_half_wave(self) -> tuple[frozenset[int], frozenset[int]]:
        """The diodes that are left out, and those that are a wire, where only one half of the rectifier is wired."""
        way_back = self.paths[0].diodes[1 :: self.drops] if self.drops > 1 else ()
        return frozenset(self.backwards), frozenset(way_back)

    @property
    def told_apart(self) -> tuple[int, ...]:
        """The diodes of which meters can tell that this one is open: of diodes in series, one."""
        if self.drops > 1:
            return tuple(number for path in self.paths for number in path.diodes[:: self.drops])
        return tuple(range(1, len(self.diodes) + 1))

    def windings(self, connection: str) -> int:
        """Return how many secondary windings carry current, connected as the bench file says."""
        return 2 if self.needs_two_windings or connection != "single" else 1

    @property
    def needs_two_windings(self) -> bool:
        """Whether it cannot be wired with one winding."""
        return self.is_tapped or self.second_winding is not None

    def branches(self, connection: str) -> tuple[tuple[Nodes, tuple[int, ...]], ...]:
        """Return the nodes of each branch of windings, where their starts point to the first, and their numbers."""
        if self.is_tapped:
            return ((self.winding[0], 0), (1,)), ((0, self.winding[1]), (2,))
        if self.second_winding is not None:
            return (self.winding, (1,)), (self.second_winding, (2,))
        if connection == "series":
            return ((self.winding, (1, 2)),)
        if connection == "parallel":
            return (self.winding, (1,)), (self.winding, (2,))
        return ((self.winding, (1,)),)


TOPOLOGIES: Mapping[str, Topology] = {
    "bridge": Topology(
        nodes=3,
        winding=(1, 2),
        diodes=((1, 3), (2, 3), (0, 1), (0, 2)),
        rails=((3, 0),),
        paths=(ConductingPath(1, (1, 4)), ConductingPath(-1, (2, 3))),
        drops=2,
        ripple_order=2,
        earth="No end of the winding is at the output's return.",
    ),
    "centre tap": Topology(
        nodes=3,
        winding=(1, 2),
        is_tapped=True,
        diodes=((1, 3), (2, 3)),
        rails=((3, 0),),
        paths=(ConductingPath(1, (1,)), ConductingPath(-1, (2,))),
        ripple_order=2,
        earth="The centre tap is the output's return: of the winding, only the tap may share the output's earth.",
    ),
    "half wave": Topology(
        nodes=2,
        winding=(1, 0),
        diodes=((1, 2),),
        rails=((2, 0),),
        paths=(ConductingPath(1, (1,)),),
        ripple_order=1,
        earth="One end of the winding is the output's return: only that end may share the output's earth.",
    ),
    "split rail": Topology(
        nodes=4,
        winding=(1, 2),
        is_tapped=True,
        diodes=((1, 3), (2, 3), (4, 1), (4, 2)),
        rails=((3, 0), (0, 4)),
        paths=(ConductingPath(1, (1, 4)), ConductingPath(-1, (2, 3))),
        paths_apart=(
            ConductingPath(1, (1,), (1, 0), winding=1),
            ConductingPath(-1, (2,), (1, 0), winding=2),
            ConductingPath(1, (4,), (0, 1), winding=2),
            ConductingPath(-1, (3,), (0, 1), winding=1),
        ),
        ripple_order=2,
        earth="The centre tap is the return of both outputs: of the winding, only the tap may share their earth.",
    ),
    "two bridges": Topology(
        nodes=6,
        winding=(1, 2),
        second_winding=(4, 5),
        diodes=((1, 3), (2, 3), (0, 1), (0, 2), (4, 0), (5, 0), (6, 4), (6, 5)),
        rails=((3, 0), (0, 6)),
        paths=(ConductingPath(1, (1, 4, 5, 8)), ConductingPath(-1, (2, 3, 6, 7))),
        paths_apart=(
            ConductingPath(1, (1, 4), (1, 0), winding=1),
            ConductingPath(-1, (2, 3), (1, 0), winding=1),
            ConductingPath(1, (5, 8), (0, 1), winding=2),
            ConductingPath(-1, (6, 7), (0, 1), winding=2),
        ),
        drops=2,
        ripple_order=2,
        earth="No end of a winding is at the return of its output.",
    ),
    "full-wave doubler": Topology(
        nodes=3,
        winding=(1, 0),
        diodes=((1, 2), (3, 1)),
        capacitors=(InnerCapacitor((2, 0)), InnerCapacitor((0, 3))),
        rails=((2, 3),),
        paths=(ConductingPath(1, (1,), (1, 0)), ConductingPath(-1, (2,), (0, 1))),
        ripple_order=2,
        earth="The winding returns to the middle of the two capacitors, not to the output's return.",
    ),
    "half-wave doubler": Topology(
        nodes=3,
        winding=(0, 1),
        diodes=((0, 2), (2, 3)),
        capacitors=(InnerCapacitor((3, 0), peaks=2), InnerCapacitor((2, 1), feeds=False)),
        rails=((3, 0),),
        paths=(ConductingPath(1, (1,), (0, 1)), ConductingPath(-1, (2,), (1, -1))),
        ripple_order=1,
        earth="One end of the winding is the output's return: only that end may share the output's earth.",
    ),
    "tripler": Topology(
        nodes=4,
        winding=(1, 0),
        diodes=((1, 2), (2, 3), (3, 4)),
        capacitors=(
            InnerCapacitor((2, 0)),
            InnerCapacitor((4, 2), peaks=2),
            InnerCapacitor((3, 1), peaks=2, feeds=False),
        ),
        rails=((4, 0),),
        paths=(
            ConductingPath(1, (1,), (1, 0, 0)),
            ConductingPath(-1, (2,), (-1, 0, 1)),
            ConductingPath(1, (3,), (1, 1, -1)),
        ),
        ripple_order=1,
        earth="One end of the winding is the output's return: only that end may share the output's earth.",
    ),
}
"""Every kind of rectifier, the commonest first."""
