"""What explains a drift: parts that warm, and a mains meter that drifts itself."""

import doctest
import math

import pytest

from benchmon.bench import load_bench
from benchmon.bench.supply import CurrentLoad
from benchmon.prediction import predict
from benchmon.watch.course_wording import BandPosition, drift_sentence, mains_meter_drift_sentence
from benchmon.watch.drift import warm_up
from benchmon.watch.drift.drift import Drift
from benchmon.watch.drift.mains_estimate import ShownMovement, meter_drift
from benchmon.watch.drift.warm_up import WarmParts, progress_of, warmed_by
from benchmon_simulated.scenarios import scenario_named

BENCH = load_bench(scenario_named("reservoir").path)

DOUBTED = {"output": (0.1, 1e-4), "power": (0.6, 5e-4), "current": (1e-3, 1e-6), "winding": (0.09, 1e-4)}
"""Slope a volt, and the standard uncertainty of a rate, of channels that follow the mains."""


def shown(volts=0.0, warmed=0.0):
    """Return what channels show of a mains meter that moves by `volts` a second, and of windings that warm."""
    parts = {"output": 1.0, "power": 1.5, "current": 1.2, "winding": 0.3}
    return {
        name: ShownMovement(slope, -slope * (volts + warmed * parts[name]), doubt, -slope * 3e-3 * parts[name])
        for name, (slope, doubt) in DOUBTED.items()
    }


@pytest.mark.parametrize("volts", [-0.02, 0.02])
@pytest.mark.parametrize("warmed", [0.0, 2e-3])
def test_a_meter_that_drifts_is_named_by_all_that_follow_it(volts, warmed):
    found = meter_drift(shown(volts, warmed), volts)
    assert found.rate == pytest.approx(volts, rel=0.2)
    assert found.witnesses == set(DOUBTED)


def test_windings_that_warm_are_no_drift_of_the_meter():
    assert meter_drift(shown(0.0, 2e-3), 0.0) is None


def test_a_mains_that_moves_and_is_not_quite_followed_is_no_drift_of_its_meter():
    assert meter_drift(shown(2e-3), 0.02) is None
    assert meter_drift(shown(0.02), 0.1) is not None
    assert meter_drift(shown(0.02), 0.2) is None


def alone(volts: float, warm: float = 0.0) -> ShownMovement:
    """Return what a channel of 1 unit a volt shows of a meter that moves by `volts` a second, and of warm windings."""
    return ShownMovement(1.0, -volts, 1e-4, -warm)


def test_what_windings_may_do_to_all_alike_is_no_drift_of_the_meter():
    assert meter_drift({name: alone(0.02) for name in DOUBTED}, 0.0) is not None
    assert meter_drift({name: alone(0.02, warm=0.03) for name in DOUBTED}, 0.0) is None


def test_a_meter_is_not_named_where_too_few_of_the_channels_agree():
    def bench(still: int) -> dict[str, ShownMovement]:
        return {f"moving {i}": alone(0.02) for i in range(5)} | {f"still {i}": alone(0.0) for i in range(still)}

    assert meter_drift(bench(1), 0.0) is not None
    assert meter_drift(bench(2), 0.0) is None


def test_a_meter_is_not_named_by_channels_that_only_a_guess_of_warm_windings_makes_agree():
    def bench(*warm: float) -> dict[str, ShownMovement]:
        return {f"warmed by {volts}": alone(-0.02 + 0.45 * volts, warm=volts) for volts in warm}

    assert meter_drift(bench(0.0, 0.01, 0.015, 0.03, 0.04), 0.0) is not None
    assert meter_drift(bench(0.03, 0.045, 0.06, 0.075, 0.09), 0.0) is None


def test_two_channels_name_the_meter_only_where_they_are_much_alike():
    two = {name: shown(0.02)[name] for name in ("output", "power")}
    assert meter_drift(two, 0.02).witnesses == set(two)
    assert meter_drift(two | {"power": two["power"]._replace(rate=0.5 * two["power"].rate)}, 0.02) is None
    assert meter_drift({"output": two["output"]}, 0.02) is None


