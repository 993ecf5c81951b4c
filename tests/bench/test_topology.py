"""Each record of a rectifier's topology is consistent, and the bench file knows exactly those that have one."""

from __future__ import annotations

from typing import get_args

import pytest

from benchmon.bench.topology import TOPOLOGIES, RectifierKind


def test_bench_files_take_the_kinds_that_have_a_record():
    assert set(get_args(RectifierKind)) == set(TOPOLOGIES)


@pytest.mark.parametrize("kind", TOPOLOGIES)
def test_every_node_and_diode_of_a_record_is_used(kind):
    topology = TOPOLOGIES[kind]
    windings = [topology.winding, *([topology.second_winding] if topology.second_winding else [])]
    ports = [capacitor.nodes for capacitor in topology.capacitors]
    nodes = {node for pair in (*windings, *topology.diodes, *topology.rails, *ports) for node in pair}
    assert nodes | {0} == set(range(topology.nodes + 1))
    assert sorted(number for path in topology.paths for number in path.diodes) == list(
        range(1, len(topology.diodes) + 1)
    )
    assert 1 in topology.paths[0].diodes
    assert topology.ripple_order == (2 if topology.repeats_after_half else 1)
    assert {len(path.charges) for path in topology.paths} == {topology.multiplies}


@pytest.mark.parametrize("kind", TOPOLOGIES)
@pytest.mark.parametrize("connection", ["single", "series", "parallel"])
def test_branches_hold_the_windings_that_carry_current(kind, connection):
    topology = TOPOLOGIES[kind]
    windings = [number for _, numbers in topology.branches(connection) for number in numbers]
    assert sorted(windings) == list(range(1, topology.windings(connection) + 1))
