"""Making a bench by questions: sensible defaults, every answer checked at once, a file that holds or none at all."""

from __future__ import annotations

import subprocess
import sys

import click
import pytest

from benchmon.bench import load_bench, read_bench
from benchmon.cli.main import commands
from benchmon.cli.manual import page_text
from benchmon.errors import BadInput
from benchmon.instruments import registry
from benchmon.instruments.connection_test import Tried, try_instruments
from benchmon.instruments.registry import prepare
from benchmon.instruments.templates import TEMPLATES
from benchmon.instruments.types import Port
from benchmon.new_bench import bench_maker
from benchmon.prediction import predict
from benchmon_simulated import SimulatedBench
from support.waiting import until


@pytest.fixture
def found(monkeypatch):
    """The ports that are found; a test fills the list."""
    there = []
    monkeypatch.setattr(registry, "find_ports", lambda _timeout: there)
    # Nothing on this machine or its network is spoken to.
    monkeypatch.setattr(bench_maker, "try_instruments", lambda *_: [Tried("meter 1", "", ok=True, words="Acme")])
    return there


class Person:
    """Types Enter at every question but those whose words are in `answers`; each answer of a list in its turn."""

    def __init__(self, answers):
        self._answers = {words: [typed] if isinstance(typed, str) else list(typed) for words, typed in answers.items()}
        self.heard = []

    def __call__(self, question):
        self.heard.append(question)
        for words, typed in self._answers.items():
            if words in question and typed:
                return typed.pop(0)
        return ""

    @property
    def unasked(self):
        return [words for words, typed in self._answers.items() if typed]


@pytest.fixture
def make(tmp_path, monkeypatch, found, capsys):  # noqa: ARG001 - nothing is looked for on this machine
    """Let a person answer; return the path, and what was printed."""
    path = tmp_path / "bench.toml"

    def run(answers=None, *options):
        person, printed = Person(answers or {}), []

        def typed(prompt):
            printed.append(capsys.readouterr().out)
            return person(printed[-1].rpartition("\n")[2] + prompt)

        monkeypatch.setattr(click.termui, "visible_prompt_func", typed)
        commands.main(["new", str(path), *options], standalone_mode=False)
        assert person.unasked == [], f"never asked: {person.unasked}; asked: {person.heard}"
        return path, "".join(printed) + capsys.readouterr().out

    return run


def test_enter_alone_makes_a_bench_that_can_be_read_predicted_and_driven(make):
    path, said = make({"what you see": "it shows"})
    bench = load_bench(path)
    prepare(bench)
    assert bench.rectifier.kind == "bridge"
    assert bench.channel[0].quantity == "output.voltage.mean"
    assert bench.channel[0].period == 60.0, "nobody looks at a display every second"
    assert [step.mains for step in bench.step] == [23.0, 115.0, 230.0, 230.0, 230.0]
    assert bench.step[0].load == "open"
    assert bench.step[0].needs == ("output voltage",)
    assert predict(bench).quantities["output.voltage.mean"].value > 10
    assert f"benchmon check {path}" in said
    assert path.read_text(encoding="utf-8").count("#") > 15, "the file explains itself"


def test_every_question_comes_with_its_reason(make):
    _, said = make({"what you see": "it shows"})
    for reason in ("every expected reading follows it", "a wrong tap is a common mistake", "there is no verdict"):
        assert reason in said


@pytest.mark.parametrize("kind", ["bridge", "centre tap", "half wave", "split rail", "two bridges", "tripler"])
def test_every_rectifier_gets_the_windings_it_needs(kind, make):
    path, _ = make({"how the diodes are wired": kind, "is there an instrument": "n"})
    bench = load_bench(path)
    assert bench.rectifier.kind == kind
    assert bench.transformer.secondaries == (2 if kind in {"centre tap", "split rail", "two bridges"} else 1)
    predict(bench)


