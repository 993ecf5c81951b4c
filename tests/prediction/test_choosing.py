"""Parts chosen by the engine: a reservoir for a ripple, fuses that survive switch-on."""

from __future__ import annotations

import pytest

from benchmon.errors import BadInput
from benchmon.prediction.ratings.choosing import choose_fuse, choose_reservoir
from benchmon.standards import E_SERIES
from support.circuits.drawn import capacitor, current, plain
from support.supplies import bench_of, rated


def test_a_reservoir_is_the_first_of_the_series_that_suffices():
    found = choose_reservoir(rated(), 1.5)
    assert found.chosen is not None
    below, chosen, above = found.candidates
    assert (below.suffices, chosen.suffices, above.suffices) == (False, True, True)
    assert chosen == found.chosen
    assert below.ripple is not None
    assert chosen.ripple is not None
    assert chosen.ripple.value + chosen.ripple.uncertainty <= 1.5 < below.ripple.value + below.ripple.uncertainty


def test_the_first_estimate_is_an_upper_limit_of_the_reservoir():
    # I/(2·f·C) is always above the true ripple (common practice): 1 A at 50 Hz and 1 V would need 10 mF, and a supply
    # of little resistance needs little less. The tolerance of 2 % and the ± take some of that.
    bench = plain("bridge", filter=[capacitor(4.7e-3)], load=current(1.0))
    chosen = choose_reservoir(bench, 1.0).chosen
    assert chosen is not None
    assert 6.8e-3 <= chosen.capacitance <= 10e-3
    assert any(chosen.capacitance == pytest.approx(step * 1e-3) for step in (*E_SERIES["E12"], 10.0))
    coarse = choose_reservoir(bench, 1.0, "E6").chosen
    assert coarse is not None
    assert coarse.capacitance >= chosen.capacitance


def test_no_reservoir_suffices_for_a_ripple_below_what_is_claimed():
    found = choose_reservoir(plain("bridge", filter=[capacitor(4.7e-3)], load=current(1.0)), 1e-4)
    assert found.chosen is None
    assert not found.candidates[0].suffices


def test_without_a_capacitor_there_is_none_to_choose():
    with pytest.raises(BadInput, match=r"no .* capacitor"):
        choose_reservoir(bench_of(), 1.0)


def test_a_fuse_carries_the_current_with_a_quarter_to_spare_and_survives_the_charge():
    found = choose_fuse(rated())
    chosen = found.chosen["time-lag"]
    assert chosen is not None
    assert chosen.rating >= 1.25 * found.current
    # IEC 60127-2, gate of a time-lag fuse (memory): 10·In for 20 ms, which is 2·In² A²s; of a fast one 4·In for 10 ms.
    assert chosen.withstands == pytest.approx(2.0 * chosen.rating**2)
    assert chosen.surge <= chosen.withstands
    fast = found.chosen["fast"]
    assert fast is not None
    assert fast.withstands == pytest.approx(0.16 * fast.rating**2)
    assert fast.rating >= chosen.rating
