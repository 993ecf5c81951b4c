"""Units of one design side by side, from sessions."""

import json
import re

import numpy as np
import pytest
from click.testing import CliRunner

from benchmon.batch import batch_as_text, batch_document, read_batch
from benchmon.bench import read_bench
from benchmon.cli.main import commands
from benchmon.errors import BadInput
from benchmon.report.html import as_page
from benchmon.watch.records import Verdict

OUTPUT = "output.voltage.mean"
FACTORS = (0.999, 1.002, 1.0, 0.998, 1.001, 0.9995, 1.0015)


def of(batch, quantity=OUTPUT):
    return next(one for one in batch.quantities if one.quantity == quantity)


@pytest.fixture
def seven(write_unit):
    return [write_unit(f"A-{number}", {OUTPUT: factor}) for number, factor in enumerate(FACTORS)]


def test_mean_and_deviation_are_those_of_the_units(seven, expected):
    found = of(read_batch(seven))
    values = np.array(FACTORS) * expected(230.0)[OUTPUT].value
    assert found.mean == pytest.approx(values.mean())
    assert found.deviation == pytest.approx(values.std(ddof=1))
    assert found.expected.value == pytest.approx(expected(230.0)[OUTPUT].value)
    assert found.expected.uncertainty == pytest.approx(expected(230.0)[OUTPUT].uncertainty)
    assert found.verdict is Verdict.AGREES
    assert found.spread == "less"


def test_one_that_differs_is_an_outlier_and_one_far_off_fails(write_unit, seven):
    odd = write_unit("B-1", {OUTPUT: 0.97})
    found = read_batch([*seven, odd])
    assert [one.serial for one in found.units if OUTPUT in one.outlying] == ["B-1"]
    assert found.failed == ()
    text = batch_as_text(found)
    assert max(map(len, text.splitlines())) <= 80
    failed = read_batch([*seven, write_unit("B-2", {OUTPUT: 0.8})])
    assert [one.serial for one in failed.failed] == ["B-2"]
    assert failed.units[-1].disagreeing == ("output",)


def test_units_that_vary_more_than_their_tolerances_are_found(write_unit):
    factors = (0.9, 1.1, 0.92, 1.09, 0.95, 1.12, 0.88)
    found = of(read_batch([write_unit(f"A-{at}", {OUTPUT: factor}) for at, factor in enumerate(factors)]))
    assert found.spread == "more"


def test_units_tested_at_different_mains_are_set_side_by_side_at_one(write_unit, expected):
    """Two sound units of nominal parts at 220 V and 240 V, 9 % apart as measured: no spread is left."""
    found = of(read_batch([write_unit("A-1", mains=220.0), write_unit("A-2", mains=240.0)]))
    apart = expected(240.0)[OUTPUT].value - expected(220.0)[OUTPUT].value
    assert apart > 1.0
    assert found.deviation < 1e-6 * apart


def test_the_latest_session_of_a_unit_counts(write_unit, seven):
    again = write_unit("A-3", {OUTPUT: 1.05}, started=4e9, name="again")
    found = read_batch([again, *seven])
    assert len(found.units) == 7
    unit = next(one for one in found.units if one.serial == "A-3")
    assert (unit.path, unit.tests) == (again, 2)
    assert any("A-3 was tested 2 times" in note for note in found.notes)


def test_what_is_left_out_is_named(write_unit, seven, tmp_path, bench):
    other = read_bench(bench.source.replace('capacitance = "10 mF"', 'capacitance = "4.7 mF"'))
    design = write_unit("C-1", of=other)
    damaged = tmp_path / "damaged.benchmon"
    damaged.write_bytes(b"no session")
    found = read_batch([*seven, design, damaged])
    assert len(found.units) == 7
    assert any("C-1.benchmon: is of another design" in note for note in found.notes)
    assert any("damaged.benchmon" in note for note in found.notes)


def test_against_a_reference_unit(write_unit, seven, expected):
    golden = write_unit("GOLD", {OUTPUT: 0.99})
    found = read_batch([*seven, golden, write_unit("B-9", {OUTPUT: 1.14})], golden)
    assert [one.serial for one in found.units if OUTPUT in one.from_reference] == ["B-9"]
    assert "GOLD" not in {one.serial for one in found.units}
    against = of(found).reference
    nominal = expected(230.0)[OUTPUT].value
    assert against.difference == pytest.approx((np.mean([*FACTORS, 1.14]) - 0.99) * nominal)
    assert "GOLD.benchmon" in as_page(batch_document(found))


def test_units_that_all_read_the_same_have_no_deviation_to_hold_against_a_limit(seven):
    found = of(read_batch(seven), "diode.temperature.case")
    assert found.capability is None
    assert found.outlying == {}


def test_a_tripped_unit_fails(write_unit, seven):
    hot = write_unit("H-1", {"diode.temperature.case": 2.2})
    found = read_batch([*seven, hot])
    assert found.units[-1].tripped == ("diode case",)
    assert [one.serial for one in found.failed] == ["H-1"]
    assert of(found, "diode.temperature.case").capability.upper == 105.0


@pytest.mark.usefixtures("seven")
def test_the_command_prints_the_contract_s_object(tmp_path):
    answer = CliRunner().invoke(commands, ["batch", str(tmp_path), "--json"], standalone_mode=False)
    found = json.loads(answer.output)
    assert {"mean", "deviation", "expected", "uncertainty", "unit"} <= found["quantities"][OUTPUT].keys()
    assert [one["serial"] for one in found["units"]] == [f"A-{number}" for number in range(7)]
    assert {"serial", "session", "verdict", "outlying"} <= found["units"][0].keys()
    assert found["units"][0]["verdict"] == "agrees"
    assert answer.return_value == 0


@pytest.mark.usefixtures("seven")
def test_the_command_writes_a_page_and_leaves_with_1_where_a_unit_failed(write_unit, tmp_path):
    write_unit("<b>B-2", {OUTPUT: 0.8}, name="bad")
    page = tmp_path / "batch.html"
    answer = CliRunner().invoke(commands, ["batch", str(tmp_path), "-o", str(page)], standalone_mode=False)
    assert answer.return_value == 1
    assert re.search(r"8 units: 7 passed, 1 failed", answer.output)
    text = page.read_text(encoding="utf-8")
    assert "&lt;b&gt;B-2" in text
    assert "ISO 16269-6" in text


def test_too_few_units_are_refused(seven):
    with pytest.raises(BadInput, match="2 units or more"):
        read_batch(seven[:1])


def test_a_unit_without_a_serial_number_is_called_after_its_file(write_unit):
    found = read_batch([write_unit("", name="one"), write_unit("", name="two")])
    assert [one.serial for one in found.units] == ["one.benchmon", "two.benchmon"]
    assert "one.benchmon" in batch_as_text(found)


@pytest.mark.long
def test_the_demo_shows_a_batch_in_which_one_unit_is_faulty(tmp_path):
    done = CliRunner().invoke(commands, ["demo", "batch", "--session", str(tmp_path / "units")])
    assert done.exit_code == 0, done.output
    assert "10 units: 9 passed, 1 failed; 1 differs from the others." in done.output
    assert re.search(r"U-07  failed: .*ripple disagrees", done.output)
    again = CliRunner().invoke(commands, ["demo", "batch", "--session", str(tmp_path / "units")])
    assert isinstance(again.exception, BadInput)
    assert len(read_batch(sorted((tmp_path / "units").iterdir())).units) == 10
