"""The predicted line current against the identities of IEEE 1459-2010 and closed forms of its harmonics."""

import math
import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.prediction import predict
from support.circuits.drawn import KINDS, capacitor, choke, draw, plain, resistor

DRAWN = st.builds(draw, st.builds(random.Random, st.integers(0, 10**9)), st.sampled_from(KINDS))


def value(found, quantity: str) -> float:
    return found.quantities[quantity].value


@settings(max_examples=30, deadline=None)
@given(DRAWN)
def test_power_factor_is_displacement_factor_over_root_one_plus_thd_squared(bench):
    # IEEE 1459-2010, sinusoidal voltage. Here THD stops at order 40 (IEC 61000-4-7), so PF may be a little
    # less: by 0.005 for a square wave.
    clean = {"mains": bench.mains.model_copy(update={"harmonics": (), "source_resistance": 0.0})}
    found = predict(bench.model_copy(update=clean))
    expected = value(found, "mains.displacement_factor") / math.hypot(1.0, value(found, "mains.current.thd"))
    assert expected - 6e-3 < value(found, "mains.power_factor") <= expected + 3e-4


def test_a_clean_mains_and_a_power_factor_of_999_bound_the_distortion():
    # The same identity: two readings that break it cannot both be right. PF 0.999 allows at most 4.5 %.
    found = predict(plain(filter=[], load=resistor(22.0), diode={"saturation_current": 1e-6}))
    assert value(found, "mains.power_factor") > 0.999
    assert value(found, "mains.current.thd") < 0.045


def test_an_endless_choke_draws_a_square_wave():
    # A square wave: THD √(π²/8 − 1) = 48.34 % of all orders, PF 2√2/π = 0.900316 (closed forms).
    ideal = {"open_circuit_voltage": 2000.0, "primary_resistance": 0.0, "secondary_resistance": 0.0}
    found = predict(plain(transformer=ideal, filter=[choke(200.0)], load=resistor(500.0)))
    to_forty = math.sqrt(sum(1 / order**2 for order in range(3, 41, 2)))
    assert math.sqrt(math.pi**2 / 8 - 1) == pytest.approx(0.4834, abs=1e-4)
    # The smooth curve through the instants overshoots a little at the edges of a square wave.
    assert value(found, "mains.current.thd") == pytest.approx(to_forty, abs=1e-3)
    assert value(found, "mains.power_factor") == pytest.approx(0.900316, abs=1e-4)
    assert value(found, "mains.displacement_factor") == pytest.approx(1.0, abs=1e-4)
    assert value(found, "mains.current.crest_factor") == pytest.approx(1.0, abs=5e-3)


def test_an_endless_choke_gives_the_mean_of_the_rectified_wave():
    # Textbook: mean = 2·Ê/π, and the winding's rms current is the load's (choke input, continuous conduction).
    ideal = {"open_circuit_voltage": 2000.0, "primary_resistance": 0.0, "secondary_resistance": 0.0}
    diode = {"emission_coefficient": 0.5, "series_resistance": 0.0}
    found = predict(plain(transformer=ideal, filter=[choke(200.0)], load=resistor(500.0), diode=diode))
    assert value(found, "output.voltage.mean") == pytest.approx(2 * 2000 * math.sqrt(2) / math.pi, rel=1e-3)
    assert value(found, "secondary.current.rms") == pytest.approx(value(found, "output.current.mean"), rel=2e-3)


def test_commutation_takes_two_f_l_i_of_the_mean():
    # Textbook, two-pulse commutation through the shared reactance of a bridge: mean falls by 2ωL·I/π = 4·f·L·I.
    ideal = {"open_circuit_voltage": 2000.0, "primary_resistance": 0.0, "secondary_resistance": 0.0}
    without, with_leakage = (
        predict(plain(transformer=ideal | {"leakage_inductance": henries}, filter=[choke(200.0)], load=resistor(500.0)))
        for henries in (0.0, 0.1)
    )
    amperes = value(with_leakage, "output.current.mean")
    lost = value(without, "output.voltage.mean") - value(with_leakage, "output.voltage.mean")
    assert lost == pytest.approx(4 * 50.0 * 0.1 * amperes, rel=0.01)


@pytest.mark.parametrize("kind", ["bridge", "centre tap", "split rail", "full-wave doubler"])
def test_a_full_wave_line_current_has_no_even_harmonics(kind):
    # Half-wave symmetry (closed form).
    found = predict(plain(kind, filter=[capacitor(4.7e-3)]))
    harmonics = dict(found.harmonics["mains.current"])
    assert len(harmonics) == 40
    assert max(harmonics[order] for order in range(2, 41, 2)) < 1e-9 * harmonics[1]
    assert value(found, "mains.current.thd") == pytest.approx(
        math.sqrt(sum(size**2 for order, size in harmonics.items() if order > 1)) / harmonics[1]
    )


def test_the_no_load_current_is_what_the_bench_says():
    # IEEE 1459 in a circuit of one admittance: S = V·I, P as given, PF = P/S.
    transformer = {"no_load_current": 0.08, "no_load_loss": 6.0}
    found = predict(plain(transformer=transformer, load={"kind": "open"}, filter=[capacitor(1e-3)]))
    assert value(found, "mains.current.rms") == pytest.approx(0.08, rel=1e-3)
    assert value(found, "mains.power.active") == pytest.approx(6.0, rel=1e-3)
    assert value(found, "mains.power_factor") == pytest.approx(6.0 / (230 * 0.08), rel=2e-3)
