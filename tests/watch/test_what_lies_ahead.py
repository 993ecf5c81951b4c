"""The glance with forecasts and causes: what is worst, and how long there is."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.bench import read_bench
from benchmon.text import about
from benchmon.watch.records import Explanation, Flag, Forecast, Judgement, Verdict
from benchmon.watch.status import Level, Outlooks
from benchmon.watch.status_wording import status_line
from support.supplies import supply

BENCH = read_bench(
    supply()
    + """
[[instrument]]
name = "meter"
driver = "scpi"
[[channel]]
name = "output"
instrument = "meter"
quantity = "output.voltage.mean"
[[channel]]
name = "ripple"
instrument = "meter"
quantity = "output.voltage.ac_rms"
[[channel]]
name = "diode case"
instrument = "meter"
quantity = "diode.temperature.case"
warn_above = "85 °C"
trip_above = "105 °C"
"""
)
CASE = BENCH.channel[2]


def judged(channel, value, verdict=Verdict.AGREES, *flags):
    return Judgement(channel, 100.0, value, 0.1, 20.0, 0.5, 0.2, verdict, frozenset(flags))


def latest(*judgements):
    right = {name: judged(name, 20.0) for name in ("output", "ripple", "diode case")}
    return right | {each.channel: each for each in judgements}


def rising(to_limit=220.0, latest=300.0, time=100.0):
    forecast = Forecast("diode case", time, "rising", 0.2, 118.0, 6.0, to_limit, 150.0, latest)
    return {"diode case": forecast}


def test_a_limit_that_will_be_passed_comes_with_its_time():
    line = status_line(latest(), BENCH, "recording", Outlooks(100.0, rising()))
    assert line.level is Level.CAUTION
    assert line.sentence == "Get ready to switch off: diode case will pass 105.0 °C in about 3 min 40 s"


def test_the_time_runs_down_between_forecasts():
    assert status_line(latest(), BENCH, "recording", Outlooks(200.0, rising())).sentence.endswith("in about 2 min")
    assert status_line(latest(), BENCH, "recording", Outlooks(319.0, rising())).sentence.endswith("within seconds")
    assert status_line(latest(), BENCH, "recording", Outlooks(9999.0, rising())).level is Level.AS_EXPECTED


def test_what_is_hot_already_says_both():
    line = status_line(
        latest(judged("diode case", 90.0, Verdict.AGREES, Flag.HOT)), BENCH, "recording", Outlooks(0, rising())
    )
    assert "above its warning of 85.0 °C, and will pass 105.0 °C" in line.sentence


def test_what_may_pass_is_reported_less_loudly_and_behind_a_silent_guard():
    forecasts = rising(latest=math.inf)
    line = status_line(latest(), BENCH, "recording", Outlooks(100.0, forecasts))
    assert line.sentence == "Keep an eye on it: diode case may pass 105.0 °C in about 3 min 40 s"
    silent = Judgement("diode case", 100.0, None, None, None, None, None, Verdict.UNPREDICTED, frozenset({Flag.STALE}))
    line = status_line(latest(silent), BENCH, "recording", Outlooks(100.0, forecasts))
    assert line.sentence.startswith("Not watched: diode case")


def test_a_limit_that_may_be_passed_has_its_earliest_time_and_raises_no_alarm():
    forecast = {"diode case": Forecast("diode case", 100.0, "rising", 0.2, None, None, None, 300.0, math.inf)}
    ahead = Outlooks(160.0, forecast)
    assert ahead.may_pass_words(CASE) == "may pass 105.0 °C in about 4 min at the earliest, or never"
    assert status_line(latest(), BENCH, "recording", ahead).level is Level.AS_EXPECTED
    assert Outlooks(100.0, rising()).may_pass_words(CASE) == ""


def test_a_trip_is_worse_than_any_forecast():
    tripped = judged("output", 99.0, Verdict.DISAGREES, Flag.TRIPPED)
    assert status_line(latest(tripped), BENCH, "recording", Outlooks(100.0, rising())).level is Level.DANGER


def test_a_likely_cause_is_named_where_the_difference_is_reported():
    cause = Explanation("ripple: the meter is on its DC range", 0.93, "select AC", ("ripple",))
    wrong = (judged("output", 9.0, Verdict.DISAGREES), judged("ripple", 0.0, Verdict.DISAGREES))
    line = status_line(latest(*wrong), BENCH, "recording", Outlooks(100.0, {}, (cause,)))
    assert line.sentence.startswith("Not as expected: ripple is at")
    assert line.sentence.endswith("; likely the meter is on its DC range (and 1 more)")


@pytest.mark.parametrize(
    "cause",
    [
        Explanation("a diode is open", 0.4, "find it"),
        Explanation("none of these", 0.99, "look"),
        Explanation("nothing wrong", 0.99, ""),
    ],
)
def test_a_doubtful_cause_is_not_named_at_a_glance(cause):
    wrong = judged("output", 9.0, Verdict.DISAGREES)
    assert "likely" not in status_line(latest(wrong), BENCH, "recording", Outlooks(100.0, {}, (cause,))).sentence


@given(st.floats(0, 1e9))
def test_how_long_is_never_nonsense(seconds):
    words = about(seconds)
    assert words.startswith(("in about ", "within "))
    assert " 60 s" not in words
    assert " 0 " not in words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (58.0, "in about 1 min"),
        (61.0, "in about 1 min"),
        (220.0, "in about 3 min 40 s"),
        (597.0, "in about 10 min"),
        (4000.0, "in about 1 h 07 min"),
        (7300.0, "in about 2 h"),
    ],
)
def test_how_long_is_reported_as_people_say_it(seconds, words):
    assert about(seconds) == words
