"""The cautions of a step: what is true of it, with its numbers, and nothing else."""

import numpy as np
import pytest

from benchmon.bench import Capacitor, Step
from benchmon.prediction.result import Prediction, Waveforms
from benchmon.quantities import Expected
from benchmon.watch.plan import Plan, step_cautions

STEPS = (
    Step(name="a", mains="23 V", load="open"),
    Step(name="b", mains="230 V"),
    Step(name="c", load="6 Ω"),
    Step(name="d", mains="115 V"),
)


def predicted(**values):
    units = {"output.power.mean": "W", "diode.temperature.case": "°C", "reservoir.voltage.peak": "V"}
    quantities = {name: Expected(values[name.split(".")[0]], 0.1, unit) for name, unit in units.items()}
    return Prediction(230.0, 50.0, 25.0, quantities, {}, Waveforms(np.zeros(2), {}))


@pytest.fixture
def bench():
    class Bench:
        reservoir = Capacitor(kind="capacitor", capacitance="10 mF")
        outputs_apart = False
        load_2 = None

    return Bench


def shown(place, bench, prediction=None):
    return " ".join(step_cautions(Plan(STEPS), place, bench, prediction.quantities if prediction else {}))


def test_a_reservoir_without_load_keeps_its_charge(bench):
    cold = predicted(output=0.0, diode=25.0, reservoir=29.0)
    assert "holds 29.0 V and 4.2 J; without load it keeps them" in shown(2, bench, cold)
    assert "keeps them" not in shown(3, bench, cold)
    assert "more than is safe to touch" in shown(3, bench, predicted(output=0.0, diode=25.0, reservoir=90.0))


def test_a_reservoir_that_may_hold_a_higher_charge_is_to_be_emptied_before_a_step_without_load(bench):
    empty = "Discharge the reservoir through a resistor first, and measure that it is empty"
    assert empty in shown(1, bench)
    assert empty not in shown(2, bench), "the mains goes up, and charges it"
    assert empty not in shown(4, bench), "its load discharges it"
    down = Plan((STEPS[1], Step(name="down", mains="23 V", load="open"), Step(name="further", mains="10 V")))
    assert empty in " ".join(step_cautions(down, 3, bench, {}))


def test_heat_is_reported_where_there_is_heat(bench):
    hot = predicted(output=75.0, diode=85.0, reservoir=29.0)
    assert "turns 75 W into heat" in shown(3, bench, hot)
    assert "Diodes settle near 85 °C" in shown(3, bench, hot)
    assert "into heat" not in shown(2, bench, hot), "an open load turns nothing into heat"
    assert "settle" not in shown(3, bench, predicted(output=0.5, diode=30.0, reservoir=29.0))


def test_a_change_of_load_and_a_rise_of_mains_have_theirs(bench):
    assert "Fuse in" in shown(1, bench)
    assert "Turn the mains up slowly" in shown(2, bench)
    assert "Before you change the load: switch off" in shown(3, bench)
    assert shown(4, bench) == "", "turning down changes nothing else"
