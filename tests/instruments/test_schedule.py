import math
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from benchmon.instruments.acquisition import PeriodDecimator, Schedule, next_on_grid
from benchmon.instruments.types import Limits, Reading

periods = st.floats(0.01, 100)


@given(due=st.floats(0, 1e6), period=periods, late=st.floats(0, 1e4))
def test_the_next_time_is_after_now_on_the_grid_and_less_than_a_period_away(due, period, late):
    now = due + late
    then = next_on_grid(due, period, now)
    assert now < then + 1e-6 * period
    assert then - now <= period * (1 + 1e-6)
    assert math.isclose((then - due) / period, round((then - due) / period), abs_tol=1e-6)


def test_a_thousand_readings_that_take_their_time_do_not_drift():
    schedule = Schedule({"a": 0.1}, 5.0)
    taken = []
    for _ in range(1000):
        now = schedule.next_due + 0.013
        taken.append(schedule.next_due)
        schedule.take(now)
    assert math.isclose(taken[-1], 5.0 + 99.9, abs_tol=1e-6)


def test_what_was_missed_is_not_caught_up():
    schedule = Schedule({"a": 1.0}, 0.0)
    schedule.take(0.0)
    schedule.take(7.4)
    assert schedule.next_due == 8.0


@given(st.dictionaries(st.sampled_from("abcdef"), periods, min_size=1), st.floats(0.001, 5))
def test_no_channel_starves_however_slow_the_instrument(table, cost):
    schedule, now, taken = Schedule(table, 0.0), 0.0, []
    for _ in range(20 * len(table)):
        now = max(now, schedule.next_due)
        taken.append((schedule.take(now), now))
        now += cost
    span = now
    for name, period in table.items():
        times = [0.0, *(when for who, when in taken if who == name), span]
        gaps = [b - a for a, b in pairwise(times)]
        assert max(gaps) <= period + 2 * len(table) * cost + 1e-6


def test_channels_that_are_due_at_once_are_taken_together_and_others_not():
    schedule = Schedule({"a": 0.1, "b": 0.3, "c": 0.1}, 0.0)
    assert schedule.take_together(0.0) == ["a", "b", "c"]
    assert schedule.take_together(0.11) == ["a", "c"]
    assert schedule.take_together(0.15) == []


def test_nothing_is_ever_due_without_channels():
    assert Schedule({}, 0.0).next_due == math.inf
    assert PeriodDecimator({}).next_due == math.inf


def reading(time, value=1.0):
    return Reading("t", time, value)


def test_the_first_of_a_stream_passes_at_once_and_then_the_newest_of_each_period():
    stream = PeriodDecimator({"t": 1.0})
    passed = []
    for tick in range(31):
        now = tick / 10
        stream.offer(reading(now))
        passed += stream.take(now + 1e-9)
    assert [round(one.time, 1) for one in passed] == [0.0, 1.0, 2.0, 3.0]


def test_a_held_reading_is_due_though_no_further_line_comes():
    stream = PeriodDecimator({"t": 1.0})
    stream.offer(reading(0.0))
    stream.take(0.0)
    stream.offer(reading(0.3))
    stream.offer(reading(0.6))
    assert stream.take(0.9) == []
    assert stream.next_due == 1.0
    assert stream.take(1.0) == [reading(0.6)]


@given(st.lists(st.floats(-0.2, 0.2), min_size=5, max_size=50))
def test_lines_that_come_once_a_period_with_jitter_lose_none(jitter):
    stream = PeriodDecimator({"t": 1.0})
    passed, now = [], 100.0
    events = sorted((100.0 + k + (shift if k else 0.0), k) for k, shift in enumerate(jitter))
    for when, k in events:
        while stream.next_due < when:
            now = stream.next_due
            passed += stream.take(now)
        stream.offer(reading(when, k))
        passed += stream.take(when)
    passed += stream.take(events[-1][0] + 1)
    assert [one.value for one in passed] == list(range(len(jitter)))


GUARDED = Limits(below=(-10.0, -5.0), above=(5.0, 10.0))


def test_a_spike_past_a_limit_passes_at_once_though_the_period_is_long():
    stream = PeriodDecimator({"t": 60.0}, {"t": GUARDED})
    stream.offer(reading(0.0))
    assert stream.take(0.0) == [reading(0.0)]
    assert stream.offer(reading(0.1)) == []
    assert stream.offer(reading(0.2, 7.0)) == [reading(0.2, 7.0)]
    assert stream.offer(reading(0.3, 20.0)) == [reading(0.3, 20.0)]
    assert stream.offer(reading(0.4, 1.0)) == []
    assert stream.take(60.0) == [reading(0.4, 1.0)]


def test_the_farthest_past_a_limit_goes_before_the_newest():
    stream = PeriodDecimator({"t": 1.0}, {"t": GUARDED})
    stream.take(0.0)
    assert stream.offer(reading(0.1, 11.0)) == [reading(0.1, 11.0)]
    passed = [stream.offer(reading(n, value)) for n, value in ((0.2, 13.0), (0.3, 12.0), (0.4, 1.0))]
    assert passed == [[], [], []]
    assert stream.take(1.0) == [reading(0.2, 13.0), reading(0.4, 1.0)]


def test_what_stays_past_a_limit_comes_no_more_often_than_anything_else():
    stream = PeriodDecimator({"t": 1.0}, {"t": GUARDED})
    passed = []
    for tick in range(100):
        passed += stream.offer(reading(tick / 10, 20.0)) + stream.take(tick / 10 + 0.001)
    assert len(passed) <= 12


@given(st.lists(st.floats(-20, 20), min_size=1, max_size=200))
def test_a_decimated_stream_exceeds_every_limit_that_the_stream_does_and_reaches_as_far(values):
    stream, passed = PeriodDecimator({"t": 1.0}, {"t": GUARDED}), []
    for tick, value in enumerate(values):
        now = tick / 10
        at_once = stream.offer(reading(now, value))
        new = GUARDED.passed(value) - {limit for one in passed for limit in GUARDED.passed(one.value)}
        assert not new or at_once[-1] == reading(now, value)
        passed += at_once + stream.take(now)
    passed += stream.take(len(values) / 10 + 1)
    assert [one.time for one in passed] == sorted(one.time for one in passed)
    assert len(passed) <= 7 * (len(values) // 10 + 2)
    for farthest, side in ((max(values), Limits(above=GUARDED.above)), (min(values), Limits(below=GUARDED.below))):
        if side.passed(farthest):
            assert farthest in [one.value for one in passed]
