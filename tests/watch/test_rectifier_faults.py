"""Single diodes and windings of every rectifier: what the simulated bench's meters read, with a fuse that holds."""

import re
from dataclasses import replace

import numpy as np
import pytest

from benchmon.bench import SeriesResistor, load_bench, read_bench
from benchmon.prediction.circuit.parts import joined
from benchmon.watch.diagnosis.circuit_hypotheses import CircuitFaults, faults_of, sized_faults_of
from benchmon.watch.diagnosis.explainer import Explainer
from benchmon.watch.diagnosis.likelihood import Observation
from benchmon.watch.diagnosis.meter_values import meter_values, values_like
from benchmon_simulated.effects import Effects
from benchmon_simulated.scenarios import scenario_named
from benchmon_simulated.supply.parts import SupplyDefects
from benchmon_simulated.supply.supply import SupplyUnderTest
from support.faults.faulty_bench import shown
from support.supplies import RESERVOIR, supply

WITH_CORE = replace(Effects.none(), core=True)
"""An ideal bench but for the transformer, which passes no direct current: a shorted diode's is one."""


@pytest.fixture(scope="module")
def explained():
    """Return the first cause that is named for a fault of a bench whose fuse never melts."""
    explainers = {}

    def first_cause(name, defects, seconds):
        bench = load_bench(scenario_named(name).path).model_copy(update={"fuse": None})
        if name not in explainers:
            explainers[name] = Explainer(bench)
        supply = SupplyUnderTest(bench, 1, WITH_CORE)
        supply.defects = defects
        supply.advance(seconds, each=min(seconds, 5.0))
        supply.advance(0.2)
        values = supply.snapshot.values
        read = {one.name: values[one.quantity] for one in bench.channel if one.quantity in values}
        return explainers[name].explain(shown(bench, read, np.random.default_rng(1)))[0].cause

    return first_cause


@pytest.mark.parametrize(
    ("name", "number"),
    [("reservoir", 1), ("centre-tap", 1), ("centre-tap", 2), ("split-rail", 1), ("doubler", 1), ("doubler", 2)],
)
def test_a_shorted_diode_is_reported_while_the_fuse_holds(explained, name, number):
    assert (
        explained(name, SupplyDefects(diodes={number: "shorted"}), 0.5)
        == "a diode is shorted, and the fuse still holds"
    )


def test_windings_that_short_each_other_are_reported_while_the_fuse_holds(explained):
    cause = explained("reservoir", SupplyDefects(reversed_windings=frozenset({2})), 0.5)
    assert cause == "one winding is reversed: the two short each other, and the fuse still holds"


@pytest.mark.parametrize("number", [1, 2])
def test_an_open_diode_of_a_doubler_is_reported(explained, number):
    assert explained("doubler", SupplyDefects(diodes={number: "open"}), 5.0) == "a diode is open"


@pytest.mark.long
@pytest.mark.parametrize("name", ["half-wave-doubler", "tripler"])
def test_an_open_diode_and_capacitor_of_a_cascade_are_reported(explained, name):
    assert explained(name, SupplyDefects(diodes={2: "open"}), 5.0) == "a diode is open"
    assert explained(name, SupplyDefects(reservoir_left=1e-6), 5.0) == "the reservoir is open"


def test_an_open_capacitor_of_a_doubler_is_reported(explained):
    assert explained("doubler", SupplyDefects(reservoir_left=1e-6), 30.0) == "the reservoir is open"


def test_a_reversed_winding_of_a_split_rail_is_reported(explained):
    cause = explained("split-rail", SupplyDefects(reversed_windings=frozenset({2})), 30.0)
    assert cause == "one winding is reversed: each rail is charged once a period"


# Explanations of the others' faults are looked at one by one, in the quick tests too.
@pytest.mark.parametrize(
    "name",
    [
        "split-rail",
        "doubler",
        "regulated",
        *(pytest.param(name, marks=pytest.mark.long) for name in ("reservoir", "bridge", "centre-tap")),
    ],
)
def test_every_fault_of_an_example_bench_is_solved(name):
    bench = load_bench(scenario_named(name).path)
    right = meter_values(bench, bench.mains.voltage)
    solved = CircuitFaults(bench).hypotheses(bench.channel, bench.mains.voltage, right)
    assert [one.cause for one in solved] == [one.cause for one in (*faults_of(bench), *sized_faults_of(bench))]


