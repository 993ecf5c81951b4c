"""Faults of a second output: which causes there are, and whether the right one is named of what the meters read."""

from dataclasses import replace

import numpy as np
import pytest

from benchmon.bench import load_bench
from benchmon.watch.diagnosis.circuit_hypotheses import CircuitFaults, faults_of, told_apart
from benchmon.watch.diagnosis.explainer import Explainer
from benchmon_simulated.effects import Effects
from benchmon_simulated.scenarios import scenario_named
from benchmon_simulated.supply.parts import SupplyDefects
from benchmon_simulated.supply.supply import SupplyUnderTest
from support.faults.faulty_bench import shown

WITH_CORE = replace(Effects.none(), core=True)

CAUSES = {
    "a diode is open": SupplyDefects(diodes={1: "open"}),
    "a diode of output 2 is open": SupplyDefects(diodes={5: "open"}),
    "the reservoir of output 2 is open": SupplyDefects(second_reservoir_left=1e-6),
    "the reservoir of output 2 has dried out to half": SupplyDefects(second_reservoir_left=0.5),
    "the reservoir of output 2 has a high series resistance (ESR)": SupplyDefects(second_reservoir_esr=10.0),
    "the load of output 2 draws twice what it should": SupplyDefects(second_load=2.0),
    "the load of output 2 draws half of what it should": SupplyDefects(second_load=0.5),
    "the load of output 2 is not connected": SupplyDefects(second_load_open=True),
    "the load draws twice what it should": SupplyDefects(load=2.0),
    "nothing wrong": SupplyDefects(),
}


def causes_of(bench):
    return {fault.cause for fault in faults_of(bench)}


def test_only_what_meters_can_tell_apart_has_causes_of_its_own():
    alike = load_bench(scenario_named("split-rail").path)
    assert not [cause for cause in causes_of(told_apart(alike)) if "output 2" in cause]
    channel = alike.channel[0].model_copy(update={"quantity": "output_2.voltage.mean"})
    metered = told_apart(alike.model_copy(update={"channel": (*alike.channel, channel)}))
    for cause in ("a diode of output 2 is open", "the reservoir of output 2 is open"):
        assert cause in causes_of(metered)
    assert "the load of output 2 is not connected" in causes_of(metered)


def test_the_two_reservoirs_are_not_taken_as_of_one_capacitance():
    bench = load_bench(scenario_named("two-outputs").path)
    right = CircuitFaults(bench).right(bench.mains.voltage)
    row = list(right.unknowns).index("filter_2.0.capacitance")
    assert abs(right.of("reservoir_2.voltage.ripple").moves[row]) > 0.05
    assert abs(right.of("reservoir.voltage.ripple").moves[row]) < 0.01


@pytest.fixture(scope="module")
def explained():
    bench = load_bench(scenario_named("two-outputs").path).model_copy(update={"fuse": None})
    explainer = Explainer(bench)

    def first_cause(defects):
        supply = SupplyUnderTest(bench, 1, WITH_CORE)
        supply.defects = defects
        supply.advance(30.0, each=5.0)
        values = supply.advance(0.2).values
        read = {one.name: values[one.quantity] for one in bench.channel if one.quantity in values}
        return explainer.explain(shown(bench, read, np.random.default_rng(1)))[0].cause

    return first_cause


@pytest.mark.long
@pytest.mark.parametrize("cause", CAUSES)
def test_the_true_cause_is_named_first(explained, cause):
    assert explained(CAUSES[cause]) == cause
