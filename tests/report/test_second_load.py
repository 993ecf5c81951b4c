"""A plan that loads two outputs apart: from the bench file to the command, the plan's lines, the report and the fit."""

import pytest
from click.testing import CliRunner

from benchmon.bench import TwoLoads, read_bench
from benchmon.cli.main import commands
from benchmon.event_kinds import EventKind
from benchmon.fit import fit, read_data
from benchmon.prediction import predict
from benchmon.report.session_reader import RecordedSession
from benchmon.screen.lines.plan import load_words, to_do
from benchmon.watch.plan import Plan, step_cautions
from benchmon.watch.records import Event, EventDetails
from benchmon_simulated.scenarios import scenario_named
from support.written_sessions import SessionBeingWritten

STEPS = """
[[step]]
name = "both alike"
load = "20 Ω"

[[step]]
name = "apart"
load_2 = "40 Ω"

[[step]]
name = "second open"
load_2 = "open"
"""
SECOND_METER = """
[[channel]]
name = "output 2"
instrument = "multimeter"
quantity = "output_2.voltage.mean"
query = "MEASure:VOLTage:DC?"
accuracy = "0.1 % + 10 mV"
"""
SECONDS = 30.0


@pytest.fixture(scope="module")
def text():
    head = scenario_named("two-bridges").path.read_text(encoding="utf-8").partition("[[step]]")[0]
    return head.partition("[switch_off]")[0] + SECOND_METER + STEPS


@pytest.fixture(scope="module")
def bench(text):
    return read_bench(text)


@pytest.fixture(scope="module")
def session(bench, tmp_path_factory):
    """Return the session of a supply that is as its bench file has it, step by step."""
    path, plan = tmp_path_factory.mktemp("sessions") / "apart.benchmon", Plan.of(bench)
    file = SessionBeingWritten(path, bench)
    for place, step in enumerate(bench.step, 1):
        begin = SECONDS * (place - 1)
        if place > 1:
            file.put(Event(begin, "", EventKind.STEP_DONE, "done", EventDetails(step=place - 1)))
        file.put(Event(begin, "", EventKind.STEP_BEGUN, step.name, EventDetails(step=place)))
        expected = predict(bench, mains_voltage=230.0, load=plan.load_at(place)).quantities
        for second in range(1, int(SECONDS)):
            for channel in bench.channel:
                known = expected[channel.quantity]
                file.read(channel, begin + second, known.value, known)
    file.finish(SECONDS * len(bench.step), True)
    return path


def test_what_a_step_leaves_out_stays(bench):
    plan = Plan.of(bench)
    assert [plan.load_at(place) for place in (1, 2, 3)] == [20.0, TwoLoads(20.0, 40.0), TwoLoads(20.0, "open")]


def test_the_lines_of_the_plan_name_both_loads(bench):
    plan = Plan.of(bench)
    assert [load_words(plan, place) for place in (1, 2, 3)] == ["20.0 Ω", "20.0 Ω, 40.0 Ω", "20.0 Ω, open"]
    assert "a load of 20.0 Ω, and a load of 40.0 Ω at output 2" in to_do(plan, 2)
    assert "and no load at output 2" in to_do(plan, 3)


def test_the_cautions_of_a_step_are_of_each_output(bench):
    expected = predict(bench, load=TwoLoads(20.0, "open")).quantities
    cautions = " ".join(step_cautions(Plan.of(bench), 3, bench, expected))
    assert "Before you change the load: switch off" in cautions
    assert "The reservoir of output 2 holds" in cautions
    assert "without load it keeps them" in cautions


def test_the_command_predicts_a_step(text, tmp_path):
    path = tmp_path / "apart.toml"
    path.write_text(text, encoding="utf-8")
    answer = CliRunner().invoke(commands, ["predict", str(path), "--step", "second open"])
    assert answer.exit_code == 0
    assert "into 20.00 Ω, and no load at output 2, settled" in answer.output
    other = CliRunner().invoke(commands, ["predict", str(path), "--step", "apart", "--load", "30 Ω"])
    assert "into 30.00 Ω, and 40.00 Ω at output 2" in other.output


def test_a_report_names_the_loads_of_every_step(session, tmp_path):
    page = tmp_path / "apart.md"
    answer = CliRunner().invoke(commands, ["report", str(session), "-o", str(page)])
    assert answer.exit_code == 0, answer.output
    found = page.read_text(encoding="utf-8")
    assert "| apart | – | 40.00 Ω at output 2 |" in found
    assert "a load of 20.00 Ω, and no load at output 2" in found
    assert "disagrees" not in found


def test_a_fit_takes_each_output_at_its_own_load(session):
    found = fit(read_data([RecordedSession(session)]))
    assert [(one.load, one.second_load) for one in found.posterior.model.data.conditions] == [
        (20.0, 20.0),
        (TwoLoads(20.0, 40.0), 40.0),
        (TwoLoads(20.0, "open"), "open"),
    ]
    # The readings are the model's own, so nothing may be far from them: the conditions were taken as they were.
    assert not found.outliers
    assert found.posterior.chi_square < 1.0
