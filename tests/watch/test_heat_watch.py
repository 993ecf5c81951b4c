"""Heat: where a temperature settles, when it passes its limit, and when that is not known."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.bench import Channel
from benchmon.text import duration
from benchmon.watch.course_wording import outlook_sentence
from benchmon.watch.heating.heating import HeatLimits, HeatWatch, State, junction_from_case
from benchmon.watch.heating.rise_fit import fit_rise

AIR = 25.0


def rise(t, size=60.0, constant=120.0, start=AIR):
    return start + size * (1 - np.exp(-t / constant))


def follow(watch, t, values, seed=1, sigma=0.1):
    noisy = values + np.random.default_rng(seed).normal(0.0, sigma, len(t))
    for time, value in zip(t, noisy, strict=True):
        watch.update(float(time), float(value))
    return watch.outlook(float(t[-1]))


@pytest.mark.parametrize(("count", "fewer"), [(10, 1), pytest.param(20, 0, marks=pytest.mark.long)])
def test_after_two_time_constants_the_final_temperature_is_known(count, fewer):
    random = np.random.default_rng(2)
    known = near = covered = timely = 0
    for seed in range(count):
        size, constant = random.uniform(30, 90), random.uniform(40, 250)
        t = np.arange(0, 2 * constant, 1.0)
        limit = AIR + 0.92 * size
        outlook = follow(HeatWatch(HeatLimits(None, limit)), t, rise(t, size, constant), seed)
        final, until = outlook.final, outlook.to_limit
        timely += until.low <= -constant * math.log(0.08) - t[-1] <= until.high
        if final is not None:
            known += 1
            near += abs(final.best - AIR - size) < 0.05 * size
            covered += final.low <= AIR + size <= final.high
    assert known >= 0.85 * count - fewer
    assert near >= known - 1
    assert covered >= known - count // 10
    assert timely >= 0.9 * count


@pytest.mark.parametrize("wrong", [9e14, -300.0])
def test_a_number_that_no_thermometer_shows_is_no_part_of_a_course(wrong):
    t = np.arange(0, 200, 0.5)
    values = rise(t)
    usual = follow(HeatWatch(HeatLimits(None, 90.0)), t, values)
    watch = HeatWatch(HeatLimits(None, 90.0))
    for time, value in zip(t, values + np.random.default_rng(1).normal(0.0, 0.1, len(t)), strict=True):
        watch.update(float(time), float(value))
        if time % 20 == 0:
            watch.update(float(time) + 0.1, wrong)
    assert watch.outlook(float(t[-1])) == usual


def two_stages(t):
    """A case on a heat sink: 66.2 K with 40 s, 18.8 K with 500 s."""
    return AIR + 66.2 * (1 - np.exp(-t / 40)) + 18.8 * (1 - np.exp(-t / 500))


def test_a_heat_sink_that_warms_slowly_is_not_taken_for_the_end():
    t = np.arange(0, 150, 0.5)
    watch = HeatWatch(HeatLimits(None, 105.0))
    outlook = follow(watch, t, two_stages(t))
    assert outlook.state is State.RISING
    assert outlook.final is None or outlook.final.high >= AIR + 85.0
    assert outlook.to_limit is not None  # it may be reached, at 664 s in truth
    assert outlook.to_limit.low <= 664 - 150 <= outlook.to_limit.high


def test_a_limit_that_may_be_reached_has_an_earliest_time_before_it_has_one():
    t = np.arange(0, 40, 0.5)
    ahead = follow(HeatWatch(HeatLimits(None, 80.0)), t, rise(t, 60.0, 60.0)).to_limit
    assert math.isinf(ahead.high)
    assert 0.0 < ahead.low < 60.0 * math.log(12.0) - 40.0


@pytest.mark.parametrize("seed", range(4))
def test_a_draught_widens_what_is_known_of_the_end(seed):
    t = np.arange(0, 400, 0.5)
    kicks = np.random.default_rng(seed).normal(0.0, 0.1, len(t))
    draught = np.zeros(len(t))
    for index in range(1, len(t)):
        draught[index] = 0.994 * draught[index - 1] + kicks[index]
    still = follow(HeatWatch(HeatLimits(None, 150.0)), t, rise(t, 70.0, 150.0), seed)
    moving = follow(HeatWatch(HeatLimits(None, 150.0)), t, rise(t, 70.0, 150.0) + draught * (t / 400), seed)
    widths = [one.final.high - one.final.low for one in (still, moving) if one.final is not None]
    assert len(widths) < 2 or widths[1] > 2.0 * widths[0]


def test_a_part_that_warms_to_where_it_should_is_no_runaway():
    # A sensor that follows late makes a warm-up begin ever faster.
    t = np.arange(0, 90, 0.5)
    late = AIR + 60 * (1 - np.exp(-t / 200)) - 6.3 * (1 - np.exp(-t / 20))
    limits = HeatLimits(None, 120.0, air=AIR, final=85.0, doubt=5.0)
    watch = HeatWatch(limits)
    for time, value in zip(t, late, strict=True):
        if watch.update(float(time), float(value)):
            assert watch.outlook(float(time)).state is not State.RUNAWAY


def test_a_limit_that_is_not_reached_is_not_forecast():
    t = np.arange(0, 300, 0.5)
    outlook = follow(HeatWatch(HeatLimits(70.0, 105.0)), t, rise(t))
    assert outlook.final.best == pytest.approx(85.0, abs=1.0)
    assert outlook.to_limit is None
    assert outlook.to_warning is None  # it is past its warning already


def test_it_says_when_it_cannot_know_yet():
    t = np.arange(0, 12, 0.5)
    outlook = follow(HeatWatch(HeatLimits(None, 105.0)), t, rise(t, constant=300.0), sigma=0.5)
    assert outlook.final is None


def test_a_cool_down_ends_in_the_air():
    t = np.arange(0, 400, 0.5)
    outlook = follow(HeatWatch(HeatLimits(None, 105.0)), t, AIR + 70 * np.exp(-t / 150))
    assert outlook.state is State.COOLING
    assert outlook.final.best == pytest.approx(AIR, abs=2.0)
    assert outlook.to_limit is None


def test_a_fan_that_starts_begins_a_new_regime():
    t = np.arange(0, 500, 0.5)
    at_300 = rise(300.0)
    values = np.where(t < 300, rise(t), 50 + (at_300 - 50) * np.exp(-(t - 300) / 60))
    outlook = follow(HeatWatch(HeatLimits(None, 105.0)), t, values)
    assert outlook.since == pytest.approx(300, abs=12)
    assert outlook.final.best == pytest.approx(50.0, abs=2.0)


def test_more_load_is_noticed_and_its_limit_forecast():
    t = np.arange(0, 560, 0.5)
    values = np.where(t < 480, rise(t), rise(480.0) + 40 * (1 - np.exp(-(t - 480) / 120)))
    outlook = follow(HeatWatch(HeatLimits(None, 105.0)), t, values)
    assert outlook.since == pytest.approx(480, abs=12)
    assert outlook.to_limit.low <= 480 + 120 * math.log(40 / (40 - 105 + rise(480.0))) - 560 <= outlook.to_limit.high


def test_a_change_is_noticed_whenever_it_comes():
    # The fit is made again now and then, and must not take the first readings of a rise for its own.
    for begins in np.arange(233.0, 274.0, 10.0):
        t = np.arange(0, begins + 60.0, 1.0)
        steady = 43.0 + 0.5 * np.sin(t / 27.0)
        values = np.where(t < begins, steady, steady + 77.0 * (1 - np.exp(-(t - begins) / 60)))
        outlook = follow(HeatWatch(HeatLimits(95.0, 110.0, 45.0)), t, values, sigma=0.03)
        assert outlook.state is State.RISING
        assert outlook.to_limit is not None


def test_a_runaway_is_reported_before_the_limit():
    t = np.arange(0, 300, 0.5)
    values = 40 + 5 * np.expm1(t / 100)
    watch = HeatWatch(HeatLimits(None, 120.0))
    seen = None
    for time, value in zip(t, values + np.random.default_rng(3).normal(0, 0.1, len(t)), strict=True):
        watch.update(float(time), float(value))
        if seen is None and watch.outlook(float(time)).state is State.RUNAWAY:
            seen = value
    assert seen is not None
    assert seen < 80.0


def test_faster_than_any_expected_rise_is_a_runaway():
    t = np.arange(0, 30, 0.5)
    slow = HeatLimits(None, 150.0, time_constant=60.0, fastest=2 * 60.0 / 60.0)
    assert follow(HeatWatch(slow), t, rise(t, 60.0, 60.0)).state is State.RISING
    assert follow(HeatWatch(slow), t, rise(t, 240.0, 60.0)).state is State.RUNAWAY


def test_a_runaway_has_a_time_to_its_limit_at_once():
    watch = HeatWatch(HeatLimits(None, 150.0, time_constant=60.0, fastest=2.0))
    t = np.arange(0, 21, 0.5)
    for time, value in zip(t, rise(t, 400.0, 60.0), strict=True):
        watch.update(float(time), float(value))
        outlook = watch.outlook(float(time))
        if outlook.state is State.RUNAWAY:
            break
    assert outlook.state is State.RUNAWAY
    assert outlook.to_limit.best == pytest.approx(60.0 * np.log(400.0 / 275.0) - time, rel=0.5)


@pytest.mark.parametrize("digit", [0.0, 0.1, 0.5])
def test_a_steady_temperature_in_moving_air_is_never_a_forecast(digit):
    t = np.arange(0, 5400, 0.5)
    values = 60 + 0.2 * np.sin(t / 95) + np.random.default_rng(4).normal(0, 0.05, len(t))
    watch = HeatWatch(HeatLimits(80.0, 90.0))
    passes, steady, looks = 0, 0, 0
    for time, value in zip(t, values, strict=True):
        shown = round(value / digit) * digit if digit else value
        if watch.update(float(time), float(shown)):
            outlook = watch.outlook(float(time))
            looks += 1
            passes += outlook.to_limit is not None or outlook.state is State.RUNAWAY
            steady += outlook.state is State.STEADY
    assert passes == 0
    assert steady > 0
    assert looks > 20


def test_memory_stays_flat():
    watch = HeatWatch()
    follow(watch, np.arange(0, 20_000, 0.5), np.full(40_000, 60.0))
    assert len(watch._points) <= 97
    assert len(watch._recent) <= 60


def test_readings_logged_by_hand_are_enough():
    t = np.arange(0, 481, 20.0)
    watch = HeatWatch(HeatLimits(None, 80.0))
    for time, value in zip(t, np.round(rise(t, constant=150.0), 1), strict=True):
        watch.update(float(time), float(value))
    watch.finish()
    assert watch.outlook(480.0).final.best == pytest.approx(85.0, abs=2.0)


def test_a_rise_seen_in_ten_readings_by_hand_does_not_stay_where_it_was():
    t = np.arange(0, 300.0, 30.0)
    watch = HeatWatch(HeatLimits(95.0, 110.0, 45.0))
    for time, value in zip(t, np.round(rise(t, 95.0, 120.0, 23.0), 1), strict=True):
        watch.update(float(time), float(value))
    watch.finish()
    outlook = watch.outlook(float(t[-1]))
    assert outlook.state is State.RISING
    assert outlook.to_limit.low <= 120.0 * math.log(95.0 / 8.0) - 270.0 <= outlook.to_limit.high


def test_where_it_stays_is_where_it_is_now():
    t = np.arange(0, 360.0, 1.0)
    outlook = follow(HeatWatch(HeatLimits(None, None, 45.0)), t, rise(t, 75.0, 60.0, 45.0), sigma=0.03)
    assert outlook.state is State.STEADY
    assert abs(outlook.final.best - 120.0) < 0.5
    assert outlook.final.low <= 120.0 <= outlook.final.high


@settings(max_examples=15, deadline=None)
@given(st.floats(20, 100), st.floats(30, 300), st.floats(-1e5, 1e5))
def test_an_exact_rise_is_met_wherever_the_clock_stands(size, constant, offset):
    t = np.linspace(0, 3 * constant, 60)
    fit = fit_rise(t + offset, rise(t, size, constant), np.full(60, 0.01))
    assert fit.final.low <= AIR + size <= fit.final.high
    assert fit.final.best == pytest.approx(AIR + size, abs=0.1 * size)


def test_the_sentence_shows_final_value_limit_and_time():
    t = np.arange(0, 250, 0.5)
    channel = Channel.model_validate(
        {
            "name": "diode case",
            "instrument": "thermometer",
            "quantity": "diode.temperature.case",
            "trip_above": "115 °C",
        }
    )
    watch = HeatWatch(HeatLimits(None, 115.0))
    sentence = outlook_sentence(channel, follow(watch, t, rise(t, 95.0, 110.0)))
    assert sentence.startswith("diode case will settle at 1")
    assert "limit 115.0 °C, reached in about 1 min" in sentence


@pytest.mark.parametrize(
    ("seconds", "text"), [(8, "8 s"), (220, "3 min 40 s"), (7500, "2 h 05 min"), (1200, "20 min"), (math.inf, "–")]
)
def test_durations_are_said_as_people_say_them(seconds, text):
    assert duration(seconds) == text


def test_junction_from_case():
    # JESD51: Tj = Ta + P·θ. 2 W through 20 K/W is 40 K (closed form).
    assert junction_from_case(59.0, 2.0, 20.0, 0.15) == pytest.approx(65.0)
