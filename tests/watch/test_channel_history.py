"""The channel history: what the watch adds to single readings, with its flags, events and forecasts."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from benchmon.bench import load_bench
from benchmon.prediction import predict
from benchmon.quantities import Expected
from benchmon.watch.channel_history import ChannelHistory
from benchmon.watch.plausibility.steadiness import Standstill, frozen_cause, with_causes_of_courses
from benchmon.watch.records import Explanation, Flag
from benchmon.watch.watch import Watch
from benchmon_simulated.scenarios import scenario_named

BENCH = load_bench(scenario_named("reservoir").path)


@cache
def prediction():
    return predict(BENCH)


@pytest.fixture
def watch():
    """Return a watch with the channel history of the reservoir bench."""
    history = ChannelHistory(BENCH)
    history.expect(prediction())
    return Watch(BENCH.channel, history), history


def play(watch, seconds, changes=None, *, step=0.5, start=0.0):
    """Feed a settled bench with noise; `changes` are values of channels by time. Return all events."""
    random, events = np.random.default_rng(1), []
    for time in np.arange(start, start + seconds, step):
        for channel in BENCH.channel:
            expected = prediction().at(channel.quantity)
            value = expected.value
            if changes and channel.name in changes:
                value = changes[channel.name](float(time), value)
            value += 0.04 * channel.accuracy.of(value) * random.standard_normal()
            events += watch.judge(channel.name, float(time), float(value), expected)[1]
    return events


def kinds(events):
    return {(event.kind, event.channel) for event in events}


def test_a_settled_bench_says_nothing(watch):
    assert play(watch[0], 300) == []


def test_a_drift_sets_its_flag_and_a_forecast(watch):
    rate = 0.045 / 60
    events = play(watch[0], 300, {"output": lambda time, value: value + rate * max(0.0, time - 60)})
    loud = [event for event in events if event.kind == "drifting"]
    assert [event.channel for event in loud] == ["output"]
    assert "V in about" in loud[0].message
    assert watch[1].flags("output") == {Flag.DRIFTING}
    forecast = watch[1].forecast("output", 300.0, 22.0)
    assert forecast.state == "drifting"
    assert forecast.rate == pytest.approx(rate, rel=0.4)


def test_a_drift_that_leads_out_only_after_hours_is_a_quiet_event(watch):
    events = play(watch[0], 400, {"output": lambda time, value: value + 0.004 / 60 * max(0.0, time - 60)})
    assert kinds(events) == {("slow drift", "output")}
    assert events[0].message.startswith("output has drifted by about +")
    assert "mV a minute" in events[0].message
    assert events[0].message.endswith("it stays within what is expected for hours")
    assert watch[1].flags("output") == frozenset()


@pytest.mark.parametrize(("part", "kind"), [(0.5, "drifting"), (1.4, "slow drift")])
def test_a_band_that_reaches_below_zero_has_no_edge_to_drift_to(watch, part, kind):
    """Falling by 3 % a minute: half way down in a quarter of an hour, and never to what would be negative."""
    channel = next(one for one in BENCH.channel if one.name == "ripple")
    random, events, right = np.random.default_rng(1), [], prediction().at(channel.quantity).value
    expected = Expected(right, part * right, "V")
    for time in np.arange(0.0, 300.0, 0.5):
        value = right * (1.0 - 0.03 * max(0.0, time - 60.0) / 60.0) + 0.002 * right * random.standard_normal()
        events += watch[0].judge("ripple", float(time), float(value), expected)[1]
    # It may be told quietly while it is too short to reach an edge.
    assert events[-1].kind == kind
    assert {event.kind for event in events} <= {"slow drift", kind}


def test_the_mains_and_the_air_may_move_as_they_like(watch):
    moves = {
        "mains voltage": lambda time, value: value + 0.01 * time,
        "air": lambda time, value: value + 0.002 * time,
    }
    assert [event for event in play(watch[0], 400, moves) if event.kind == "drifting"] == []


def test_a_contradiction_sets_its_flag_and_is_cleared(watch):
    events = play(watch[0], 20, {"mains power": lambda _, value: 1.5 * value})
    assert ("implausible", "mains power") in kinds(events)
    assert Flag.IMPLAUSIBLE in watch[1].flags("mains power")
    after = play(watch[0], 30, start=20.0)
    assert ("cleared", "mains power") in kinds(after)
    assert watch[1].flags("mains power") == frozenset()


def test_a_case_that_heads_for_its_limit_is_forecast_then_called_off(watch):
    def hot(time, _):
        return 24.0 + 110.0 * (1.0 - math.exp(-time / 60.0))

    events = play(watch[0], 45, {"diode case": hot})
    assert ("forecast", "diode case") in kinds(events)
    forecast = watch[1].forecast("diode case", 45.0)
    assert forecast.to_limit == pytest.approx(-60.0 * math.log(1 - 81 / 110) - 45.0, rel=0.25)
    assert forecast.earliest <= forecast.to_limit <= forecast.latest
    top = hot(45.0, 0.0)

    def cooled(time, _):
        return 50.0 + (top - 50.0) * math.exp(-(time - 45.0) / 30.0)

    after = play(watch[0], 240, {"diode case": cooled}, start=45.0)
    assert ("cleared", "diode case") in kinds(after)


def test_a_junction_past_its_maximum_is_seen_from_its_case(watch):
    events = play(watch[0], 5, {"diode case": lambda _time, _value: 149.0})
    message = next(event.message for event in events if event.kind == "junction")
    assert "so the junction is near 15" in message
    assert "above its 150 °C" in message


def test_a_junction_that_stays_near_its_maximum_is_said_once(watch):
    events = play(watch[0], 20, {"diode case": lambda time, _: 149.0 if time % 4 < 2 else 144.0})
    assert [event.kind for event in events if "junction" in event.message] == ["junction"]
    events = play(watch[0], 5, {"diode case": lambda _time, _value: 120.0}, start=20.0)
    assert "diode case: the junction is below its maximum again" in [event.message for event in events]


def test_from_cold_the_unseen_warm_up_is_no_drift():
    history = ChannelHistory(BENCH, power_on=0.0)
    history.expect(prediction())
    watch = Watch(BENCH.channel, history)
    events = play(watch, 500, {"output": lambda time, value: value + 0.25 * math.exp(-time / 240.0)})
    assert [event for event in events if event.kind == "drifting"] == []


def test_shuffled_instruments_get_the_same_flags():
    rows = []
    for seed, channels in ((1, BENCH.channel), (1, tuple(reversed(BENCH.channel)))):
        history = ChannelHistory(BENCH.model_copy(update={"channel": channels}))
        random = np.random.default_rng(seed)
        noise = {c.name: random.standard_normal(400) for c in sorted(channels, key=lambda one: one.name)}
        for index in range(400):
            for channel in channels:
                expected = prediction().at(channel.quantity)
                size = 0.04 * channel.accuracy.of(expected.value)
                drift = size * index / 10 if channel.name == "winding current" else 0.0
                value = expected.value + size * noise[channel.name][index] + drift
                history.update(channel.name, 0.5 * index, float(value), expected, 0.1)
        rows.append({channel.name: history.flags(channel.name) for channel in channels})
    assert rows[0] == rows[1]
    assert rows[0]["winding current"] == {Flag.DRIFTING}


def history_of_output(values, expected_of=lambda _: 1.0):
    """Feed the output alone, once a second; `expected_of` scales what is expected. Return history and events."""
    history = ChannelHistory(BENCH)
    history.expect(prediction())
    watch, events = Watch(BENCH.channel, history), []
    channel = next(one for one in BENCH.channel if one.name == "output")
    settled = prediction().at(channel.quantity)
    for time, part in enumerate(values):
        expected = replace(settled, value=settled.value * expected_of(time))
        value = round(settled.value * part, 2)
        events += watch.judge("output", float(time), value, expected)[1]
    return history, events


def test_changes_between_agreeing_and_disagreeing_are_counted_while_they_are_recent():
    history, _ = history_of_output(([1.0] * 4 + [0.5] * 4) * 10)
    assert history.changes_recently("output", 79.0) == 19
    assert history.changes_recently("output", 79.0 + 180.0) == 15
    assert history.changes_recently("output", 1000.0) == 0


def test_an_intermittent_contact_is_the_cause_until_it_holds():
    history, events = history_of_output(([1.0] * 4 + [0.5] * 4) * 10)
    assert [event.kind for event in events if "intermittent" in event.message] == ["implausible"]
    cause = history.causes(79.0)[0]
    assert cause.cause == "output: an intermittent contact at its leads"
    assert cause.channels == ("output",)
    right = Explanation("nothing wrong", 0.99, "all is well")
    ranked = with_causes_of_courses([right], [cause])
    assert [one.cause for one in ranked] == [cause.cause, "nothing wrong"]
    assert sum(one.likelihood for one in ranked) <= 1.0
    history, events = history_of_output([*([1.0] * 4 + [0.5] * 4) * 10, *[1.0] * 300])
    assert events[-1].message == "output keeps its verdict again"
    assert (history.causes(380.0), history.flags("output")) == ([], frozenset())


def test_a_cause_of_another_channel_comes_before_a_frozen_one():
    frozen = frozen_cause("output", "V", Standstill(22.14, 10.0, 0.5), 60.0)
    clamp = Explanation("current: the clamp's ratio is 10 times too large", 0.97, "x", ("current",))
    assert with_causes_of_courses([clamp], [frozen]) == [clamp]
    assert with_causes_of_courses([], [frozen]) == [frozen]


def test_a_cause_that_is_hardly_likely_comes_behind_a_frozen_one():
    frozen = frozen_cause("output", "V", Standstill(22.14, 10.0, 0.5), 60.0)
    guess = Explanation("the primary tap is a neighbouring one", 0.4, "x", ("current",))
    assert [one.cause for one in with_causes_of_courses([guess], [frozen])] == [frozen.cause, guess.cause]


@pytest.mark.parametrize("rate", [0.0, 3.0])
def test_a_temperature_that_had_settled_and_rises_again_drifts_inside_its_wide_band(rate):
    history = ChannelHistory(BENCH)
    history.expect(prediction())
    case = next(one for one in BENCH.channel if one.quantity == "diode.temperature.case")
    expected, random, events = prediction().at(case.quantity), np.random.default_rng(3), []
    for time in np.arange(0.0, 720.0, 4.0):
        value = expected.value + rate * max(0.0, time - 400.0) / 60.0 + 0.05 * random.standard_normal()
        events += history.update(case.name, float(time), float(value), expected, 0.0)
    again = [event for event in events if "rises again" in event.message]
    assert [event.kind for event in again] == ["drifting"] * bool(rate)
    assert history.flags(case.name) == ({Flag.DRIFTING} if rate else set())


def test_noise_at_a_line_is_no_change_between_agreeing_and_disagreeing():
    settled = prediction().at("output.voltage.mean")
    edge = 1.0 + 1.2 * settled.uncertainty / settled.value
    history, _ = history_of_output([edge, edge * 1.0005] * 100)
    assert history.changes_recently("output", 200.0) == 0


def test_a_value_that_stands_still_while_the_mains_move_is_implausible_until_it_moves():
    moves = lambda time: 1.0 + 0.03 * math.sin(time / 20)  # noqa: E731 - mains that wander by 3 %
    history, events = history_of_output([1.0] * 100, moves)
    assert kinds(events) >= {("implausible", "output")}
    assert history.frozen("output").value == pytest.approx(prediction().at("output.voltage.mean").value, abs=0.01)
    assert Flag.IMPLAUSIBLE in history.flags("output")
    assert "has read exactly" in next(each.message for each in events if each.kind == "implausible")
    assert history.causes(100.0)[0].cause == "output: its value is frozen"
    history, events = history_of_output([1.0] * 100 + [1.001], moves)
    assert events[-1].message == "output moves again"
    assert history.flags("output") == frozenset()


@pytest.mark.parametrize(
    ("values", "moves"),
    [
        ([1.0] * 200, lambda _: 1.0),
        ([1.0 + 0.03 * math.sin(time / 20) for time in range(200)], lambda time: 1.0 + 0.03 * math.sin(time / 20)),
        ([0.0] * 200, lambda time: 1.0 + 0.03 * math.sin(time / 20)),
    ],
    ids=["nothing moves", "it follows the mains", "a dead output reads zero"],
)
def test_a_value_that_need_not_move_is_not_frozen(values, moves):
    history, events = history_of_output(values, moves)
    assert history.frozen("output") is None
    assert not [event for event in events if event.kind == "implausible"]
