"""Two outputs with loads of their own: against a circuit stepped by scipy, and by what must hold of any of them."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.bench import Capacitor, Choke, CurrentLoad, OpenLoad, Regulator, ResistorLoad, Step, TwoLoads, load_bench
from benchmon.errors import PredictionError
from benchmon.findings import wording_of
from benchmon.prediction import predict
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.curves.sweep import predict_sweep
from benchmon.prediction.defects.fault_circuit import solve_fault_circuit
from benchmon.prediction.defects.wiring import Defects
from benchmon.prediction.explained.derivation import explain
from benchmon.prediction.explained.formulas import handbook_of
from benchmon.prediction.explained.wirings import wiring_costs, wirings_as_text
from benchmon.prediction.monte_carlo import monte_carlo
from benchmon.prediction.predict import with_load
from benchmon.prediction.ratings.check import check
from benchmon.prediction.solved import solve
from benchmon.quantities import at_second_output
from benchmon_simulated.scenarios import scenario_named
from support.circuits.drawn import without_core
from support.circuits.kept import stepped
from support.circuits.stepped import stepped as stepped_anew
from support.circuits.stepped import unequal

PERIODS = 30

FILTERED = (
    Capacitor(kind="capacitor", capacitance=1e-3, esr=0.05),
    Choke(kind="choke", inductance=0.02, resistance=1.0),
    Capacitor(kind="capacitor", capacitance=2.2e-3, esr=0.03),
)
OTHERS = {
    "another load": {"load_2": ResistorLoad(kind="resistor", resistance=60.0)},
    "a warm load": {
        "load_2": ResistorLoad(kind="resistor", resistance=30.0, power_rating=15.0, temperature_coefficient=4e-3)
    },
    "another filter": {"filter_2": FILTERED},
    "a regulator": {"regulator_2": Regulator(output_voltage=8.0, dropout=2.0, thermal_resistance=10.0)},
    "a current": {"filter_2": FILTERED, "load_2": CurrentLoad(kind="current", current=0.3)},
}
KINDS = ("two-bridges", "split-rail")


def bench_of(name, **parts):
    return load_bench(scenario_named(name).path).model_copy(update=parts)


def solved(bench):
    return {name: float(value[0]) for name, value in solve(bench, parts_of(bench)).quantities.items()}


def across(bench, **parts):
    """Return a bench of two bridges, stacked, with one load that takes what both loads took before."""
    joined = bench.rectifier.model_copy(update={"outputs": "stacked", "loads": "across"})
    load = bench.load.model_copy(update={"resistance": 2.0 * bench.load.resistance})
    return bench.model_copy(update={"rectifier": joined, "load": load, **parts})


def cold(name, **parts):
    """Return an example without leakage and core whose junctions stay at 25 °C, as the stepped circuit has it."""
    bench = without_core(load_bench(scenario_named(name).path))
    changes = {
        "diode": bench.diode.model_copy(update={"thermal_resistance": None}),
        "ambient": bench.ambient.model_copy(update={"temperature": 25.0}),
        "transformer": bench.transformer.model_copy(update={"leakage_inductance": 0.0}),
    }
    return bench.model_copy(update=changes | parts)


SMALL = (Capacitor(kind="capacitor", capacitance=2.2e-3, esr=0.06),)
STEPPED = {
    "split rail, more on the lower": cold("split-rail", load_2=ResistorLoad(kind="resistor", resistance=15.0)),
    "split rail, less on the lower": cold("split-rail", load_2=ResistorLoad(kind="resistor", resistance=120.0)),
    "two bridges": cold("two-bridges", load_2=ResistorLoad(kind="resistor", resistance=9.0), filter_2=SMALL),
    "two bridges, one load across": across(cold("two-bridges"), filter_2=SMALL),
}


@pytest.mark.parametrize("case", STEPPED)
def test_unequal_outputs_read_as_the_stepped_circuit(case):
    bench = STEPPED[case]
    readings = stepped(bench, unequal(bench), PERIODS)
    found = solved(bench)
    assert {name: found[name] for name in readings} == pytest.approx(readings, rel=3e-3)


@pytest.mark.long
@pytest.mark.parametrize("case", STEPPED)
def test_the_steps_that_are_kept_are_what_is_stepped_again(case):
    bench = STEPPED[case]
    drawn = unequal(bench)
    assert stepped_anew(bench, drawn, PERIODS) == pytest.approx(stepped(bench, drawn, PERIODS), rel=1e-4, abs=1e-6)


@pytest.mark.parametrize("name", ["two-bridges", pytest.param("split-rail", marks=pytest.mark.long)])
def test_a_second_load_like_the_first_changes_nothing(name):
    bench = bench_of(name)
    alone, written = predict(bench), predict(bench.model_copy(update={"load_2": bench.load}))
    assert written.quantities.keys() == alone.quantities.keys()
    for quantity, expected in alone.quantities.items():
        found = written.quantities[quantity]
        assert found.value == pytest.approx(expected.value, rel=5e-4, abs=1e-6), quantity
        assert found.uncertainty == pytest.approx(expected.uncertainty, rel=0.1, abs=1e-9), quantity


@pytest.mark.parametrize("first", [None, 30.0])
def test_a_second_load_that_is_set_is_that_of_a_bench_file_with_it(first):
    bench, ohms = bench_of("two-bridges"), 40.0
    written = {"load_2": ResistorLoad(kind="resistor", resistance=ohms, power_rating=bench.load.power_rating)}
    if first is not None:
        written["load"] = bench.load.model_copy(update={"resistance": first})
    expected = solved(bench.model_copy(update=written))
    assert solved(with_load(bench, TwoLoads(first, ohms))) == pytest.approx(expected)
    assert expected["output_2.current.mean"] < expected["output.current.mean"]


def test_a_load_that_is_set_is_at_both_outputs_until_the_second_has_its_own():
    bench = bench_of("two-bridges", step=(Step(name="cross", load_2="40 Ω"),))
    alike = solved(with_load(bench, 30.0))
    assert alike["output_2.current.mean"] == pytest.approx(alike["output.current.mean"], rel=1e-3)


def test_a_sweep_of_the_second_load_is_that_of_the_first_seen_from_there():
    bench = bench_of("two-bridges", load_2=ResistorLoad(kind="resistor", resistance=25.0))
    values = [0.2, 0.4, 0.6]
    found = predict_sweep(bench, "load_2.current", values, load=30.0)
    other = predict_sweep(bench.seen_from_output_2(), "load.current", values, load=TwoLoads(None, 30.0))
    for point, mirrored in zip(found.points, other.points, strict=True):
        for name in ("output.voltage.mean", "output.current.mean", "reservoir.voltage.ripple"):
            there = at_second_output(name)
            assert point.quantities[there].value == pytest.approx(mirrored.quantities[name].value, rel=1e-3)
            assert point.quantities[name].value == pytest.approx(mirrored.quantities[there].value, rel=1e-3)
    figures, of_mirrored = ({one.name: one.value for one in each.figures} for each in (found, other))
    assert figures == pytest.approx(of_mirrored, rel=5e-3)
    # What loads one winding lowers the other only through what both share, the primary (circuit theory).
    first, last = found.points[0].quantities, found.points[-1].quantities
    falls = [first[name].value - last[name].value for name in ("output.voltage.mean", "output_2.voltage.mean")]
    assert 0.0 < falls[0] < 0.8 * falls[1]


QUICK = {("two-bridges", "a regulator"), ("split-rail", "another load")}
CASES = [
    pytest.param(name, other, marks=() if (name, other) in QUICK else pytest.mark.long)
    for name in KINDS
    for other in OTHERS
]


@pytest.mark.parametrize(("name", "other"), CASES)
def test_outputs_that_are_exchanged_read_exchanged_and_both_engines_agree(name, other):
    bench = bench_of(name, **OTHERS[other])
    found, exchanged = solved(bench), solved(bench.seen_from_output_2())
    by_diode = solve_fault_circuit(bench, parts_of(bench), Defects()).quantities
    assert found.keys() == by_diode.keys()
    for quantity, value in found.items():
        floor = 1e-3 if quantity.endswith(".thd") else 2e-4
        # The engine by diodes has half as many instants.
        assert by_diode[quantity][0] == pytest.approx(value, rel=6e-3, abs=floor), quantity
        second = at_second_output(quantity)
        if second in exchanged:
            assert exchanged[second] == pytest.approx(value, rel=1e-3, abs=1e-4), quantity


@settings(max_examples=4)
@given(first=st.floats(12.0, 200.0), ohms=st.floats(12.0, 200.0), less=st.floats(0.3, 0.9), name=st.sampled_from(KINDS))
def test_more_load_on_one_output_lowers_that_one_more_than_the_other(first, ohms, less, name):
    loads = [ResistorLoad(kind="resistor", resistance=each) for each in (first, ohms, less * ohms)]
    light, heavy = (solved(bench_of(name, load=loads[0], load_2=load)) for load in loads[1:])
    fall, others = (light[f"{point}.voltage.mean"] - heavy[f"{point}.voltage.mean"] for point in ("output_2", "output"))
    assert fall > others > -1e-6
    assert heavy["mains.power.active"] > light["mains.power.active"]


@pytest.mark.parametrize("name", KINDS)
def test_a_lighter_and_lighter_second_load_ends_as_none(name):
    idle = solved(bench_of(name, load_2=OpenLoad(kind="open")))
    light = solved(bench_of(name, load_2=ResistorLoad(kind="resistor", resistance=1e6)))
    volts = idle["output_2.voltage.mean"]
    assert light["output_2.voltage.mean"] == pytest.approx(volts, rel=0.05)
    assert light["output_2.voltage.mean"] < volts
    assert idle["output_2.current.mean"] == 0.0
    whole = [quantity for quantity in idle if "_2." not in quantity and not quantity.endswith("_factor")]
    assert {each: light[each] for each in whole} == pytest.approx({each: idle[each] for each in whole}, rel=1e-3)


@pytest.mark.parametrize("name", KINDS)
def test_what_goes_in_is_what_loads_and_copper_and_diodes_take(name):
    bench = bench_of(name, load_2=ResistorLoad(kind="resistor", resistance=60.0))
    bench = without_core(bench)
    found, other = solved(bench), solved(bench.seen_from_output_2())
    transformer, fuse = bench.transformer, bench.fuse.resistance
    taken = found["output.power.mean"] + found["output_2.power.mean"]
    for one in (found, other):
        taken += 4.0 * one["diode.power.mean"] / (1.0 if name == "two-bridges" else 2.0)
        taken += transformer.secondary_resistance * one["secondary.current.rms"] ** 2
        taken += bench.filter[0].esr * one["reservoir.current.rms"] ** 2
    taken += (transformer.primary_resistance + fuse) * found["mains.current.rms"] ** 2
    assert found["mains.power.active"] == pytest.approx(taken, rel=2e-3)


def test_one_load_across_stacked_outputs_is_half_of_it_on_each():
    bench = bench_of("two-bridges")
    each, one = solved(bench), solved(across(bench))
    assert not [name for name in one if name.startswith(("output_2", "load_2"))]
    assert one["output.voltage.mean"] == pytest.approx(2.0 * each["output.voltage.mean"], rel=1e-4)
    assert one["reservoir_2.voltage.ripple"] == pytest.approx(each["reservoir.voltage.ripple"], rel=1e-3)
    assert one["mains.power.active"] == pytest.approx(each["mains.power.active"], rel=1e-4)


def test_how_outputs_are_joined_changes_no_reading():
    bench = bench_of("two-bridges", load_2=ResistorLoad(kind="resistor", resistance=60.0))
    stacked = bench.model_copy(update={"rectifier": bench.rectifier.model_copy(update={"outputs": "stacked"})})
    assert solved(bench) == solved(stacked)


def test_only_two_outputs_have_a_second_one():
    assert not [name for name in solved(bench_of("bridge")) if "_2." in name]
    assert [name for name in solved(bench_of("split-rail")) if name.startswith("output_2.")]


@pytest.mark.long
def test_the_second_output_has_margins_of_its_own():
    rated = ResistorLoad(kind="resistor", resistance=60.0, power_rating=2.0)
    found = check(bench_of("two-bridges", load_2=rated))
    margins = {one.name: one for one in found.margins}
    assert "The load of output 2 dissipates" in " ".join(found.cautions)
    assert margins["load power"].ok
    assert not margins["load power of output 2"].ok
    assert margins["capacitor 1 ripple current of output 2"].value < margins["capacitor 1 ripple current"].value


def test_a_choke_that_a_current_holds_is_refused_at_the_second_output_too():
    bench = bench_of("split-rail", filter_2=FILTERED[:2], load_2=CurrentLoad(kind="current", current=0.2))
    with pytest.raises(PredictionError, match="second output"):
        predict(bench)


@pytest.mark.long
def test_an_explanation_of_the_second_output_is_that_of_the_first_seen_from_there():
    bench = bench_of("two-bridges", load_2=ResistorLoad(kind="resistor", resistance=60.0))
    there = explain(bench, "output_2.voltage.mean")
    here = explain(bench.seen_from_output_2(), "output.voltage.mean")
    assert there.handbook == here.handbook
    assert [one.label for one in there.ladder.effects] == [one.label for one in here.ladder.effects]
    changes = [[one.change for one in each.ladder.effects] for each in (there, here)]
    assert changes[0] == pytest.approx(changes[1], abs=2e-3)


def test_handbooks_have_each_output_alone():
    bench = bench_of("two-bridges", load_2=ResistorLoad(kind="resistor", resistance=60.0))
    quantity, seen = "output.voltage.mean", bench.seen_from_output_2()
    assert handbook_of(bench, "output_2.voltage.mean", 230.0) == handbook_of(seen, quantity, 230.0)
    assert handbook_of(bench, "mains.power.active", 230.0).value is None


@pytest.mark.long
def test_wirings_cost_what_both_loads_take():
    bench = bench_of("two-bridges", load_2=ResistorLoad(kind="resistor", resistance=60.0))
    own, *others = wiring_costs(bench)
    found = solved(bench)
    assert own.power == pytest.approx(found["output.power.mean"] + found["output_2.power.mean"], rel=1e-6)
    assert {one.kind for one in others} >= {"bridge", "split rail"}
    assert all(one.power == pytest.approx(own.power, rel=0.01) for one in others)


def test_draws_of_a_warm_second_load_are_those_of_full_solutions_and_take_the_fast_way():
    bench = bench_of("two-bridges", **OTHERS["a warm load"])
    fast, full = (monte_carlo(bench, 60, seed=23, fast=each) for each in (True, False))
    assert fast.solved_in_full <= 6
    for name in ("load_2.temperature", "output_2.voltage.mean", "output_2.current.rms", "mains.power.active"):
        # All draws are of one seed, so they differ by the methods alone.
        assert fast.values[name].std() == pytest.approx(full.values[name].std(), rel=0.02), name
        assert fast.values[name] == pytest.approx(full.values[name], abs=0.5 * full.values[name].std()), name


@pytest.mark.parametrize(
    "regulators",
    [
        {"regulator": Regulator(output_voltage=9.0, dropout=2.0)},
        pytest.param({"regulator_2": Regulator(output_voltage=8.0, dropout=2.0)}, marks=pytest.mark.long),
    ],
)
def test_regulated_outputs_that_differ_are_compared_by_the_power_of_both_loads(regulators):
    bench = bench_of("two-bridges", load_2=ResistorLoad(kind="resistor", resistance=60.0), **regulators)
    own, *others = wiring_costs(bench)
    assert {"bridge", "split rail"} <= {one.kind for one in others}
    assert all(one.power == pytest.approx(own.power, rel=0.01) for one in others)
    if "regulator" in regulators:
        assert own.power == pytest.approx(9.0**2 / bench.load.resistance + 9.0**2 / 60.0, rel=0.01)
        assert all(one.output == pytest.approx(9.0, rel=0.01) for one in others)
        assert "filter and regulator of the first output" in wirings_as_text([own, *others])


def test_a_second_regulator_that_starves_is_said():
    bench = bench_of("two-bridges", regulator_2=Regulator(output_voltage=12.0, dropout=2.0))
    words = [wording_of(finding) for finding in predict(bench).findings]
    assert any("The regulator of output 2 starves" in each for each in words)
