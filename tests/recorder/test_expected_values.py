"""What is expected when, with a prediction that only gives what it was asked for."""

import time

import numpy as np
import pytest

from benchmon.bench import Step, read_bench
from benchmon.event_kinds import EventKind
from benchmon.prediction.operating_point import SPACING, OperatingGrid
from benchmon.prediction.result import Prediction, Waveforms
from benchmon.quantities import Expected
from benchmon.recorder import predictor
from benchmon.watch import expectation
from benchmon.watch.conditions import Conditions, MeasuredConditions
from benchmon.watch.plan import Plan
from benchmon.watch.records import Event, EventDetails

AMBIENT = """
[[channel]]
name = "air"
instrument = "meter"
quantity = "ambient.temperature"
group = "air"
accuracy = "0.5 K"
"""


@pytest.fixture
def asked(monkeypatch):
    """Return around what was predicted, in order: (mains volts, ambient)."""
    calls = []

    def predict(volts, load=None):
        quantities = {
            "mains.voltage.rms": Expected(volts, volts * 0.1, "V"),
            "output.voltage.rms": Expected(volts / (8 if load == "open" else 10), 0.2, "V"),
            "diode.temperature.case": Expected(75.0, 4.0, "°C"),
        }
        nothing = Waveforms(np.zeros(1), {})
        return Prediction(volts, 50.0, 25.0, quantities, {}, nothing, {"diode.temperature.case": 100.0})

    class FakePredictor:
        def __init__(self, bench, accuracy):
            self.nominal, self.accuracy = predict(bench.mains.voltage), accuracy

        def around(self, mains, ambient, load):
            calls.append((mains, ambient))
            nodes = [230.0] if mains is None else [mains * np.exp(step * SPACING) for step in (-1, 0, 1)]
            row = tuple(predict(volts, load) for volts in nodes)
            air = None if ambient is None else int(ambient)
            return OperatingGrid((row,) if air is None else (row, row), mains, air, self.accuracy)

    monkeypatch.setattr(expectation, "OperatingPointPredictor", FakePredictor)
    return calls


@pytest.fixture
def world(asked, bench_text):  # noqa: ARG001 - it stands in for the prediction
    """Return the expectations of a bench, started, and its channels."""
    bench = read_bench(bench_text)
    expected = predictor.Expectations(bench)
    expected.start()
    yield expected, {channel.name: channel for channel in bench.channel}
    expected.stop()


def settled(world, channel, at, mains=None):
    """Return what is expected once the prediction's thread has caught up with a mains reading."""
    expected, channels = world
    end = time.monotonic() + 60
    while time.monotonic() < end:
        if mains is not None:
            expected.observe(channels["line"], at, mains)
        found = expected.expected(channels[channel], at)
        if found:
            return found
        time.sleep(0.01)
    raise AssertionError("nothing is expected")


def test_the_measured_mains_replaces_the_nominal_one_with_its_tolerance(world, asked):
    found = settled(world, "vout", 1.0, mains=241.5)
    assert found.value == pytest.approx(24.15, rel=1e-5)
    assert found.uncertainty == pytest.approx(np.hypot(0.2, 24.15 * 0.005), rel=1e-3)  # the meter's 0.5 %
    assert asked[-1] == (241.5, None)


def test_the_mains_itself_keeps_to_the_bench_file(world):
    settled(world, "vout", 1.0, mains=241.5)
    assert settled(world, "line", 1.0) == Expected(230.0, 23.0, "V")


def test_a_small_change_of_mains_is_no_new_prediction(world, asked):
    settled(world, "vout", 1.0, mains=230.5)
    count = len(asked)
    expected, channels = world
    for number in range(100):
        expected.observe(channels["line"], 1.0 + number / 20, 230.5 + 0.1 * (-1) ** number)
        assert expected.expected(channels["vout"], 1.0 + number / 20) is not None
    assert len(asked) == count


def test_nothing_is_expected_while_the_mains_has_moved_far(world):
    expected, channels = world
    settled(world, "vout", 1.0, mains=230.0)
    expected.observe(channels["line"], 2.0, 180.0)
    assert expected.expected(channels["vout"], 2.0) is None
    assert settled(world, "vout", 2.0).value == pytest.approx(18.0)


def test_another_load_changes_what_is_expected_and_nothing_stands_meanwhile(world):
    expected, channels = world
    settled(world, "vout", 1.0, mains=240.0)
    plan = Plan([Step(name="unloaded", load="open")])
    plan.take(Event(1.0, "", EventKind.STEP_BEGUN, "1 of 1", EventDetails(step=1)))
    expected.follow(plan)
    expected.observe(channels["line"], 1.1, 240.0)
    assert expected.expected(channels["vout"], 1.1) is None, "what holds for another load must judge nothing"
    assert settled(world, "vout", 1.1).value == pytest.approx(30.0)
    expected.follow(Plan([]))
    assert settled(world, "vout", 1.1).value == pytest.approx(24.0)


def step_begun(plan, number, time):
    plan.take(Event(time, "", EventKind.STEP_BEGUN, f"{number} of {len(plan.steps)}", EventDetails(step=number)))
    return plan


