"""Logs whose clocks differ, seen by how readings follow the mains."""

import numpy as np
import pytest

from benchmon.watch.plausibility.log_delays import LogDelays, delay_of

SECONDS = 900


def wander(seed):
    """Return mains (V) for each second, wandering as a first-order process of a minute's memory, and its noise."""
    random = np.random.default_rng(seed)
    shocks, level, found = random.standard_normal(SECONDS + 200), 0.0, []
    for shock in shocks:
        level += -level / 60.0 + 0.2 * shock
        found.append(230.0 + level)
    return np.array(found), random


def judged(channel, delays, *, mains_late=0, seed=1):
    """Return what is found of meters whose logs are `delays` late (s), by name, and its sentences at the end."""
    true, random = wander(seed)
    mains = channel(name="mains", quantity="mains.voltage.rms", accuracy="0.2 %")
    others = [channel(name=name, quantity="mains.current.rms", accuracy="0.5 %") for name in delays]
    logs = LogDelays([mains, *others], "mains")
    noise = 1.0 + 2e-4 * random.standard_normal((len(delays), SECONDS))
    for at in range(0, SECONDS, 2):
        shown = true[100 + at - mains_late]
        logs.update("mains", float(at), shown, None)
        for row, (name, delay) in enumerate(delays.items()):
            value = true[100 + at - delay] / 230.0 * noise[row, at]
            logs.update(name, at + 0.1 * row, value, shown / 230.0)
    return logs


@pytest.mark.parametrize("seed", range(5))
def test_a_log_that_is_late_beside_others_is_named_with_its_delay(channel, seed):
    found = judged(channel, {"a": 0, "b": 50, "c": 0}, seed=seed).found
    assert list(found) == ["b"]
    assert found["b"] == pytest.approx(50.0, abs=4.0)


def test_logs_of_one_time_are_not_named(channel):
    assert judged(channel, {"a": 0, "b": 1, "c": 2}).found == {}


def test_where_all_come_early_the_mains_meters_log_is_late(channel):
    logs = judged(channel, {"a": 0, "b": 0, "c": 0}, mains_late=40)
    assert list(logs.found) == ["mains"]
    assert logs.found["mains"] == pytest.approx(40.0, abs=4.0)
    (cause,) = logs.causes(0.9)
    assert cause.cause.startswith("mains: its log is about ")
    assert cause.cause.endswith(" late")


def test_of_two_alone_nobody_knows_whose_clock_is_off(channel):
    assert judged(channel, {"a": 50}).found == {}


def test_noise_is_no_delay():
    """What moves by itself, as much as the mains would move it, fits no delay well."""
    random = np.random.default_rng(3)
    times = np.arange(0.0, 1200.0, 2.0)
    for _ in range(100):
        smooth = np.convolve(random.standard_normal((2, 700))[0], np.ones(100) / 10.0, "valid")[: len(times)]
        other = np.convolve(random.standard_normal(700), np.ones(100) / 10.0, "valid")[: len(times)]
        assert delay_of(times, smooth, other, 1.0) in (None, 0.0)
