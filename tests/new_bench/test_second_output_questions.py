"""The second of two outputs in `benchmon new`: its own filter, regulator and load, new or in a file that is there."""

from __future__ import annotations

from importlib.resources import files

import pytest

from benchmon.bench import read_bench
from benchmon.errors import BadInput
from benchmon.new_bench.bench_maker import BenchMaker
from benchmon.new_bench.filter_questions import answer_without_part

TWO_OUTPUTS = (files("benchmon_simulated") / "benches" / "two-outputs.toml").read_text(encoding="utf-8")
SPLIT_RAIL = (files("benchmon_simulated") / "benches" / "split-rail.toml").read_text(encoding="utf-8")
OWN_PARTS = """
[[filter_2]]  # the negative side
kind = "capacitor"
capacitance = "1 mF"    # what was in the drawer

[[filter_2]]
kind = "choke"
inductance = "5 mH"     # wound by hand
resistance = "0.4 Ω"

[[filter_2]]
kind = "capacitor"
capacitance = "2.2 mF"
esr = "50 mΩ"           # measured
"""


def answered(tmp_path, answers, base=""):
    maker = BenchMaker(tmp_path / "bench.toml", base)
    for name, typed in answers.items():
        maker.answer(name, typed)
    return maker


def test_a_new_supply_has_a_second_output_of_its_own(tmp_path):
    maker = answered(
        tmp_path,
        {
            "rectifier.kind": "split rail",
            "filter.capacitance": "10 mF",
            "regulator.output_voltage": "15 V",
            "filter_2.own": "its own",
            "filter_2.capacitance": "2200u",
            "filter_2.chain": "reservoir, choke, second capacitor",
            "choke_2.1.inductance": "3 mH",
            "regulator_2.own": "its own",
            "regulator_2.output_voltage": "5",
            "load_2.kind": "current",
            "load_2.current": "0.2",
        },
    )
    bench = maker.supply()
    assert [part.kind for part in bench.filter_2] == ["capacitor", "choke", "capacitor"]
    assert (bench.filter_2[0].capacitance, bench.filter_2[1].inductance) == (0.0022, 0.003)
    assert [part.capacitance for part in bench.filter] == [0.01]
    assert (bench.regulator.output_voltage, bench.regulator_2.output_voltage, bench.load_2.current) == (15.0, 5.0, 0.2)
    again = BenchMaker(maker.path, maker.text())
    assert again.text() == maker.text()
    assert again.asked()["choke_2.1.inductance"] == "3 mH"


def test_what_the_first_output_has_is_usual_for_the_second(tmp_path):
    maker = answered(
        tmp_path,
        {
            "rectifier.kind": "two bridges",
            "filter.capacitance": "10 mF",
            "filter.voltage_rating": "63 V",
            "filter.chain": "reservoir, resistor, second capacitor",
            "resistor.1.resistance": "2.2 Ω",
            "regulator.output_voltage": "12 V",
            "filter_2.own": "its own",
            "regulator_2.own": "its own",
        },
    )
    bench = maker.supply()
    assert bench.filter_2 == bench.filter
    assert bench.regulator_2 == bench.regulator
    marked = [line for line in maker.text().splitlines() if line.startswith('voltage_rating = "63 V"')]
    assert ["not confirmed" in line for line in marked] == [False, True]


def test_a_second_output_has_no_regulator_where_the_first_has_one_and_again_one(tmp_path):
    one = answered(tmp_path, {"regulator.output_voltage": "12 V", "regulator_2.own": "none"}, SPLIT_RAIL).text()
    assert read_bench(one).regulator_2 == "none"
    assert BenchMaker(tmp_path / "bench.toml", one).text() == one
    own = answered(tmp_path, {"regulator_2.own": "its own", "regulator_2.output_voltage": "9 V"}, one).text()
    assert read_bench(own).regulator_2.output_voltage == 9.0
    alike = answered(tmp_path, {"regulator_2.own": "like the first"}, own)
    assert alike.supply().regulator_2 is None
    assert alike.supply().second_regulator.output_voltage == 12.0


def test_a_second_output_without_a_filter_is_no_one_like_the_first(tmp_path):
    none = answered(tmp_path, {"filter_2.own": "its own", "filter_2.capacitance": "none"}, SPLIT_RAIL).text()
    assert read_bench(none).filter_2 == ()
    again = answered(tmp_path, {}, none)
    assert (again.asked()["filter_2.own"], again.asked()["filter_2.capacitance"]) == ("its own", "none")
    assert again.text() == none
    again.answer("filter_2.capacitance", "1 mF")
    assert [part.capacitance for part in again.supply().filter_2] == [0.001]
    assert answered(tmp_path, {"filter_2.own": "like the first"}, none).supply().filter_2 is None


