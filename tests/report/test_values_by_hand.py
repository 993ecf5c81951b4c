"""What persons typed and recorded, in a report: the last value of a step with its time, and the table by hand."""

from __future__ import annotations

import pytest

from benchmon.bench import read_bench
from benchmon.report.document import text_of
from benchmon.report.evaluation import find
from benchmon.report.export.json import description_of
from benchmon.report.formatting import reading_of
from benchmon.report.sections.certificate import certificate_sections
from benchmon.report.session_reader import RecordedSession
from benchmon.watch.plan import Plan, RecordRequest
from benchmon.watch.records import Event, EventDetails
from benchmon_simulated.scenarios import scenario_named

STEPS = """
[[step]]
name = "before power"
record = [
    { name = "insulation", unit = "MΩ", at_least = "2 MΩ" },
    { name = "earth bond", unit = "Ω", at_most = "0.1 Ω" },
]
[[step]]
name = "on"
"""


@pytest.fixture
def bench():
    text = scenario_named("reservoir").path.read_text(encoding="utf-8")
    meter = 'name = "multimeter"\ndriver = "scpi"\naddress = "TCPIP::127.0.0.1::0::SOCKET"'
    assert meter in text
    text = text.replace(meter, 'name = "multimeter"\ndriver = "hand"').partition("[[step]]")[0]
    lines = [line for line in text.splitlines() if not (line.startswith("query") and _is_of_the_multimeter(line))]
    return read_bench("\n".join(lines) + STEPS)


def _is_of_the_multimeter(line):
    return any(word in line for word in ('VOLTage:DC?"', 'PTPeak?"', 'VOLTage:AC?"'))


@pytest.mark.parametrize(("fails_at", "is_lapsed"), [(25.0, True), (18.0, False), (99.0, False)])
def test_a_value_that_was_typed_before_a_fault_is_marked(bench, write_session, silent, fails_at, is_lapsed):
    def values(channel, now, value):
        if channel.instrument == "multimeter":
            return 21.0 if channel.name == "output" and now == 20.0 else silent
        return 3 * value if channel.name == "mains current" and now >= fails_at else value

    found = find(RecordedSession(write_session(bench=bench, seconds=30, values=values)))
    output = next(one for one in found.channels if one.channel.name == "output")
    assert (output.typed_at, output.is_lapsed) == (20.0, is_lapsed)
    assert ("before the supply changed" in text_of(reading_of(output))) is is_lapsed
    assert not any(one.is_lapsed for one in found.channels if one.typed_at is None)


@pytest.fixture
def found(bench, write_session, silent):
    """A session in which the output was typed at 5 s, 12 s and 20 s, and the plan's second step began at 15 s."""
    typed = {5.0: 22.0, 12.0: 21.5, 20.0: 21.0}

    def values(channel, now, value):
        if channel.instrument != "multimeter":
            return value
        return typed.get(now, silent) if channel.name == "output" else silent

    plan = Plan(bench.step)
    begun = Event(1.0, "", "step begun", "1 of 2: before power", EventDetails(step=1))
    plan.take(begun)
    asked = (
        RecordRequest(1, "insulation", "5.2", meter="M-7", calibrated="2026-03-01", who="AB"),
        RecordRequest(1, "earth bond", reason="no earth on it", who="AB"),
    )
    more = [
        begun,
        *(plan.record(each, 2.0 + at) for at, each in enumerate(asked)),
        Event(15.0, "", "step done", "1 of 2: before power", EventDetails(step=1)),
        Event(15.0, "", "step begun", "2 of 2: on", EventDetails(step=2)),
    ]
    return find(RecordedSession(write_session(bench=bench, seconds=30, more=more, values=values)))


def test_a_step_has_the_last_value_that_was_typed_in_it_with_its_time(found):
    first, second = (step.channels[0] for step in found.steps)
    assert first.channel.name == second.channel.name == "output"
    assert (first.value, first.typed_at, first.count) == (21.5, 12.0, 1)
    assert (second.value, second.typed_at) == (21.0, 20.0)
    whole = next(one for one in found.channels if one.channel.name == "output")
    assert (whole.value, whole.typed_at) == (21.0, 20.0)


def test_a_meter_that_nobody_read_in_a_step_has_no_value(found):
    ripple = next(one for one in found.steps[1].channels if one.channel.name == "ripple")
    assert not ripple.is_measured
    assert ripple.typed_at is None


def test_what_was_recorded_stands_on_the_first_page(found):
    [section] = [one for one in certificate_sections(found, None) if one.title == "Recorded by hand"]
    rows = [tuple(getattr(cell, "text", cell) for cell in row) for row in section.blocks[1].rows]
    assert rows == [
        ("1", "insulation", "at least 2 MΩ", "5.2 MΩ", "met", "M-7, 2026-03-01", "AB", "0:00:02"),
        ("1", "earth bond", "at most 0.1 Ω", "no earth on it", "not measured", "–", "AB", "0:00:03"),
    ]
    required = next(one for one in certificate_sections(found, None) if one.title == "Required")
    assert any("typed at 0:00:20" in str(cell) for row in required.blocks[0].rows for cell in row)


def test_an_export_has_what_was_recorded_as_facts(found):
    events = description_of(found.session)["events"]
    [insulation, bond] = [event["details"] for event in events if event["kind"] == "recorded"]
    assert (insulation["entry"], insulation["shows"], insulation["met"]) == ("insulation", "5.2 MΩ", True)
    assert (insulation["meter"], insulation["calibrated"], insulation["who"]) == ("M-7", "2026-03-01", "AB")
    assert (bond["note"], bond["shows"]) == ("no earth on it", "")
