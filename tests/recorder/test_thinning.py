"""Which forecasts are written down again."""

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.recorder.thinning import tells_the_same
from benchmon.watch.records import Forecast

RISING = Forecast("case", 100.0, "rising", 0.05, 85.0, 2.0, 400.0, 300.0, math.inf)


def later(seconds, **changes):
    """The same course, told later: the limit is nearer by as much."""
    ahead = {name: getattr(RISING, name) - seconds for name in ("to_limit", "earliest", "latest")}
    return replace(RISING, time=RISING.time + seconds, **(ahead | changes))


def test_the_same_course_a_little_later_tells_nothing_new():
    assert tells_the_same(later(5.0), RISING)
    assert tells_the_same(later(5.0, rate=0.049, final=85.1, to_limit=400.0), RISING)


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
def test_another_course_is_told(changes):
    assert not tells_the_same(later(5.0, **changes), RISING)


def test_what_stands_is_told_again_after_a_while():
    assert tells_the_same(later(29.0), RISING)
    assert not tells_the_same(later(30.0), RISING)


NUMBER = st.none() | st.floats(-1e6, 1e6) | st.just(math.inf)


@given(st.builds(Forecast, st.just("c"), st.just(1.0), st.sampled_from(["rising", "steady"]), *[NUMBER] * 6))
def test_every_forecast_tells_the_same_as_itself(forecast):
    assert tells_the_same(forecast, forecast)
