"""Which forecasts are written down again."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.recorder.storage_filter import WaveformFilter, says_the_same
from benchmon.watch.records import Forecast, Waveform

RISING = Forecast("case", 100.0, "rising", 0.05, 85.0, 2.0, 400.0, 300.0, math.inf)


def later(seconds, **changes):
    """The same course, stated later: the limit is nearer by as much."""
    ahead = {name: getattr(RISING, name) - seconds for name in ("to_limit", "earliest", "latest")}
    return replace(RISING, time=RISING.time + seconds, **(ahead | changes))


def test_the_same_course_a_little_later_shows_nothing_new():
    assert says_the_same(later(5.0), RISING)
    assert says_the_same(later(5.0, rate=0.049, final=85.1, to_limit=400.0), RISING)


@pytest.mark.parametrize(
    "changes",
    [
        {"state": "runaway"},
        {"final": 85.5},
        {"final": None},
        {"uncertainty": 3.0},
        {"to_limit": 360.0},
        {"earliest": 200.0},
        {"latest": 500.0},
        {"to_limit": None, "earliest": None, "latest": None},
    ],
)
def test_another_course_is_reported(changes):
    assert not says_the_same(later(5.0, **changes), RISING)


def test_what_stands_is_reported_again_after_a_while():
    assert says_the_same(later(29.0), RISING)
    assert not says_the_same(later(30.0), RISING)


NUMBER = st.none() | st.floats(-1e6, 1e6) | st.just(math.inf)


@given(st.builds(Forecast, st.just("c"), st.just(1.0), st.sampled_from(["rising", "steady"]), *[NUMBER] * 6))
def test_every_forecast_says_the_same_as_itself(forecast):
    assert says_the_same(forecast, forecast)


def a_wave(at, samples=400, channel="scope"):
    return Waveform(channel, at, np.arange(samples) / 1e4, np.zeros(samples), "V")


def times_kept(waves, samples=400, seconds=60, every=0.5):
    offered = [a_wave(at, samples) for at in np.arange(0.0, seconds, every).tolist()]
    return [kept.time for wave in offered for kept in waves.offer(wave)]


def test_of_many_waves_one_every_two_seconds_is_kept():
    assert times_kept(WaveformFilter()) == list(range(0, 60, 2))


def test_long_waves_are_kept_less_often():
    assert times_kept(WaveformFilter(), 5000) == [0.0, 20.0, 40.0]


def test_every_channel_has_waves_of_its_own():
    waves = WaveformFilter()
    assert [len(waves.offer(a_wave(0.0, channel=name))) for name in ("one", "other", "one")] == [1, 1, 0]


def test_the_wave_at_an_event_is_kept_however_long_it_is():
    waves = WaveformFilter()
    assert times_kept(waves, 5000, seconds=10) == [0.0]
    assert [wave.time for wave in waves.at_event()] == [9.5]
    assert waves.at_event() == []
    assert waves.offer(a_wave(10.0, 5000)) == []
    # A flicker of events does not fill the session.
    assert waves.at_event() == []
