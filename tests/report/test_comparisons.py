"""Sessions side by side: corrections, differences and what they mean."""

import json
import math
import re
from itertools import count

import click
import numpy as np
import pytest
from click.testing import CliRunner

from benchmon.bench import read_bench
from benchmon.cli.main import commands
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.report.comparison.comparison import compare, supply_of
from benchmon.report.comparison.key_figures import key_figures, topology_remarks
from benchmon.report.comparison.output import comparison_as_text, comparison_document, wave_comparison_section
from benchmon.report.document import DocumentFigure, Table
from benchmon.report.html import as_page
from benchmon.report.session_reader import RecordedSession
from benchmon.watch.records import Event, EventDetails, Forecast, Waveform

OUTPUT = "output.voltage.mean"


def compared(found, quantity=OUTPUT):
    return next(one for one in found.compared if one.quantity == quantity)


@pytest.fixture
def two(write_session):
    """Return a function that writes two sessions, each as given, and opens them."""

    numbers = count()

    def make(first=None, second=None):
        return [
            RecordedSession(write_session(f"{name}{next(numbers)}.benchmon", **(given or {})))
            for name, given in (("before", first), ("after", second))
        ]

    return make


def test_one_supply_at_two_mains_voltages_shows_no_difference(two):
    """Measured at 218 V and at 241 V: 10 % apart as measured, the same at a common mains."""
    found = compare(two({"mains": 218.0}, {"mains": 241.0}))
    first, second = compared(found).values
    assert second.measured / first.measured == pytest.approx(1.11, abs=0.02)
    assert second.corrected == pytest.approx(first.corrected, rel=2e-3)
    for one in found.compared:
        difference = one.differences[0]
        assert difference.significant is False, one.quantity
        assert difference.as_expected is True, one.quantity
    assert found.mains == pytest.approx((found.found[0].mains + found.found[1].mains) / 2)
    assert "corrected by the prediction" in found.notes[0]


def test_correction_costs_certainty(two):
    near = compare(two({"mains": 230.0}, {"mains": 231.0}))
    far = compare(two({"mains": 215.0}, {"mains": 245.0}))
    assert compared(far).values[0].uncertainty > 2 * compared(near).values[0].uncertainty
    assert compared(near).values[0].uncertainty > compared(near).values[0].measured_uncertainty


def test_a_fault_that_came_between_is_significant_and_not_expected(two):
    found = compare(two(None, {"spoil": {"reservoir.voltage.ripple": 1.9}}))
    ripple = compared(found, "reservoir.voltage.ripple").differences[0]
    assert (ripple.significant, ripple.as_expected) == (True, False)
    assert ripple.expected == pytest.approx(0, abs=1e-6)
    others = [one for one in found.compared if one.quantity != "reservoir.voltage.ripple"]
    assert not any(one.differences[0].significant for one in others)


def with_rectifier(bench, kind, connection="single"):
    text = bench.source.replace('kind = "centre tap"', f'kind = "{kind}"')
    return read_bench(text.replace('connection = "series"', f'connection = "{connection}"'))


def test_one_diode_drop_more_is_expected_and_measured(two, benches, expectations):
    """The same two windings, once as a centre tap, once side by side before a bridge: one drop more."""
    tap = benches["centre-tap"]
    bridge = with_rectifier(tap, "bridge", "parallel")
    found = compare(two({"bench": tap}, {"bench": bridge}), 230.0)
    difference = compared(found).differences[0]
    expected = [expectations(bench, 230.0).quantities[OUTPUT].value for bench in (tap, bridge)]
    assert difference.expected == pytest.approx(expected[1] - expected[0], abs=0.02)
    assert (difference.significant, difference.as_expected) == (True, True)
    remark = "".join(topology_remarks(found))
    assert "B is a bridge, A a centre tap, one diode drop more in the path" in remark
    assert f"expected {difference.expected:+.2f} V".replace("-", "−") in remark
    losses = next(one for one in key_figures(found) if one.name == "loss in all rectifier diodes")
    assert losses.values[1] > 1.5 * losses.values[0]
    shown = {line[:40].rstrip(): line.split()[-2:] for line in comparison_as_text(found).splitlines()}
    assert shown["rectifier diodes"] == ["2", "4"]
    assert shown["diode drops in the current path"] == ["1", "2"]
    assert losses.measured == (False, False)


def test_temperatures_are_where_they_settle(two):
    more = [Forecast("diode case", 20.0, "rising", 0.1, 70.0, 2.0)]
    found = compare(two({"more": more}, {"spoil": {"diode.temperature.case": 0.9}}))
    case = compared(found, "diode.temperature.case").values
    assert case[0].measured == 70.0
    assert case[0].measured_uncertainty == pytest.approx(math.hypot(2.0, 0.005 * 70 + 1.5))
    assert case[1].measured < 60