def test_the_mains_is_judged_by_the_step_once_it_was_set(world):
    """A variable transformer at half, then turned up: nothing is wrong on the way, and 5 % from the step's is."""
    expected, channels = world
    settled(world, "vout", 1.0, mains=230.0)
    plan = Plan([Step(name="half", mains="115 V"), Step(name="all of it", mains="230 V")])
    expected.follow(step_begun(plan, 1, 1.0))
    line = channels["line"]
    expected.observe(line, 1.1, 230.0)
    assert expected.expected(line, 1.1) is None, "it is still to be turned down"
    expected.observe(line, 2.0, 113.8)
    assert expected.expected(line, 2.0) == Expected(115.0, pytest.approx(0.05 * 115.0), "V")
    expected.observe(line, 3.0, 140.0)
    assert expected.expected(line, 3.0).value == 115.0, "once set, it has to stay"
    plan.take(Event(4.0, "", EventKind.STEP_DONE, "1 of 2", EventDetails(step=1)))
    expected.follow(step_begun(plan, 2, 4.0))
    for now, volts in enumerate((125.0, 170.0, 200.0), 5):
        expected.observe(line, float(now), volts)
        assert expected.expected(line, float(now)) is None
        assert expected.expected(channels["vout"], float(now)) is None, "its meter may lag"
    settled(world, "vout", 11.0, mains=200.0)
    assert expected.expected(channels["vout"], 11.0).value == pytest.approx(20.0), "where it stands, it is judged"
    expected.observe(line, 12.0, 229.0)
    assert expected.expected(line, 12.0).value == 230.0
    for now, volts in enumerate((2.0, 120.0), 13):
        expected.observe(line, float(now), volts)
        assert expected.expected(line, float(now)) is None, "off, and turned up once more"


def test_a_step_at_a_tenth_of_the_mains_counts_as_powered(bench_text):
    bench = read_bench(bench_text + '\n[[step]]\nname = "a tenth"\nmains = "23 V"\n')
    conditions = MeasuredConditions(bench)
    conditions.observe("line", 1.0, 22.4)
    assert conditions.now(1.0) == Conditions(22.4, None)
    conditions.observe("line", 2.0, 11.0)
    assert conditions.now(2.0) is None


def test_a_silent_mains_meter_leaves_the_nominal_voltage(world):
    settled(world, "vout", 1.0, mains=241.5)
    assert settled(world, "vout", 5.0).value == pytest.approx(23.0)


def test_temperatures_rise_from_power_on_not_from_the_start(world):
    expected, channels = world
    expected.observe(channels["line"], 999.0, 1.0)
    at_power_on = settled(world, "case", 1000.0, mains=230.0)
    expected.observe(channels["line"], 1100.0, 230.0)
    assert at_power_on.value == pytest.approx(25.0)
    assert settled(world, "case", 1100.0).value == pytest.approx(25.0 + 50.0 * (1 - np.exp(-1)), abs=0.1)


def test_what_is_expected_follows_the_mains_without_steps(world):
    expected, channels = world
    settled(world, "vout", 1.0, mains=230.0)
    last = None
    for number in range(1, 401):
        expected.observe(channels["line"], 1.0 + number / 20, 230.0 + number / 200)
        found = expected.expected(channels["vout"], 1.0 + number / 20).value
        assert last is None or 0.0 < found - last < 1e-3
        last = found


def test_the_measured_ambient_is_used_where_it_is_plausible(bench_text):
    conditions = MeasuredConditions(read_bench(bench_text + AMBIENT))
    conditions.observe("line", 1.0, 230.0)
    for value in (float("inf"), float("nan"), None, 850.0, -270.0):
        conditions.observe("air", 1.0, value)
        assert conditions.now(1.0) == Conditions(230.0, None)
    conditions.observe("air", 1.0, 31.0)
    assert conditions.now(1.0) == Conditions(230.0, 31.0)
    assert conditions.now(1.1) == Conditions(230.0, 31.0)


def test_noise_is_smoothed_and_a_step_is_followed_at_once(bench):
    conditions = MeasuredConditions(bench)
    for number in range(400):
        conditions.observe("line", number * 0.05, 230.0 + (-1) ** number)
    assert conditions.now(20.0).mains_voltage == pytest.approx(230.0, abs=0.1)
    conditions.observe("line", 20.0, 200.0)
    assert conditions.now(20.0).mains_voltage == 200.0


@pytest.mark.parametrize("half_way", [1.0, 0.5, 0.1])
def test_a_step_that_a_reading_caught_half_way_is_followed_with_the_next_one(bench, half_way):
    conditions = MeasuredConditions(bench)
    for number in range(40):
        conditions.observe("line", number * 0.25, 230.0)
    conditions.observe("line", 10.0, 184.0 + half_way * 0.02 * 230.0)
    conditions.observe("line", 10.25, 184.0)
    assert conditions.now(10.25).mains_voltage == pytest.approx(184.0, abs=1e-9)
    # From there it is smoothed as before: noise of a volt averages out.
    for number in range(1, 80):
        conditions.observe("line", 10.25 + 0.25 * number, 184.0 + (-1) ** number)
    assert conditions.now(30.0).mains_voltage == pytest.approx(184.0, abs=0.2)
