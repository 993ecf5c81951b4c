"""The second output of a simulated supply: its own load, filter, regulator and faults."""

import pytest

from benchmon.bench import ResistorLoad, Step, load_bench
from benchmon.errors import BadInput
from benchmon.prediction import predict
from benchmon_simulated.commands import Commands
from benchmon_simulated.fault_schedule import FaultSchedule
from benchmon_simulated.faults import fault_named
from benchmon_simulated.scenarios import scenario_named
from benchmon_simulated.supply.supply import SupplyUnderTest

SECONDS = 2.0


def readings(bench, *faults):
    """Return the true values of a supply with `faults` (name, output), once it is settled but not warm."""
    supply = SupplyUnderTest(bench, 1)
    defects = supply.defects
    for name, which in faults:
        defects = fault_named(name)(which, supply).modify(defects, 60.0)
    supply.defects = defects
    return supply.advance(SECONDS, each=1.0).values


@pytest.fixture(scope="module")
def bench():
    return load_bench(scenario_named("two-outputs").path)


@pytest.fixture(scope="module")
def sound(bench):
    return readings(bench)


def test_a_sound_supply_reads_as_predicted(bench, sound):
    expected = predict(bench).quantities
    compared = [name for name in expected if "_2." in name and "temperature" not in name and name in sound]
    assert len(compared) > 15
    for name in compared:
        if sound[name] == sound[name]:  # a regulated output has no ripple, of which the frequency is not known
            assert abs(sound[name] - expected[name].value) <= expected[name].uncertainty, name


@pytest.mark.parametrize(
    ("fault", "what", "factor"),
    [
        ("open-reservoir", "reservoir_2.voltage.ripple", 5.0),
        ("double-load", "output_2.current.mean", 1.9),
        pytest.param("dried-reservoir", "reservoir_2.voltage.ripple", 1.7, marks=pytest.mark.long),
        pytest.param("half-load", "output_2.current.mean", 0.5, marks=pytest.mark.long),
        pytest.param("open-load", "output_2.current.mean", 0.0, marks=pytest.mark.long),
    ],
)
def test_a_fault_of_the_second_output_leaves_the_first_about_as_it_was(bench, sound, fault, what, factor):
    found = readings(bench, (fault, "2"))
    ratio = found[what] / sound[what]
    assert ratio >= factor if factor > 1.0 else ratio == pytest.approx(factor, abs=0.05)
    assert found["output.voltage.mean"] == pytest.approx(sound["output.voltage.mean"], rel=0.03)


def test_a_fault_without_an_output_is_of_the_first_or_of_both_if_they_are_alike(bench, sound):
    found = readings(bench, ("double-load", ""))
    assert found["output.current.mean"] > 1.7 * sound["output.current.mean"]
    assert found["output_2.current.mean"] == pytest.approx(sound["output_2.current.mean"], rel=0.03)
    alike = load_bench(scenario_named("split-rail").path)
    both = readings(alike, ("double-load", ""))
    assert both["output_2.current.mean"] == pytest.approx(both["output.current.mean"], rel=1e-3)
    one = readings(alike, ("double-load", "2"))
    assert one["output_2.current.mean"] > 1.7 * one["output.current.mean"]


def test_a_second_load_that_a_plan_sets_is_connected_by_a_command():
    supply = SupplyUnderTest(load_bench(scenario_named("two-outputs").path), 1)
    commands = Commands(supply, (), FaultSchedule(supply, []))
    before = supply.advance(SECONDS, each=1.0).values
    commands.execute("load_2 open")
    found = supply.advance(SECONDS, each=1.0).values
    assert found["output_2.current.mean"] == pytest.approx(0.0, abs=1e-3)
    assert found["output.current.mean"] == pytest.approx(before["output.current.mean"], rel=0.05)
    commands.execute("load_2 back")
    back = supply.advance(SECONDS, each=1.0).values
    assert back["output_2.current.mean"] == pytest.approx(before["output_2.current.mean"], rel=0.02)
    alike = load_bench(scenario_named("two-bridges").path)
    told = SupplyUnderTest(alike.model_copy(update={"step": (Step(name="cross", load_2="40 Ω"),)}), 1)
    told.set_load(30.0)
    both = told.advance(SECONDS, each=1.0).values
    assert both["output_2.current.mean"] == pytest.approx(both["output.current.mean"], rel=0.05)
    told.set_second_load(60.0)
    apart = told.advance(SECONDS, each=1.0).values
    assert apart["output_2.current.mean"] == pytest.approx(0.5 * apart["output.current.mean"], rel=0.1)
    with pytest.raises(BadInput, match="no second output"):
        SupplyUnderTest(load_bench(scenario_named("reservoir").path), 1).set_second_load("open")


def test_a_supply_of_one_output_has_no_second_one():
    supply = SupplyUnderTest(load_bench(scenario_named("reservoir").path), 1)
    with pytest.raises(BadInput, match="no output of this supply"):
        fault_named("open-reservoir")("2", supply)
    assert fault_named("open-reservoir")("", supply).place == ""


def test_one_load_across_is_simulated_with_a_capacitor_at_each_output_only(bench):
    joined = bench.rectifier.model_copy(update={"loads": "across"})
    load = ResistorLoad(kind="resistor", resistance=36.0)
    both = bench.model_copy(update={"rectifier": joined, "load": load, "load_2": None, "regulator_2": None})
    found, expected = readings(both), predict(both).quantities
    assert "output_2.voltage.mean" not in found
    for name in ("output.voltage.mean", "reservoir_2.voltage.mean", "reservoir_2.voltage.ripple"):
        assert abs(found[name] - expected[name].value) <= expected[name].uncertainty, name
    with pytest.raises(BadInput, match="only one capacitor at each is simulated"):
        SupplyUnderTest(both.model_copy(update={"filter_2": ()}), 1)