def test_comments_stay_where_parts_of_the_second_output_are_changed(tmp_path):
    base = SPLIT_RAIL.replace("\n[ambient]", f"{OWN_PARTS}\n[ambient]", 1)
    assert BenchMaker(tmp_path / "bench.toml", base).text() == base
    maker = answered(tmp_path, {"choke_2.1.inductance": "8 mH", "filter_2.ripple_current_rating": "2 A"}, base)
    gone = set(base.splitlines()) - set(maker.text().splitlines())
    assert gone == {'inductance = "5 mH"     # wound by hand'}
    assert 'inductance = "8 mH"     # wound by hand' in maker.text()
    assert maker.supply().filter_2[0].ripple_current_rating == 2.0
    maker.answer("filter_2.chain", "the reservoir alone")
    assert [part.kind for part in maker.supply().filter_2] == ["capacitor"]
    assert [part.kind for part in maker.supply().filter] == [part.kind for part in read_bench(base).filter]
    assert "# what was in the drawer" in maker.text()


def test_parts_of_the_second_output_come_one_by_one(tmp_path):
    maker = answered(
        tmp_path,
        {
            "filter_2.own": "its own",
            "filter_2.chain": "other parts, one by one",
            "part_2.1.kind": "resistor before the reservoir",
            "resistor_2.1.resistance": "0.5 Ω",
            "part_2.2.kind": "resistor",
            "resistor_2.2.resistance": "4.7 Ω",
        },
        SPLIT_RAIL,
    )
    parts = maker.supply().filter_2
    assert [part.kind for part in parts] == ["resistor", "capacitor", "resistor"]
    assert (parts[0].resistance, parts[2].resistance) == (0.5, 4.7)
    maker.given |= answer_without_part(maker.asked(), "resistor_2.1.resistance")
    assert [part.kind for part in maker.supply().filter_2] == ["capacitor", "resistor"]
    assert maker.supply().filter == read_bench(SPLIT_RAIL).filter


@pytest.mark.parametrize(
    ("name", "typed", "why"),
    [
        ("filter_2.capacitance", "-1 mF", "at least"),
        ("regulator_2.output_voltage", "none", "none"),
        ("regulator_2.dropout", "2 A", "V"),
    ],
)
def test_what_no_second_output_takes_is_refused(name, typed, why, tmp_path):
    maker = answered(tmp_path, {}, TWO_OUTPUTS)
    maker.answer("filter_2.own", "its own")
    with pytest.raises(BadInput, match=why):
        maker.answer(name, typed)


def test_how_two_bridges_are_joined_is_asked_and_one_load_may_be_across_both(tmp_path):
    maker = answered(tmp_path, {"rectifier.kind": "two bridges"})
    assert maker.supply().rectifier.outputs == "isolated"
    maker.answer("rectifier.outputs", "stacked")
    maker.answer("regulator.output_voltage", "12 V")
    maker.answer("load_2.kind", "current")
    maker.answer("rectifier.loads", "across")
    bench = maker.supply()
    assert (bench.rectifier.outputs, bench.rectifier.loads) == ("stacked", "across")
    assert (bench.regulator, bench.load_2) == (None, None)
    again = answered(tmp_path, {"rectifier.kind": "bridge"}, maker.text()).supply()
    assert (again.rectifier.outputs, again.rectifier.loads) == ("isolated", "each")


def test_another_rectifier_takes_all_of_the_second_output_away(tmp_path):
    none = answered(tmp_path, {"regulator_2.own": "none", "filter_2.capacitance": "none"}, TWO_OUTPUTS).text()
    assert read_bench(none).filter_2 == ()
    changed = answered(tmp_path, {"rectifier.kind": "bridge", "transformer.windings": "one winding"}, none).text()
    assert "_2" not in changed


def test_steps_and_sweeps_may_set_the_load_of_the_second_output(tmp_path):
    own = {"plan.stages": "by steps of", "step.1.load_2": "60 Ω", "sweep.1.over": "load_2.current"}
    maker = answered(tmp_path, own, SPLIT_RAIL)
    bench = maker.bench()
    assert bench.step[0].load_2 == 60.0
    assert bench.sweep[0].over == "load_2.current"
    again = BenchMaker(maker.path, maker.text())
    again.answer("plan.stages", "by steps of")
    assert again.text() == maker.text()
    assert "step.1.load_2" not in answered(tmp_path, {"plan.stages": "by steps of"}).asked(), "a bridge has one output"
