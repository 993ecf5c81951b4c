"""The rule of what a channel should read now, with predictions that say what they were asked for."""

import math

import numpy as np
import pytest

from benchmon.bench import Accuracy, read_bench
from benchmon.prediction.operating_point import SPACING, OperatingGrid
from benchmon.prediction.result import Prediction, Waveforms
from benchmon.quantities import Expected
from benchmon.watch.conditions import ChargingMains, Conditions, Smoothed
from benchmon.watch.expectation import Expectation
from support.channels import channel_of
from support.supplies import RESERVOIR, supply


def predicted(mains, ambient):
    """Return a prediction whose output is a tenth of the mains, and whose case is 50 K above the ambient."""
    quantities = {
        "mains.voltage.rms": Expected(230.0, 23.0, "V"),
        "output.voltage.rms": Expected(mains / 10, 0.2, "V"),
        "diode.temperature.case": Expected(ambient + 50.0, 4.0, "°C"),
    }
    return Prediction(mains, 50.0, ambient, quantities, {}, Waveforms(np.zeros(1), {}), {})


class Predicting:
    """Predictions of one point, or of the points `SPACING` apart around it, whatever the conditions."""

    nominal = predicted(230.0, 25.0)

    def __init__(self, *, spaced=False):
        self.spaced = spaced

    def around(self, wanted):
        volts, air = wanted.mains_voltage or 230.0, 25.0 if wanted.ambient is None else wanted.ambient
        if not self.spaced:
            return OperatingGrid(((predicted(volts, air),),), None, None, None)
        row = tuple(predicted(volts * math.exp(step * SPACING), air) for step in (-1, 0, 1))
        return OperatingGrid((row,), volts, None, Accuracy())


class State:
    """Conditions that are as they are given."""

    def __init__(self, conditions):
        self.conditions = conditions

    def now(self, _time):
        return self.conditions

    def warm_for(self, _channel, _time, _prediction):
        return None


class BenchWithTolerance:
    """As much of a bench as the rule needs."""

    channel = ()

    def __init__(self, tolerance):
        self.mains = self
        self.tolerance = tolerance


@pytest.fixture
def expected(channel):
    """Return a function that gives the value expected of a quantity under some conditions."""

    def value(quantity, conditions, tolerance=0.1):
        rule = Expectation(BenchWithTolerance(tolerance), Predicting(), State(conditions))
        found = rule.expected(channel(quantity=quantity, accuracy="1 %"), 1.0)
        return None if found is None else found.value

    return value


def test_without_mains_nothing_is_expected(expected):
    assert expected("output.voltage.rms", None) is None
    assert expected("mains.voltage.rms", None) is None


def test_a_mains_meter_that_is_silent_leaves_the_measured_ambient(expected):
    assert expected("diode.temperature.case", Conditions(None, 31.0)) == 81.0
    assert expected("output.voltage.rms", Conditions(None, 31.0)) == 23.0


def test_the_mains_keeps_to_the_bench_file_and_the_ambient_to_nothing(expected):
    assert expected("mains.voltage.rms", Conditions(250.0)) == 230.0
    assert expected("mains.voltage.rms", Conditions(250.0), tolerance=0.0) is None
    assert expected("ambient.temperature", Conditions(250.0, 31.0)) is None


def test_a_mains_that_wanders_is_not_followed_late(channel):
    """By 3 % in three minutes it moves a quarter of a volt a second; a late value is taken for a drift of all else."""
    smoothed = Smoothed(channel(quantity="mains.voltage.rms", accuracy="1 %"), 4.6)
    times = np.arange(0.0, 400.0, 0.5)
    volts = 230.0 * (1.0 + 0.03 * np.sin(2 * np.pi * times / 170.0))
    off = []
    for time, value in zip(times.tolist(), volts.tolist(), strict=True):
        smoothed.add(time, value)
        off.append(smoothed.at(time) - value)
    assert max(map(abs, off[40:])) < 0.02


@pytest.mark.parametrize(
    ("warm_up", "warm_for", "is_expected"), [({}, 60.0, False), ({}, 2000.0, True), (60.0, 60.0, True)]
)
def test_a_regulator_whose_time_constant_nobody_knows_is_judged_once_it_is_warm(
    channel, monkeypatch, warm_up, warm_for, is_expected
):
    known = {"regulator.temperature.case": warm_up} if warm_up else {}
    quantities = {"regulator.temperature.case": Expected(69.0, 14.0, "°C")}
    made = Prediction(230.0, 50.0, 25.0, quantities, {}, Waveforms(np.zeros(1), {}), known)
    predicting, state = Predicting(), State(Conditions(230.0, 25.0))
    monkeypatch.setattr(predicting, "around", lambda _: OperatingGrid(((made,),), None, None, None), raising=False)
    monkeypatch.setattr(state, "warm_for", lambda *_: warm_for, raising=False)
    rule = Expectation(BenchWithTolerance(0.1), predicting, state)
    found = rule.expected(channel(quantity="regulator.temperature.case", accuracy="1 %"), 1.0)
    assert (found is not None) is is_expected


@pytest.mark.parametrize(("load", "least", "most"), [(None, 22.8, 23.2), ("open", 22.8, 23.9), (20.0, 22.8, 23.2)])
def test_a_reservoir_without_load_may_keep_what_the_highest_mains_lately_charged_it_to(load, least, most):
    output = channel_of("output", "output.voltage.rms", "1 %")
    bench = read_bench(supply(base=RESERVOIR)).model_copy(update={"channel": (output,)})
    rule = Expectation(bench, Predicting(spaced=True), State(Conditions(230.0, load=load, charging_mains=237.0)))
    found = rule.expected(output, 1.0)
    # The stand-in predicts a tenth of the mains ± 0.2 V, at 230 and at 237 V.
    assert found.value - found.uncertainty == pytest.approx(least, abs=1e-3)
    assert found.value + found.uncertainty == pytest.approx(most, abs=1e-3)


def test_the_highest_mains_counts_while_it_may_still_be_stored_and_not_where_it_was_turned_down():
    charging = ChargingMains()
    for time, volts in ((0.0, 230.0), (60.0, 236.0), (120.0, 228.0)):
        charging.observe(time, volts)
    # RC discharge with a time constant of leakage of three hours: a hundredth of what data sheets allow.
    assert charging.at(180.0, 229.0) == pytest.approx(236.0 * math.exp(-120.0 / 10_000.0), abs=0.1)
    assert charging.at(1000.0, 229.0) == 229.0
    assert charging.at(180.0, 23.0) == pytest.approx(25.3)
