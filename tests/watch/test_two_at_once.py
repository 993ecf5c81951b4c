"""Two things wrong at once: a fault of the circuit beside a meter's mistake, and two meters' mistakes."""

from __future__ import annotations

from collections.abc import Mapping

import pytest

from benchmon.bench import Bench, load_bench
from benchmon.watch.diagnosis.circuit_hypotheses import CircuitFaults
from benchmon.watch.diagnosis.explainer import NONE_OF_THESE, Explainer
from benchmon.watch.diagnosis.likelihood import Observation
from benchmon.watch.diagnosis.meter_values import meter_values
from benchmon_simulated.scenarios import scenario_named


@pytest.fixture(scope="module")
def bench() -> Bench:
    return load_bench(scenario_named("reservoir").path)


@pytest.fixture(scope="module")
def explainer(bench: Bench) -> Explainer:
    return Explainer(bench)


@pytest.fixture(scope="module")
def readings(bench: Bench) -> dict[str, dict[str, float]]:
    """What channels read with each fault of the circuit, by its cause; "" for none."""
    mains = bench.mains.voltage
    right = meter_values(bench, mains)
    sound = {one.name: value.value for one in bench.channel if (value := right.of(one.quantity)) is not None}
    found = {"": sound}
    for fault in CircuitFaults(bench).hypotheses(bench.channel, mains, right):
        found[fault.cause] = {name: value.value for name, value in fault.readings.items()}
    return found


def seen(bench: Bench, values: Mapping[str, float], factors: Mapping[str, float]) -> list[Observation]:
    return [
        Observation(one, values[one.name] * factors.get(one.name, 1.0)) for one in bench.channel if one.name in values
    ]


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"winding current": 10.0}, "the clamp's ratio is 10 times too large"),
        ({"mains current": 0.1}, "the clamp's ratio is 10 times too small"),
        # Its offset is as large as what is left, so that nothing tells these apart.
        (
            {"output": 0.001},
            "the meter is not connected, or its own fuse has blown, or a unit prefix is 1000 times too small",
        ),
    ],
)
def test_a_fault_and_a_meters_mistake_are_both_named(bench, explainer, readings, wrong, words):
    found = explainer.explain(seen(bench, readings["a diode is open"], wrong))
    [channel] = wrong
    assert found[0].cause == f"a diode is open; {channel}: {words}"
    assert "a diode is open" in found[0].message
    assert "switch off" in found[0].message
    assert found[0].channels == (channel,)


def test_two_meters_mistakes_are_both_named(bench, explainer, readings):
    found = explainer.explain(seen(bench, readings[""], {"mains current": 10.0, "output": -1.0}))
    assert sorted(found[0].cause.split("; ")) == [
        "mains current: the clamp's ratio is 10 times too large",
        "output: its polarity is reversed",
    ]
    assert set(found[0].channels) == {"mains current", "output"}


def test_beside_a_fault_a_meter_may_be_wrong_in_a_way_that_is_not_known(bench, explainer, readings):
    found = explainer.explain(seen(bench, readings["a diode is open"], {"winding current": 3.7}))
    assert found[0].cause == "a diode is open; winding current: reads wrong besides"


def test_one_cause_that_fits_is_not_made_two(bench, explainer, readings):
    for values in readings.values():
        # Several single causes may fit as well, such as two joints; a pair needs more than one fault shows.
        assert "; " not in explainer.explain(seen(bench, values, {}))[0].cause


def test_three_wrong_meters_are_none_of_these(bench, explainer, readings):
    factors = {"mains current": 2.3, "output": 0.37, "winding current": 3.7, "diode current": 5.1}
    assert explainer.explain(seen(bench, readings[""], factors))[0].cause == NONE_OF_THESE