def test_without_a_mains_channel_nothing_is_corrected_and_it_says_so(two, benches):
    text = benches["reservoir"].source.replace('quantity = "mains.voltage.rms"', 'quantity = "secondary.voltage.rms"')
    other = read_bench(text)
    found = compare(two({"bench": other}, None))
    first = compared(found).values[0]
    assert first.corrected == first.measured
    assert any("Not corrected: A" in note for note in found.notes)


def test_a_quantity_that_only_one_session_has_is_shown_without_a_difference(two):
    def silent(channel, _now, value):
        return None if channel.name == "ripple" else value

    found = compare(two(None, {"values": silent}))
    ripple = compared(found, "reservoir.voltage.ripple")
    assert ripple.values[0].is_measured
    assert not ripple.values[1].is_measured
    assert ripple.differences[0].significant is None
    assert "reservoir.voltage.ripple" in comparison_as_text(found)


def test_the_supply_is_known_by_its_parts_not_by_its_meters(benches):
    bench = benches["reservoir"]
    other = read_bench(
        bench.source.replace('title = "', 'title = "another ').replace('accuracy = "1 K"', 'accuracy = "2 K"')
    )
    changed = read_bench(bench.source.replace('capacitance = "10 mF"', 'capacitance = "4.7 mF"'))
    assert supply_of(other) == supply_of(bench)
    assert supply_of(changed) != supply_of(bench)


def test_three_sessions_are_compared_with_the_first(write_session):
    sessions = [RecordedSession(write_session(f"{mains}.benchmon", mains=mains)) for mains in (220.0, 230.0, 240.0)]
    found = compare(sessions)
    assert len(compared(found).differences) == 2
    assert "C − A" in as_page(comparison_document(found))
    lines = comparison_as_text(found).splitlines()
    assert sum(line.startswith("  C  ") for line in lines) == len(found.compared)
    assert [line for line in lines if len(line) > 80] == []


def test_one_session_is_no_comparison(write_session):
    with pytest.raises(BadInput, match="2 to"):
        compare([RecordedSession(write_session())])


def test_heat_is_never_taken_from_a_measured_and_a_predicted_value(two):
    """The line's power is measured, the output's is not: their difference would be the deviation of the first."""
    found = compare(two(None, {"spoil": {"mains.power.active": 1.1}}))
    heat = next(one for one in key_figures(found) if one.name == "heat in the supply")
    predicted = found.predictions[0].quantities
    assert heat.measured == (False, False)
    assert heat.values[1] == pytest.approx(predicted["mains.power.active"].value - predicted["output.power.mean"].value)


def test_copper_loss_is_that_of_a_hand_calculation(two):
    found = compare(two())
    loss = next(one for one in key_figures(found) if one.name == "copper loss of the transformer")
    transformer = found.found[0].bench.transformer
    line, winding = (compared(found, f"{place}.current.rms").values[0].corrected for place in ("mains", "secondary"))
    windings = transformer.secondaries * winding**2 * transformer.secondary_resistance
    assert loss.values[0] == pytest.approx(line**2 * transformer.primary_resistance + windings)
    assert loss.measured == (True, True)


def with_identity(sessions, first, second):
    for session, identity in zip(sessions, (first, second), strict=True):
        session.identities.update({one.name: identity for one in session.bench.instrument})
    return sessions


def test_the_error_of_one_meter_all_but_cancels(two):
    """Fully correlated gain errors leave rel * difference of a difference (JCGM 100:2008, F.1.2.3)."""
    one = compare(with_identity(two(None, {"spoil": {OUTPUT: 1.02}}), "meter 7", "meter 7"))
    other = compare(with_identity(two(None, {"spoil": {OUTPUT: 1.02}}), "meter 7", "meter 8"))
    same, apart = (compared(found).differences[0] for found in (one, other))
    assert (same.same_meter, apart.same_meter) == (True, False)
    assert same.measured == apart.measured
    assert 0.2 * apart.uncertainty < same.uncertainty < 0.5 * apart.uncertainty
    assert any("all but cancels" in note for note in one.notes)
    assert not any("all but cancels" in note for note in other.notes)


def test_on_another_range_nothing_cancels(two):
    found = compare(with_identity(two(None, {"spoil": {OUTPUT: 1.3}}), "meter 7", "meter 7"))
    assert not compared(found).differences[0].same_meter


def test_a_step_without_a_load_of_its_own_keeps_that_of_the_step_before(two, benches):
    """The second step is read as without load; so it is expected, and nothing differs from that."""
    text = re.sub(r"(?s)\n\[\[step\]\].*?(?=\n\[(?!\[step)|\Z)", "", benches["reservoir"].source)
    bench = read_bench(text + '\n[[step]]\nname = "open"\nload = "open"\n[[step]]\nname = "held"\n')
    events = [
        Event(2.0, "", EventKind.STEP_BEGUN, "1 of 2", EventDetails(step=1)),
        Event(4.0, "", EventKind.STEP_DONE, "1 of 2", EventDetails(step=1)),
        Event(4.0, "", EventKind.STEP_BEGUN, "2 of 2", EventDetails(step=2)),
    ]
    found = compare(two({"bench": bench, "more": events}, {"bench": bench, "more": events}))
    unloaded, held = (compared(step).values[0].expected.value for step in found.steps)
    assert held == pytest.approx(unloaded, rel=1e-3)
    assert held > 1.1 * compare(two()).predictions[0].quantities[OUTPUT].value