def test_a_warm_up_of_a_known_constant_is_one_exponential():
    assert progress_of(300.0, 600.0) == pytest.approx(-math.expm1(-0.5))


@pytest.mark.parametrize("constant", [1200.0, 1800.0, 2700.0, 3600.0])
def test_an_unknown_warm_up_moves_at_every_moment_as_much_as_any_that_it_may_be(constant):
    for since in range(0, 9000, 300):
        most = progress_of(since + 300.0, 1200.0, 3.0) - progress_of(since, 1200.0, 3.0)
        assert most >= math.exp(-since / constant) - math.exp(-(since + 300.0) / constant) - 1e-12


def test_what_has_long_been_warm_moves_nothing():
    warm = WarmParts(BENCH, [])
    warm.moved("output", "output.voltage.mean", 22.0, 0.5)
    warm.look(600.0, None, {})
    assert warm.moved("output", "output.voltage.mean", 22.0, 0.5) == (0.0, 0.0)


def test_the_bench_file_says_how_long_the_transformer_warms():
    quick = BENCH.transformer.model_copy(update={"thermal_time_constant": 300.0})
    moved = []
    for bench in (BENCH, BENCH.model_copy(update={"transformer": quick})):
        warm = WarmParts(bench, ["load.temperature"])
        warm.moved("output", "output.voltage.mean", 22.0, 0.5)
        warm.look(3000.0, 0.0, {})
        warm.moved("output", "output.voltage.mean", 22.0, 0.5)
        warm.look(4000.0, 0.0, {})
        moved.append(warm.moved("output", "output.voltage.mean", 22.0, 0.5).by_copper)
    assert moved[1] == pytest.approx(-0.35, abs=1e-3)
    assert moved[0] < 1.05 * moved[1]


def test_a_prediction_says_how_far_and_which_way_warm_windings_move_a_reading():
    prediction = predict(BENCH)
    warm = WarmParts(BENCH, [])
    warm.expect(prediction)
    rise = prediction.quantities["transformer.temperature"].value - prediction.ambient
    for quantity in ("output.voltage.mean", "mains.power_factor", "output.voltage.ripple"):
        warm.moved(quantity, quantity, prediction.quantities[quantity].value, 1.0)
    warm.look(1e6, 0.0, {"transformer.temperature": 1.0})
    for quantity in ("output.voltage.mean", "mains.power_factor", "output.voltage.ripple"):
        moved = warm.moved(quantity, quantity, prediction.quantities[quantity].value, 1.0).by_copper
        assert abs(moved) >= rise * abs(prediction.warming[quantity]) > 0.0
        assert moved * prediction.warming[quantity] > 0.0


def test_warm_windings_lower_what_is_read_except_the_power_factor():
    warm = WarmParts(BENCH, [])
    for quantity, value, sign in (("mains.current.peak", 2.0, -1.0), ("mains.power_factor", 0.6, 1.0)):
        warm.moved(quantity, quantity, value, 0.1)
        warm.look(1000.0, 0.0, {})
        assert sign * warm.moved(quantity, quantity, value, 0.1).by_copper > 0.0
        warm.look(1010.0, None, {})


@pytest.mark.parametrize(("rate", "advice"), [(4e-3, "check this meter and the joints"), (-4e-3, "check this meter")])
def test_a_meter_that_climbs_and_a_joint_that_grows_look_alike_and_both_are_named(channel, rate, advice):
    mains = channel(name="mains", quantity="mains.voltage.rms", accuracy="0.5 V")
    sentence = mains_meter_drift_sentence(mains, Drift(rate, rate, rate, 60.0, 0.0), ["a", "b", "c"], 300.0)
    assert f"3 channels show: {advice}" in sentence
    assert ("joints" in sentence) is (rate > 0.0)


