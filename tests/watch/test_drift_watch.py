"""Drift: found where there is one, not found where something innocent moves."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.watch.drift.drift import Drifts
from benchmon.watch.drift.warm_up import Moved

SIGMA = 0.005


def run(values, expected=22.0, *, step=0.2, accuracy=0.0, warm=0.0, start=0.0):
    """Feed readings of one channel; return the watch and the times at which a drift began and ended."""
    watch, began, ended = Drifts(["vout"]), [], []
    expected, warm = np.broadcast_to(expected, len(values)), np.broadcast_to(warm, len(values))
    for index, value in enumerate(values):
        time = start + step * index
        if watch.update(
            "vout", time, float(value), float(expected[index]), accuracy=accuracy, warm=Moved(float(warm[index]), 0.0)
        ):
            (ended if watch.drift("vout") is None else began).append(time)
    return watch, began, ended


def times(minutes, step=0.2):
    return np.arange(0, 60 * minutes, step)


def noise(count, seed=1, sigma=SIGMA):
    return np.random.default_rng(seed).normal(0.0, sigma, count)


@pytest.mark.parametrize("sign", [1, -1])
def test_a_sigma_a_minute_is_found_within_three_minutes(sign):
    t = times(10)
    slope = sign * SIGMA / 60 * np.maximum(t - 240, 0)
    watch, began, _ = run(22.1 + slope + noise(len(t)))
    assert 240 < began[0] < 420
    drift = watch.drift("vout")
    assert drift.rate == pytest.approx(sign * SIGMA / 60, rel=0.3)
    assert drift.low < drift.rate < drift.high
    assert drift.since == pytest.approx(240, abs=45)


def test_a_slow_drift_is_found_within_the_hour():
    t = times(50)
    _, began, _ = run(22.0 + 0.1 * SIGMA / 60 * t + noise(len(t)))
    assert began


def test_a_drift_that_stops_is_over():
    t = times(15)
    _, began, ended = run(22.0 + SIGMA / 60 * np.clip(t, 120, 480) + noise(len(t)))
    assert len(began) == 1
    assert 480 < ended[0] < 700


def test_steady_noise_is_no_drift():
    t = times(120)
    assert run(22.0 + noise(len(t), 5))[1] == []


def test_mains_that_wander_are_no_drift_even_if_the_prediction_moves_too_little():
    t = times(60)
    mains = 1 + 0.03 * np.sin(2 * np.pi * t / 610) * np.cos(2 * np.pi * t / 1700)
    values = 22.3 * mains - 0.2 + noise(len(t), 6)
    assert run(values, 21.0 * mains + 0.9)[1] == []


def test_a_drift_under_wandering_mains_is_found():
    t = times(40)
    mains = 1 + 0.03 * np.sin(2 * np.pi * t / 300)
    values = 22.3 * mains - 0.2 + SIGMA / 60 * np.maximum(t - 1800, 0) + noise(len(t), 7)
    _, began, _ = run(values, 21.0 * mains + 0.9)
    assert len(began) == 1
    assert 1800 < began[0] < 2000


def test_an_expectation_given_in_steps_is_no_drift():
    t = times(60)
    mains = 1 + 0.01 * np.sin(2 * np.pi * t / 900)
    held = np.round(mains / 0.001) * 0.001
    assert run(22.0 * mains + noise(len(t), 8), 22.0 * held)[1] == []


def test_warming_up_is_no_drift_but_more_than_that_is():
    t = times(10)
    warm = 1 - np.exp(-t / 200)
    values = 22.0 - 0.1 * (1 - warm) + noise(len(t), 9)
    assert run(values, warm=0.1 * warm)[1] == []
    assert run(values)[1] != []


def test_steps_and_spikes_are_no_drift():
    t = times(30)
    values = 22.0 + noise(len(t), 10)
    values[3000:] += 0.5
    values[6000:] -= 1.5
    values[::700] += 3.0
    assert run(values)[1] == []


def test_a_coarse_display_is_no_drift():
    t = times(60)
    assert run(np.round(22.0 + noise(len(t), 11), 2))[1] == []


def test_few_readings_logged_by_hand_are_enough_for_a_strong_drift():
    t = np.arange(0, 1500, 30.0)
    _, began, _ = run(22.0 + 0.001 * t + noise(len(t), 12, 0.02), step=30.0)
    assert began


def test_memory_stays_flat():
    watch, _, _ = run(22.0 + noise(60_000, 13))
    ladders = watch._watches["vout"]._ladders
    assert sum(len(ladder.blocks) + len(ladder.pending) for ladder in ladders) <= 3 * 66


def of_a_bench(minutes, mains_read, follow, seed=3, mains_accuracy=0.0):
    """Feed three channels that follow the true mains and are predicted from those read; return watch and beginnings."""
    quantities = {"vout": "output.voltage.mean", "winding": "secondary.voltage.rms", "watts": "mains.power.active"}
    watch = Drifts({**quantities, "pf": "mains.power_factor", "mains": "mains.voltage.rms"}, mains="mains")
    random, began = np.random.default_rng(seed), []
    sizes = {"vout": (22.0, 1.1), "winding": (18.0, 1.0), "watts": (30.0, 2.0)}
    for time in times(minutes, 0.5):
        true, read = follow(time), mains_read(time)
        watch.mains(read, mains_accuracy)
        for name, (size, power) in sizes.items():
            noise_now = 2e-4 * size * random.standard_normal()
            changed = watch.update(
                name,
                time,
                size * (true / 230) ** power + noise_now,
                size * (read / 230) ** power,
                accuracy=0.005 * size,
            )
            began += [(one, time) for one in changed if watch.drift(one) is not None]
        # The power factor follows the mains through the core, by 4 % a per cent; the prediction knows nothing of it.
        value = 0.6 * (1 + 4 * (true / 230 - 1)) + 1e-4 * random.standard_normal()
        changed = watch.update("pf", time, value, 0.6, accuracy=0.006)
        began += [(one, time) for one in changed if watch.drift(one) is not None]
    return watch, began


def wandering_mains(time):
    return 230 + 1.5 * np.sin(time / 70) + np.sin(time / 230)


def test_what_follows_the_mains_through_the_core_does_not_drift():
    assert of_a_bench(40, wandering_mains, wandering_mains)[1] == []


def drifting_mains(time):
    return wandering_mains(time) + 0.3 * max(time - 300, 0) / 60


@pytest.mark.parametrize(("accuracy", "is_blamed"), [(1.0, True), (10.0, False)])
def test_a_mains_meter_is_not_blamed_for_what_its_slow_noise_may_be(accuracy, is_blamed):
    watch, began = of_a_bench(14, drifting_mains, wandering_mains, mains_accuracy=accuracy)
    assert ("mains" in [name for name, _ in began]) == is_blamed
    assert (watch.drift("mains") is not None) == is_blamed


def test_a_mains_meter_that_drifts_is_blamed_itself():
    watch, began = of_a_bench(14, drifting_mains, wandering_mains)
    assert [name for name, _ in began][:1] == ["mains"]
    assert watch.drift("mains").rate == pytest.approx(0.3 / 60, rel=0.3)
    assert watch.drift("vout") is None
    assert {"vout", "winding"} <= watch.witnesses


def test_one_channel_that_drifts_is_not_the_mains_meter():
    t = times(14, 0.5)
    watch = Drifts({"vout": "output.voltage.mean", "winding": "secondary.voltage.rms"}, mains="mains")
    random = np.random.default_rng(4)
    for time in t:
        mains = wandering_mains(time)
        watch.mains(mains)
        drift = 0.01 * max(time - 300, 0) / 60
        watch.update("vout", time, 22 * mains / 230 + drift + 0.004 * random.standard_normal(), 22 * mains / 230)
        watch.update("winding", time, 18 * mains / 230 + 0.004 * random.standard_normal(), 18 * mains / 230)
    assert watch.drift("vout").rate == pytest.approx(0.01 / 60, rel=0.3)
    assert watch.drift("winding") is None
    assert watch.drift("vout") is not None


def test_a_meter_with_slow_noise_of_its_own_does_not_drift():
    t = times(60, 0.5)
    random, slow = np.random.default_rng(5), np.zeros(7200)
    for index in range(1, len(slow)):
        slow[index] = 0.9975 * slow[index - 1] + 0.07 * random.standard_normal()
    values = 22.0 + 0.006 * slow[: len(t)] + 0.003 * random.standard_normal(len(t))
    assert run(values, step=0.5, accuracy=0.1)[1] == []


@settings(max_examples=10, deadline=None)
@given(st.sampled_from([0.001, 0.01, 1.0, 1000.0]), st.floats(-1e3, 1e5), st.sampled_from([True, False]))
def test_unit_and_time_offset_do_not_matter(factor, start, drifts):
    t = times(6)
    values = 22.0 + noise(len(t), 14) + (2 * SIGMA / 60 * t if drifts else 0.0)
    plain = run(values, start=0.0)[1]
    moved = run(factor * values, 22.0 * factor, start=start)[1]
    assert len(moved) == len(plain) == int(drifts)
    assert [time - start for time in moved] == pytest.approx(plain, abs=25.0)  # blocks begin elsewhere


def test_the_last_digit_of_a_display_that_stood_still_is_no_step():
    t = times(24, 2.0)
    shown = np.where(np.arange(len(t)) % 97 == 96, 0.790, 0.789) + 2e-5 * np.floor(np.maximum(t - 600.0, 0.0) / 2.0)
    expected = 0.794 + 1e-7 * np.sin(t / 50.0)
    _, began, _ = run(shown, expected, step=2.0, accuracy=0.006)
    assert began
    assert 600.0 < began[0] < 900.0


@pytest.mark.parametrize("lasts", [60.0, 150.0, 400.0])
def test_the_last_digit_of_a_display_that_its_noise_does_not_average_is_no_drift(lasts):
    t = times(20, 2.0)
    true = 28.545 + 0.05 * np.clip((t - 600.0) / lasts, 0.0, 1.0) + noise(len(t), 15, 0.03)
    assert run(np.round(true, 1), 28.5 + 1e-7 * np.sin(t / 50.0), step=2.0, accuracy=0.1)[1] == []
    assert run(np.round(true + 0.3 * np.maximum(t - 900.0, 0.0) / 300.0, 1), 28.5, step=2.0, accuracy=0.1)[1] != []


def of_warming_windings(drift, seed=8):
    """Feed six channels that windings move by a third of what is taken, `vout` with a drift (its unit a minute)."""
    taken = {"vout": -0.3, "current": -0.04, "winding": -0.2, "crest": -0.03, "ripple": -0.02, "second": -0.3}
    watch, random, began = Drifts(dict.fromkeys(taken, "output.voltage.mean")), np.random.default_rng(seed), []
    for time in times(20, 2.0):
        warm = 1.0 - np.exp(-time / 1200.0)
        for name, most in taken.items():
            value = 10.0 + most * warm / 3.0 + 0.01 * abs(most) * random.standard_normal()
            value += drift * max(0.0, time - 600.0) / 60.0 * (name == "vout")
            moved = Moved(0.0, most * warm)
            changed = watch.update(name, time, value, 10.0, accuracy=0.01 * abs(most), warm=moved)
            began += [(one, time) for one in changed if watch.drift(one) is not None]
    return began


def test_windings_that_warm_less_than_is_taken_are_no_drift():
    assert of_warming_windings(0.0) == []


@pytest.mark.parametrize("drift", [-0.005, 0.005])
def test_a_drift_that_warming_windings_could_explain_is_found_by_what_the_others_show(drift):
    began = of_warming_windings(drift)
    assert {name for name, _ in began} == {"vout"}
    assert 600.0 < began[0][1] < 1200.0


def beside_a_mains_meter(followed, meter, own=None):
    """Feed channels that follow the mains to powers of `followed`, of which the meter goes off by `meter` V a minute.

    `own` are drifts besides, relative and a minute, by name. All begin after 5 minutes; 14 are fed.
    """
    watch = Drifts({**dict.fromkeys(followed, "output.voltage.mean"), "mains": "mains.voltage.rms"}, mains="mains")
    random = np.random.default_rng(9)
    for time in times(14, 0.5):
        true, since = wandering_mains(time), max(time - 300.0, 0.0) / 60.0
        read = true + meter * since
        watch.mains(read)
        for name, power in followed.items():
            value = 20.0 * (true / 230.0) ** power * (1.0 + (own or {}).get(name, 0.0) * since)
            expected = 20.0 * (read / 230.0) ** power
            watch.update(name, time, value + 0.004 * random.standard_normal(), expected, accuracy=0.1)
    return watch


def test_a_channel_that_drifts_by_itself_is_not_explained_by_a_mains_meter_that_drifts_too():
    followed = {"vout": 1.1, "winding": 1.0, "watts": 2.0, "amperes": 1.2, "second": 1.1}
    watch = beside_a_mains_meter(followed, 0.3, {"vout": 0.001})
    assert watch.drift("mains").rate == pytest.approx(0.3 / 60, rel=0.3)
    assert "vout" not in watch.witnesses
    assert watch.drift("vout") is not None
    assert watch.drift("winding") is None


@pytest.mark.parametrize(("power", "is_blamed"), [(1.0, True), (2.5, True), (4.0, False), (0.3, False)])
def test_only_channels_that_follow_the_mains_as_volts_and_watts_do_show_that_its_meter_drifts(power, is_blamed):
    watch = beside_a_mains_meter(dict.fromkeys(("first", "second", "third"), power), 0.5)
    assert (watch.drift("mains") is not None) == is_blamed
    assert (watch.drift("first") is None) == is_blamed
