"""Two hundred random supplies against the reference: all topologies, filters and loads.

Minutes: `pytest -m long -s tests/prediction` also prints the worst share of the allowed difference per quantity.
"""

import random

import pytest

from support.circuits.agreement import predicted, shares
from support.circuits.drawn import KINDS, draw, without_core
from support.circuits.kept import reference
from support.circuits.reference import reference as integrated

CIRCUITS_OF_A_KIND = 40


@pytest.mark.long
@pytest.mark.timeout(3000)
@pytest.mark.parametrize("kind", KINDS)
def test_circuits_drawn_at_random_agree(kind):
    worst: dict[str, tuple[float, int]] = {}
    for number in range(CIRCUITS_OF_A_KIND):
        bench = without_core(draw(random.Random(f"{kind}/{number}"), kind))
        for quantity, share in shares(predicted(bench), integrated(bench)).items():
            worst[quantity] = max(worst.get(quantity, (0.0, -1)), (share, number))
    for quantity, (share, number) in sorted(worst.items(), key=lambda item: -item[1][0]):
        print(f"{kind}: {quantity}: {share:.3f} of what is allowed, in circuit {number}")  # noqa: T201 - for -s
    assert {quantity: found for quantity, found in worst.items() if found[0] > 1.0} == {}


@pytest.mark.parametrize("kind", KINDS)
def test_one_of_each_kind_agrees(kind):
    bench = without_core(draw(random.Random(f"{kind}/1000"), kind))
    assert max(shares(predicted(bench), reference(bench)).values()) <= 1.0


def test_a_commutating_choke_filter_is_solved_on_a_finer_mesh():
    """The usual mesh lost a thousandth of the energy here, and the reservoir's current was off by as much."""
    bench = without_core(draw(random.Random(643264199), "centre tap"))
    assert max(shares(predicted(bench), reference(bench)).values()) <= 0.3