HALF_WAVE = (
    supply(base=RESERVOIR, rectifier={"kind": "half wave"})
    + """
[[instrument]]
name = "meter"
driver = "hand"
[[channel]]
name = "whole"
instrument = "meter"
quantity = "output.voltage.rms"
accuracy = "0.5 % + 10 mV"
[[channel]]
name = "mean"
instrument = "meter"
quantity = "output.voltage.mean"
accuracy = "0.5 % + 10 mV"
"""
)
BARE_HALF_WAVE = re.sub(r"\[\[filter\]\]\n(?:\w+ = .*\n)+", "", HALF_WAVE)


@pytest.mark.parametrize("text", [HALF_WAVE, BARE_HALF_WAVE], ids=["reservoir", "bare"])
def test_every_fault_of_a_half_wave_supply_is_solved(text):
    bench = read_bench(text)
    right = meter_values(bench, bench.mains.voltage)
    solved = CircuitFaults(bench).hypotheses(bench.channel, bench.mains.voltage, right)
    assert [one.cause for one in solved] == [one.cause for one in (*faults_of(bench), *sized_faults_of(bench))]


def test_a_half_wave_supply_with_its_diode_shorted_gives_alternating_voltage():
    bench = read_bench(BARE_HALF_WAVE)
    resistance = 20.0 + 0.2 + 8.0 * (20.0 / 230.0) ** 2
    whole = 20.0 * 20.0 / resistance  # no diode is left: a divider of winding and load (closed form)
    read = [Observation(bench.channel[0], whole), Observation(bench.channel[1], 0.0)]
    assert Explainer(bench).explain(read)[0].cause == "the diode is shorted"


def test_faults_that_are_solved_at_once_read_as_each_does_alone():
    bench = read_bench(HALF_WAVE)
    right = meter_values(bench, bench.mains.voltage)
    faults = [one for one in faults_of(bench) if one.bench is bench and one.changes and not one.defects]
    parts = [fault.parts(bench.mains.voltage) for fault in faults]
    together, _ = values_like(right, bench, joined(parts))
    assert len(faults) > 5
    for values, own in zip(together, parts, strict=True):
        alone = values_like(right, bench, own)[0][0]
        for channel in bench.channel:
            expected, found = alone.of(channel.quantity), values.of(channel.quantity)
            assert found.value == pytest.approx(expected.value, rel=2e-3, abs=1e-3)
            assert found.moves == pytest.approx(expected.moves, rel=0.02, abs=2e-3 * abs(expected.value))


def read_off(bench, real, defects=None):
    """Return what the meters of `bench` read at a warm simulated supply that is the `real` one."""
    supply = SupplyUnderTest(real, 1, WITH_CORE)
    supply.defects = defects or SupplyDefects()
    supply.advance(600.0, each=60.0)
    supply.advance(0.2)
    values = supply.snapshot.values
    read = {one.name: values[one.quantity] for one in bench.channel if one.quantity in values}
    return shown(bench, read, np.random.default_rng(1))


def with_filter(bench, *parts):
    return bench.model_copy(update={"filter": parts})


@pytest.mark.long
@pytest.mark.parametrize("name", ["doubler", "split-rail"])
def test_much_too_small_reservoirs_are_named_where_there_are_two(name):
    bench = load_bench(scenario_named(name).path)
    first = bench.filter[0]
    small = first.model_copy(update={"capacitance": 0.12 * first.capacitance})
    found = Explainer(bench).explain(read_off(bench, with_filter(bench, small, *bench.filter[1:])))
    assert found[0].cause == "each reservoir has lost most of its capacitance, or a much smaller one is fitted"


@pytest.mark.long
def test_an_open_reservoir_before_a_second_one_is_no_reversed_winding():
    """The second capacitor smooths what the first leaves: the ripple of both faults is much alike."""
    bench = load_bench(scenario_named("split-rail").path)
    first = bench.filter[0]
    bench = with_filter(bench, first, SeriesResistor(kind="resistor", resistance=1.0), first)
    found = Explainer(bench).explain(read_off(bench, bench, SupplyDefects(reservoir_left=1e-6)))
    assert found[0].cause == "the reservoir is open"