def test_a_temperature_that_flattens_is_not_extrapolated(channel):
    drift, band = Drift(0.01, 0.009, 0.011, 60.0, 0.0), BandPosition(60.0, 62.0, 5.0, 300.0)
    assert "leaves its expected band" in drift_sentence(channel(), drift, band, 300.0)
    flattened = drift_sentence(channel(), drift, band, 300.0, flattens=True)
    assert flattened.endswith("its course settles within what is expected")


def test_a_meter_s_slow_noise_counts_the_less_the_longer_a_drift_lasts():
    drift = Drift(-0.01, -0.011, -0.009, 60.0, 0.0, swing=0.6)
    assert drift.rate_beyond_noise(100.0) == 0.0
    assert drift.rate_beyond_noise(180.0) == pytest.approx(-0.005)
    assert drift.rate_beyond_noise(6060.0) == pytest.approx(-0.0099)


def test_channels_that_warming_windings_hold_still_do_not_hide_that_the_meter_drifts():
    """As a doubler reads it: currents stay where they are, since copper warms as much as the meter goes down."""
    warm = {"output": 0.144, "power": 0.077, "winding": 0.097, "current": 0.26, "second": 0.29, "ripple": 0.31}
    seen = {
        name: ShownMovement(1.0, -(-0.161 + 0.45 * volts) / 60.0, 0.01 / 60.0, -volts / 60.0)
        for name, volts in warm.items()
    }
    found = meter_drift(seen, -0.2 / 60.0)
    assert 60.0 * found.rate == pytest.approx(-0.161, abs=0.02)
    assert found.witnesses >= {"power", "winding", "output"}


def test_windings_are_taken_to_warm_as_the_median_of_channels_shows_it():
    alike = warmed_by([(0.3, 0.1)] * 8)
    assert alike.factor - alike.doubt < 0.3 < alike.factor + alike.doubt < 1.0
    assert warmed_by([(0.3, 0.1)] * 8 + [(4.0, 0.02)]).factor == pytest.approx(alike.factor, abs=0.05)
    assert warmed_by([(1.5, 0.1)] * 8).factor > 1.0


@pytest.mark.parametrize("shown", [[(0.3, 0.1)] * 2, [(0.3, 0.9)] * 9])
def test_windings_may_do_nothing_or_what_is_taken_where_too_few_channels_show_them(shown):
    assert warmed_by(shown) == (0.5, 0.5)


@pytest.mark.parametrize("shown", [-1.0, 3.0])
def test_channels_that_show_what_windings_cannot_do_leave_open_by_how_much_they_warm(shown):
    assert warmed_by([(shown, 0.1)] * 8) == (1.0, 1.0)


def test_channels_that_contradict_each_other_leave_open_by_how_much_windings_warm():
    assert warmed_by([(one, 0.05) for one in (-0.2, 0.2, 2.0, 9.0)]).doubt > 1.5 * warmed_by([(0.3, 0.05)] * 4).doubt


def test_a_load_that_warms_moves_volts_by_no_more_than_the_regulation():
    moved = {}
    for quantity in ("output.voltage.mean", "output.voltage.ac_rms", "output.current.mean"):
        warm = WarmParts(BENCH, ["transformer.temperature"])
        warm.moved(quantity, quantity, 20.0, 1.0)
        warm.look(900.0, 0.0, {})
        moved[quantity] = warm.moved(quantity, quantity, 20.0, 1.0).either_way
    assert 0.0 < moved["output.voltage.mean"] < 0.5 * moved["output.current.mean"]
    assert moved["output.voltage.ac_rms"] == moved["output.current.mean"]


def test_an_electronic_load_does_not_warm_up():
    bench = BENCH.model_copy(update={"load": CurrentLoad(kind="current", current="1 A")})
    warm = WarmParts(bench, ["transformer.temperature"])
    warm.moved("output", "output.current.mean", 1.0, 0.1)
    warm.look(900.0, 0.0, {})
    assert warm.moved("output", "output.current.mean", 1.0, 0.1) == (0.0, 0.0)


def test_the_examples_of_warming_parts_are_right():
    assert doctest.testmod(warm_up).failed == 0
