"""The rule of what a channel should read now, with predictions that say what they were asked for."""

import numpy as np
import pytest

from benchmon.prediction.operating_point import OperatingGrid
from benchmon.prediction.result import Prediction, Waveforms
from benchmon.quantities import Expected
from benchmon.watch.conditions import Conditions, Smoothed
from benchmon.watch.expectation import Expectation


def predicted(mains, ambient):
    """Return a prediction whose output is a tenth of the mains, and whose case is 50 K above the ambient."""
    quantities = {
        "mains.voltage.rms": Expected(230.0, 23.0, "V"),
        "output.voltage.rms": Expected(mains / 10, 0.2, "V"),
        "diode.temperature.case": Expected(ambient + 50.0, 4.0, "°C"),
    }
    return Prediction(mains, 50.0, ambient, quantities, {}, Waveforms(np.zeros(1), {}), {})


class Predicting:
    """Predictions of one point, whatever the conditions."""

    nominal = predicted(230.0, 25.0)

    def around(self, wanted):
        volts, air = wanted.mains_voltage or 230.0, 25.0 if wanted.ambient is None else wanted.ambient
        return OperatingGrid(((predicted(volts, air),),), None, None, None)


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