@pytest.mark.parametrize(
    ("words", "wrong", "why"),
    [
        ("regulation (like", "0.5", "0.5 may be 0.5 % or 50 %; write the per cent sign"),
        ("mains voltage", "23 A", "is not a voltage"),
        ("mains voltage", "-230 V", "must be above 0"),
        ("reservoir capacitor", "0 F", "must be at least 1e-09"),
        ("how the diodes are wired", "triangle", "type a number from 1 to 8"),
        ("how the diodes are wired", "9", "type a number from 1 to 8"),
        ("its accuracy", "very", "is not"),
        ("time between readings", "0 s", "must be at least 0.01"),
    ],
)
def test_an_answer_that_cannot_be_is_explained_and_asked_again(words, wrong, why, make):
    path, said = make({words: wrong, "what you see": "it shows"})
    assert why in said
    load_bench(path)


def test_names_are_their_own_and_limits_in_order(make):
    answers = {
        "what you see": "it shows",
        "where it measures": ["output", "diode"],
        "what it reads": ["voltage.mean", "temperature.case"],
        "name of the channel": ["volts", "volts", "case"],
        "another channel of this instrument": "y",
        "warn above": "90 °C",
        "switch off above": ["80 °C", "110 °C"],
    }
    path, said = make(answers)
    assert "is in use already" in said
    assert "must not be below the warning of 90 °C" in said
    channel = load_bench(path).channel[1]
    assert (channel.name, channel.warn_above, channel.trip_above) == ("case", 90.0, 110.0)


def test_an_instrument_that_was_found_needs_no_address(make, found):
    found += [
        Port("scpi", "TCPIP::192.0.2.5::5025::SOCKET", identity="Some,Meter,1,2"),
        Port("scpi", "", problem="could not look"),
    ]
    path, said = make({"its address": "1"})
    assert "Some,Meter,1,2" in said
    bench = load_bench(path)
    assert bench.instrument[0].address == "TCPIP::192.0.2.5::5025::SOCKET"
    assert bench.channel[0].driver_keys["query"] == "MEASure:VOLTage:DC?"
    assert "could not look" not in said


def of_quantity(template):
    """A camera measures no voltage."""
    return {"where it measures": "ambient"} if template.driver == "thermal_picture" else {}


@pytest.mark.parametrize("template", TEMPLATES, ids=lambda each: each.name)
def test_every_template_makes_a_bench_whose_drivers_take_it(template, make):
    path, said = make({"what you see": template.seen} | of_quantity(template))
    bench = load_bench(path)
    (driver,) = prepare(bench)
    assert bench.instrument[0].driver == template.driver
    assert driver.settings.address == template.address
    assert f"benchmon manual {template.page}" in said
    assert page_text(template.page)


NOT_SIMULATED = ("hand", "ble")
"""A person, and a radio."""


@pytest.mark.parametrize(
    "template", [each for each in TEMPLATES if each.driver not in NOT_SIMULATED], ids=lambda each: each.name
)
def test_every_template_is_read_from_a_simulated_meter(template, make):
    path, _ = make({"what you see": template.seen, "time between readings": "0.2 s"} | of_quantity(template))
    with SimulatedBench(load_bench(path), seed=3) as simulated:
        bench = read_bench(simulated.bench_text())
        name, quantity = bench.channel[0].name, bench.channel[0].quantity

        def shows_what_is_there():
            found = {row.channel: row.value for row in try_instruments(bench, prepare(bench))}
            true = simulated.supply.snapshot.values[quantity]
            return found[name] is not None and found[name] == pytest.approx(true, rel=0.02, abs=1.0)

        # The supply's voltage rises while it is read.
        until(shows_what_is_there)


def test_something_else_is_a_driver_by_its_name(make):
    path, _ = make({"what you see": "something else", "its driver": "hand"})
    assert load_bench(path).instrument[0].driver == "hand"


def test_what_was_found_is_said_in_words_and_offered_where_it_fits(make, found):
    found += [
        Port("serial_lines", "/dev/ttyUSB3", description="n/a"),
        Port("scpi", "GPIB0::INTFC"),
        Port("scpi", "USB0::1::2::3::INSTR", problem="VI_ERROR_TMO (-1073807339): Timeout expired"),
    ]
    path, said = make({"what you see": "a serial plug", "its address": "1"})
    assert load_bench(path).instrument[0].address == "ASRL/dev/ttyUSB3::INSTR"
    assert "USB0::1::2::3::INSTR  Timeout expired" in said
    assert "an interface that leads to instruments" in said
    assert "-1073807339" not in said


