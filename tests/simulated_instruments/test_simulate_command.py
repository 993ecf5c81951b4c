"""`benchmon simulate` and `demo` with faults, as processes: commands on standard input, events on standard output."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import threading
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest

from benchmon.bench import read_bench
from benchmon.cli import demo_session
from benchmon.cli import simulate as simulated_process
from benchmon.errors import BadInput, InstrumentError
from benchmon.instruments.registry import prepare
from benchmon.session.follower import open_session_view
from benchmon.session.records import RecorderState
from benchmon_simulated import SimulatedBench
from benchmon_simulated.commands import LONGEST_COMMAND, CommandLines
from benchmon_simulated.scenarios import scenario_named
from support.certificates import own_certificate
from support.commands import run_command
from support.supplies import SMOOTHING, easy
from support.waiting import until

BENCH = scenario_named("bridge").path
BENCHMON = [sys.executable, "-m", "benchmon"]


@contextmanager
def simulator(*arguments, bench=BENCH):
    """Run a simulator that takes commands; it is stopped at the end whatever happens."""
    process = subprocess.Popen(
        [*BENCHMON, "simulate", str(bench), *arguments],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        yield process
    finally:
        process.terminate()
        try:
            process.communicate(timeout=60)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


def line_with(process, words):
    """Return the next line of the output that holds `words`."""
    for line in process.stdout:
        if words in line:
            return line.strip()
    raise AssertionError(f"no {words!r} came: {process.stderr.read()}")


def send(process, command):
    process.stdin.write(f"{command}\n")
    process.stdin.flush()


def ask(address, message):
    host, port = address.split("::")[1:3]
    with socket.create_connection((host, int(port)), timeout=60) as line, line.makefile("rwb") as stream:
        stream.write(f"{message}\n".encode())
        stream.flush()
        return stream.readline().decode().strip()


def test_commands_change_a_running_bench_and_are_answered():
    with simulator() as process:
        address = line_with(process, "multimeter").split()[-1]
        line_with(process, "thermometer")
        whole = float(ask(address, "MEAS:VOLT:ACDC?"))
        send(process, "mains 115 V")
        assert line_with(process, "mains") == "mains 115 V, on"
        until(lambda: float(ask(address, "MEAS:VOLT:ACDC?")) < 0.6 * whole)
        send(process, "mains   off")
        line_with(process, "off")
        until(lambda: float(ask(address, "MEAS:VOLT:ACDC?")) < 0.1)
        send(process, "mains on")
        send(process, "load open")
        line_with(process, "load open")
        send(process, "fault open-diode:2")
        assert line_with(process, "open-diode").startswith("open-diode:2 begins")
        send(process, "list")
        assert line_with(process, "faults") == "mains 115 V, on; faults: open-diode:2"
        send(process, "clear all")
        assert line_with(process, "cleared") == "cleared: open-diode:2"
        send(process, "load back")
        send(process, "look output")
        assert line_with(process, "shows").startswith("output shows")
        send(process, "at 0.1 s fault mains-sag")
        assert line_with(process, "in 0.1 s")
        assert "mains-sag begins" in line_with(process, "begins")
        process.send_signal(signal.SIGTERM)
        assert process.wait(60) == 0
        assert process.stderr.read() == ""


@pytest.mark.parametrize(
    ("command", "words"),
    [
        ("jump", ["jump", "commands are: fault NAME"]),
        ("fault nonsense", ["nonsense"]),
        ("clear open-diode", ["open-diode", "no fault"]),
        ("mains 5 kV", ["5000", "0 to 1000 V"]),
        ("mains 5 A", ["mains 5 A", "voltage"]),
        ("load -3 Ω", ["above zero"]),
        ("load 3 V", ["load 3 V", "resistance"]),
        ("look nowhere", ["nowhere"]),
        ("fuse old", ["fuse new"]),
        ("list all", ["list all"]),
        ("at 5 s jump", ["jump"]),
        ("fault", ["fault"]),
        ("\x1b[31mfault\x07", ["x1b"]),
        ("fault " + "x" * 2000, ["no command"]),
    ],
)
def test_an_unknown_command_is_answered_in_one_printable_line_and_changes_nothing(simulated, command, words):
    with pytest.raises(BadInput) as refusal:
        simulated.execute(command)
    assert all(word in str(refusal.value) for word in words), str(refusal.value)
    assert str(refusal.value).isprintable()
    assert simulated.execute("list").endswith("V, on; faults: none")


ENCRYPTED = """
[[instrument]]
name = "{driver}"
driver = "{driver}"
address = "{address}"
timeout = "9 s"
ca = "/etc/lab/authority.pem"
[[channel]]
name = "{driver} volts"
instrument = "{driver}"
quantity = "output.voltage.mean"
accuracy = "1 %"
period = "0.1 s"
{keys}
"""
ENCRYPTED_LINES = [
    ("modbus", "tls://192.0.2.5", 'register = 0\ntype = "float32"'),
    ("http", "https://192.0.2.7/readings", 'json = "$.output"'),
    ("mqtt", "mqtts://broker.example", 'topic = "lab/output"'),
]


def first_value(driver):
    driver.open()
    try:
        return until(lambda: driver.receive(0.1) if driver.streams else [driver.read(*driver.channels)])[0].value
    finally:
        driver.close()


# The broker's library closes a line that it refuses when nobody holds it any more.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
def test_encrypted_lines_are_read_by_drivers_that_trust_their_certificate_and_by_no_other(tmp_path):
    another, _ = own_certificate(tmp_path)
    bench, saved = tmp_path / "bench.toml", tmp_path / "saved.toml"
    sections = [ENCRYPTED.format(driver=name, address=address, keys=keys) for name, address, keys in ENCRYPTED_LINES]
    bench.write_text(easy("".join(sections)).source, encoding="utf-8")
    with simulator("--save-bench", str(saved), bench=bench) as process:
        shown = [line_with(process, "://") for _ in ENCRYPTED_LINES]
        text = until(lambda: saved.exists() and saved.read_text(encoding="utf-8"))
        assert all(line.split(" ca ")[1] in text and line.split(" ")[1] in text for line in shown)
        assert all(first_value(driver) > 5.0 for driver in prepare(read_bench(text)))
        for ca in ("", str(another)):
            for stranger in prepare(read_bench(re.sub('ca = "[^"]*"', f'ca = "{ca}"', text))):
                with pytest.raises(InstrumentError, match=r"127.0.0.1.*: its certificate is not trusted \(.*\); name"):
                    first_value(stranger)


@pytest.fixture(scope="module")
def simulated():
    with SimulatedBench(easy()) as bench:
        yield bench


def test_a_new_fuse_is_put_in_by_order():
    fuse = '[fuse]\nrating = "0.5 A"\nspeed = "fast"\n'
    transformer = 'primary_voltage = "230 V"\nopen_circuit_voltage = "20 V"\nprimary_resistance = "6 Ω"\n'
    bench = easy(fuse + SMOOTHING, transformer=transformer + 'secondary_resistance = "0.2 Ω"')
    with SimulatedBench(bench, faults=["shorted-diode"]) as simulated:
        until(lambda: "fuse blown" in simulated.execute("list"))
        simulated.execute("clear all")
        assert simulated.execute("fuse new") == "a new fuse is in"
        until(lambda: simulated.supply.snapshot.values["output.voltage.mean"] > 15.0)
        assert "blown" not in simulated.execute("list")


def test_a_script_may_come_from_a_file_and_its_end_does_not_end_the_bench(tmp_path):
    script = tmp_path / "script"
    script.write_text("fault open-diode@0.2s..0.4s\nat 0.5s mains 100 V\n")
    with (
        script.open() as commands,
        subprocess.Popen(
            [*BENCHMON, "simulate", str(BENCH)], stdin=commands, stdout=subprocess.PIPE, text=True
        ) as process,
    ):
        try:
            missing = {"open-diode:1 begins", "open-diode:1 ends", "mains 100 V, on"}
            # In whatever order they come on a busy machine.
            while missing:
                line = process.stdout.readline()
                assert line, missing
                missing = {words for words in missing if words not in line}
            assert process.poll() is None
        finally:
            process.terminate()


@pytest.mark.parametrize("command", [["demo", "bridge", "--headless", "--for", "1s"], ["simulate", str(BENCH)]])
@pytest.mark.parametrize(
    ("fault", "words"),
    [("nonsense", "nonsense"), ("wrong-baud:multimeter", "serial line"), ("dried-reservoir", "capacitor")],
)
def test_a_fault_that_cannot_be_is_bad_input(tmp_path, command, fault, words):
    session = ["--session", str(tmp_path / "a.benchmon")] if command[0] == "demo" else []
    done = run_command(*command, *session, "--fault", fault)
    assert done.returncode == 2
    assert words in done.stderr
    assert done.stderr.count("\n") == 1
    assert "Traceback" not in done.stderr


def test_the_list_names_every_scenario_and_fault():
    done = subprocess.run([*BENCHMON, "demo", "--list"], capture_output=True, text=True, timeout=60, check=True)
    assert all(word in done.stdout for word in ("reservoir", "failing-diode", "open-diode", "control-codes"))


def test_a_demo_with_a_fault_shows_it_in_its_summary(tmp_path):
    path = tmp_path / "a.benchmon"
    command = [*BENCHMON, "demo", "bridge", "--headless", "--session", str(path), "--fault", "open-diode:2"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as demo:
        try:
            view = open_session_view(until(lambda: path if path.exists() and path.stat().st_size > 4096 else None))
            until(lambda: any(event.kind == "disagrees" for event in view.poll().events))
        finally:
            demo.send_signal(signal.SIGINT)
        summary, _ = demo.communicate(timeout=60)
    output = next(line for line in summary.splitlines() if line.startswith("output "))
    assert "disagrees" in output


def test_a_simulator_that_breaks_says_so_in_one_line_and_ends():
    code = (
        "import sys; from benchmon_simulated.supply import supply; from benchmon.cli.main import main\n"
        "whole = supply.SupplyUnderTest.advance\n"
        "supply.SupplyUnderTest.advance = lambda self, s: whole(self, s) if self.snapshot.time < 0.3 else 1 / 0\n"
        "main(sys.argv[1:])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, "simulate", str(BENCH)],
        stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr == "benchmon: the simulated bench broke: ZeroDivisionError: division by zero\n"


def test_lines_come_whole_and_what_is_too_long_is_cut():
    reading, writing = os.pipe()
    lines = CommandLines(reading)
    try:
        assert lines.wait(0.0) == []
        os.write(writing, b"li")
        assert lines.wait(1.0) == []
        os.write(writing, b"st\n\n  \nload open\nclear")
        assert lines.wait(1.0) == ["list", "load open"]
        for _ in range(20):
            os.write(writing, b"x" * 4096)
            assert lines.wait(1.0) == []
        os.write(writing, b"\n\xff\xfe\n")
        long, odd = lines.wait(1.0)
        assert len(long) <= 4096 + LONGEST_COMMAND + 1
        assert odd == "\ufffd\ufffd"
        os.write(writing, b"list")
        assert lines.wait(1.0) == []
    finally:
        os.close(writing)
    assert lines.wait(1.0) == ["list"]
    assert lines.wait(0.0) == []
    os.close(reading)


def test_behind_a_shell_the_terminal_is_not_read(monkeypatch):
    here, there = os.openpty()
    lines = CommandLines(there)
    os.write(here, b"list\n")
    monkeypatch.setattr("os.tcgetpgrp", lambda _: os.getpgrp() + 1)
    assert lines.wait(0.0) == [], "reading it would stop the program"
    monkeypatch.setattr("os.tcgetpgrp", lambda _: os.getpgrp())
    assert lines.wait(1.0) == ["list"], "in the foreground again, it takes commands"
    os.close(here)
    os.close(there)


def test_a_bench_outlasts_a_recorder_that_is_silent_and_not_one_that_has_ended(monkeypatch):
    looks = iter([(RecorderState.RECORDING, True), *[(RecorderState.GONE, True)] * 3, (RecorderState.GONE, False)])
    state, is_there = [], []

    def look(_):
        state[:], is_there[:] = zip(next(looks), strict=True)
        return state[0]

    monkeypatch.setattr(demo_session, "_state_of", look)
    monkeypatch.setattr(demo_session, "is_recorded", lambda _: is_there[0])
    monkeypatch.setattr(demo_session, "_CHECK_SECONDS", 0.0)
    monkeypatch.setattr(simulated_process, "_FOLLOW_AFTER", 0.0)
    monkeypatch.setattr(simulated_process, "CommandLines", lambda: SimpleNamespace(wait=lambda _: []))
    demo = demo_session.DemoSession(Path("a.benchmon"), 60.0, os.getppid())
    simulated_process._serve(SimpleNamespace(wait=lambda _: None), threading.Event(), lambda: demo)
    assert next(looks, "all were equivalent") == "all were equivalent"