def test_steps_of_one_name_stand_beside_each_other(two, benches):
    name = benches["reservoir"].step[0].name
    begun = [Event(2.0, "", EventKind.STEP_BEGUN, f"1 of 3: {name}", EventDetails(step=1))]
    found = compare(two({"more": begun}, {"more": begun}))
    (step,) = found.steps
    assert (step.name, step.places) == (name, (0, 1))
    assert compared(step).differences[0].significant is False
    assert f"Step {name}" in comparison_as_text(found)
    assert f"Step {name}" in as_page(comparison_document(found))


def test_a_picture_names_each_session_by_title_and_serial_number(two):
    found = compare(two())
    object.__setattr__(found.found[1].session.info, "serial", "A-018")
    title = found.found[0].bench.title
    assert found.legends == (f"A: {title}", f"B: {title}, A-018")


def test_sessions_without_data_are_compared_all_the_same(two):
    found = compare(two({"seconds": 0}, {"seconds": 0}))
    assert found.compared == ()
    assert "No quantity was measured" in comparison_as_text(found)


class TestCommand:
    def run(self, *arguments):
        return CliRunner().invoke(commands, ["compare", *map(str, arguments)], standalone_mode=False)

    def test_one_object(self, two):
        sessions = two({"mains": 220.0}, {"mains": 240.0})
        done = self.run(*(session.path for session in sessions), "--json", "--mains", "230 V")
        answer = json.loads(done.output)
        assert done.return_value == 0
        assert answer["mains_voltage"] == 230.0
        assert [one["label"][:1] for one in answer["sessions"]] == ["A", "B"]
        output = answer["quantities"][OUTPUT]
        assert output["differences"][0]["significant"] is False
        assert output["sessions"][0]["corrected"] == pytest.approx(output["sessions"][1]["corrected"], rel=2e-3)
        assert answer["figures"]
        assert answer["remarks"]

    def test_tables(self, two):
        done = self.run(*(session.path for session in two()))
        for words in ("A: before0.benchmon", "less A", "no difference, as expected", "power factor", "p: predicted"):
            assert words in done.output

    def test_a_page(self, two, tmp_path):
        sessions = two()
        done = self.run(*(session.path for session in sessions), "-o", tmp_path / "c.html")
        assert "Comparison in" in done.output
        page = (tmp_path / "c.html").read_text(encoding="utf-8")
        assert page.count("<img") >= 1
        assert "Power-on tests compared" in page

    @pytest.mark.parametrize("arguments", [["--mains", "0 V"], ["-o", "{folder}/c.odt"], ["{folder}/none.benchmon"]])
    def test_bad_input(self, two, tmp_path, arguments):
        paths = [session.path for session in two()]
        done = self.run(*paths, *(one.format(folder=tmp_path) for one in arguments))
        assert isinstance(done.exception, BadInput | click.UsageError)
        assert str(done.exception).isprintable()


def test_hostile_sessions_stay_text(two, hostile_bench):
    page = as_page(comparison_document(compare(two({"bench": hostile_bench}, {"bench": hostile_bench}))))
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_captured_waves_are_laid_over_each_other(write_session):
    time = np.arange(2000) / 50e3
    sessions = []
    for name, third, begin in (("a.benchmon", 0.5, 0.3), ("b.benchmon", 0.25, 1.9)):
        angle = 2 * np.pi * 50 * time + begin
        amperes = 2.0 * np.sin(angle) + 2.0 * third * np.sin(3 * angle)
        sessions.append(RecordedSession(write_session(name, more=[Waveform("mains current", 9.0, time, amperes, "A")])))
    found = compare(sessions)
    section = wave_comparison_section(found)
    (table,) = [block for block in section.blocks if isinstance(block, Table)]
    # 2 A of amplitude are 1.414 A rms; the limit of order 3 is 2.30 A (IEC 61000-3-2 table 1, from memory).
    assert table.head == ("order", "A", "B", "class A limit")
    assert table.rows == (("1", "1.414 A", "1.414 A", "–"), ("3", "707.1 mA", "353.6 mA", "2.300 A"))
    (picture,) = [block for block in section.blocks if isinstance(block, DocumentFigure)]
    assert "mains current" in picture.words
    text = as_page(comparison_document(found))
    assert "laid over each other by phase" in text


def test_without_waves_a_comparison_says_nothing_of_them(write_session):
    assert wave_comparison_section(compare([RecordedSession(write_session(name)) for name in ("a.db", "b.db")])) is None