def test_the_number_is_read_and_shown_before_the_file_is_written(make, monkeypatch, tmp_path):
    def read(bench, drivers):
        assert not (tmp_path / "bench.toml").exists()
        assert [driver.name for driver in drivers] == [bench.instrument[-1].name]
        return [Tried("meter 1", "output voltage", ok=True, value=22.1, unit="V")]

    monkeypatch.setattr(bench_maker, "try_instruments", read)
    answers = {
        "what you see": ["a LAN socket, and SCPI", "it shows"],
        "does the meter itself show the same": "n",
    }
    path, said = make(answers)
    assert "output voltage: 22.1" in said
    assert [each.driver for each in load_bench(path).instrument] == ["hand"], "no asks for the instrument again"


def test_a_meter_that_cannot_be_read_says_why_and_may_stay(make, monkeypatch):
    row = Tried("meter 1", "", ok=False, words="192.0.2.5: there is no such host")
    monkeypatch.setattr(bench_maker, "try_instruments", lambda *_: [row])
    path, said = make({"what you see": "a LAN socket, and SCPI", "keep it all the same": "y"})
    assert "NO: meter 1: 192.0.2.5: there is no such host" in said
    assert len(load_bench(path).instrument) == 1


def test_what_does_not_go_together_is_explained_and_asked_again(make):
    answers = {
        "what you see": 2 * ["it sends lines of text by itself over a serial line, several"],
        "its address": ["/dev/ttyUSB0", "/dev/ttyUSB0"],
        "pattern": [r"v=(?P<volts>\S+)", r"v=(?P<volts>\S+)"],
        "group": ["amps", "volts"],
    }
    path, said = make(answers)
    assert "That does not fit together" in said
    assert "start again with the instrument" in said
    prepare(load_bench(path))


def test_a_file_that_is_there_stays_unless_forced(make, tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text("mine", encoding="utf-8")
    with pytest.raises(BadInput, match="is there already"):
        make({"is there an instrument": "n"})
    assert path.read_text(encoding="utf-8") == "mine"
    make({"is there an instrument": "n"}, "--force")
    load_bench(path)


def test_stopping_half_way_keeps_a_draft_alone(tmp_path):
    path = tmp_path / "bench.toml"
    command = [sys.executable, "-m", "benchmon", "new", str(path)]
    done = subprocess.run(command, input="my supply\n230 V\n", capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode != 0
    assert "Traceback" not in done.stderr
    assert [each.name for each in tmp_path.iterdir()] == ["bench.toml.draft"]


def test_a_hostile_title_stays_text(make):
    path, _ = make({"what is on the bench": 'a "b" \\ [x] # \x1b[31m', "is there an instrument": "n"})
    assert load_bench(path).title.startswith('a "b" \\ [x] # ')
    assert "\x1b" not in path.read_text(encoding="utf-8")


def test_the_commented_file_is_what_the_reader_takes(make):
    path, _ = make({"is there an instrument": "n", "kind of load": "current"})
    assert read_bench(path.read_text(encoding="utf-8")).load.current == 1.0


def test_keys_that_wait_for_a_measurement_are_taken_once_their_sign_is_taken_away(make):
    path, _ = make()
    lines = path.read_text(encoding="utf-8").splitlines()
    keys = ("# voltage_thd = ", "# no_load = ", "# short_circuit = ")
    filled = [line.removeprefix("# ") if line.startswith(keys) else line for line in lines]
    assert sum(line.startswith(keys) for line in lines) == len(keys)
    bench = read_bench("\n".join(filled))
    assert bench.mains.voltage_thd == 0.03
    assert bench.transformer.no_load == ((230.0, 0.025, 2.0),)
    assert bench.transformer.leakage_reactance > 0.0
