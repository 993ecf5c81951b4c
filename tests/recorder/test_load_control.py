"""A load that a sweep sets by program is released at a trip, a lost line, OFF and the end; what cannot be is said."""

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from contextlib import contextmanager
from types import SimpleNamespace

import pytest

from benchmon.bench import Sweep, load_bench, read_bench
from benchmon.errors import BenchFileError, InstrumentError
from benchmon.instruments.registry import prepare
from benchmon.recorder.load_control import LoadControl
from benchmon.session.follower import open_session_view
from benchmon.session.requests import StopRecording, SwitchPowerOff
from benchmon.watch.plan import SweepAction, SweepRequest
from benchmon_simulated.bench import SimulatedBench
from benchmon_simulated.scenarios import scenario_named
from support.waiting import until

SWEEP = Sweep(
    name="loads", over="load.current", values=["open", "1 A"], instrument="load", set="CURR {value}", off="INP OFF"
)


class Load:
    """A driver whose load is what was commanded last; `gate` holds up a setting, `faults` fail the next releases."""

    name, channels, ending = "load", (), False

    def __init__(self):
        self.amperes, self.releases, self.faults = 0.0, 0, 0
        self.gate = threading.Event()
        self.gate.set()
        self.began = threading.Event()

    def set_load(self, sweep, value):
        self.began.set()
        assert self.gate.wait(20)
        self.amperes = value
        return f"{sweep} {value:g}"

    def release_load(self, _):
        self.releases += 1
        if self.faults:
            self.faults -= 1
            raise InstrumentError("no answer")
        self.amperes = 0.0
        return "INP OFF sent"

    def close(self):
        pass


@pytest.fixture
def control():
    driver = Load()
    control = LoadControl(SimpleNamespace(sweep=[SWEEP], source=""), [driver], lambda: 1.0)
    yield control, driver
    control.end()


def test_what_was_set_is_released_once_and_nothing_else_is(control):
    load, driver = control
    load.release("a trip")
    assert driver.releases == 0, "a load that nobody set by program is left alone"
    load.set(SWEEP, 1.0)
    assert until(load.answer) == (True, "loads 1")
    load.release("a trip")
    load.release("the end")
    assert until(load.events)[0].message.startswith("load released the load: a trip; INP OFF sent")
    assert (driver.amperes, driver.releases) == (0.0, 1)


def test_a_setting_that_comes_late_is_released_again(control):
    load, driver = control
    driver.gate.clear()
    load.set(SWEEP, 1.0)
    assert driver.began.wait(20)
    load.release("a trip")
    until(lambda: driver.releases == 1)
    driver.gate.set()
    until(lambda: driver.releases == 2 and driver.amperes == 0.0)
    assert load.answer() is None, "what was overtaken does not count as set"


def test_a_release_that_fails_is_repeated_and_meanwhile_it_holds_up_the_end(control):
    load, driver = control
    load.set(SWEEP, 1.0)
    until(load.answer)
    driver.faults = 2
    load.release("OFF")
    assert load.holds()
    events = until(lambda: not load.holds() and load.events())
    assert [event.kind for event in events][-1] == "load released"
    assert driver.amperes == 0.0


@contextmanager
def swept(tmp_path):
    """Yield the simulated bench of the sweep, its bench file, and the amperes that really flow."""
    bench = load_bench(scenario_named("sweep").path)
    with SimulatedBench(bench, seed=3) as simulated:
        file = tmp_path / "bench.toml"
        file.write_text(simulated.bench_text().replace('values = ["open", "0.25 A",', 'values = ["2.1 A", "0.25 A",'))
        yield simulated, file, lambda: simulated.supply.snapshot.values["output.current.mean"]


@contextmanager
def recorder(file, session):
    command = [sys.executable, "-P", "-m", "benchmon.recorder", str(file), "--session", str(session)]
    process = subprocess.Popen(command)
    try:
        view = until(lambda: _view(session), 30)
        yield process, view
        view.close()
    finally:
        if process.poll() is None:
            process.kill()
        process.wait()


def _view(session):
    try:
        return open_session_view(session)
    except Exception:  # noqa: BLE001 - not there yet
        return None


def begun(view, flows):
    view.request(SweepRequest(SweepAction.BEGIN, "regulation"))
    until(lambda: flows() > 1.5, 30)


def test_sigterm_off_and_the_next_recorder_over_real_sockets(tmp_path):
    with swept(tmp_path) as (_, file, flows), recorder(file, tmp_path / "a.benchmon") as (process, view):
        until(lambda: view.poll().judgements, 60)
        assert flows() < 0.01, "a sweep is never begun without the person"
        begun(view, flows)
        view.request(SwitchPowerOff("by the operator"))
        until(lambda: flows() < 0.01, 30)
        begun(view, flows)
        os.kill(process.pid, signal.SIGTERM)
        assert process.wait(60) == 0
        assert flows() < 0.01, "released before the recorder ended"


def test_the_guard_releases_what_a_recorder_has_left(tmp_path):
    with swept(tmp_path) as (_, file, flows):
        load = next(one for one in load_bench(file).instrument if one.name == "electronic load")
        with socket.create_connection(("127.0.0.1", int(load.address.split("::")[2]))) as line:
            line.sendall(b"CURRent 2;:INPut ON\n")
            until(lambda: flows() > 1.5)
        lines = [{"bench": file.read_text()}, {"held": "regulation"}, {"held": ""}, {"held": "regulation"}]
        command = [sys.executable, "-P", "-m", "benchmon.recorder", "--guard-load"]
        subprocess.run(command, input="\n".join(map(json.dumps, lines)).encode(), check=True)
        until(lambda: flows() < 0.01)


@pytest.mark.long
def test_a_trip_a_lost_line_and_a_killed_recorder_over_real_sockets(tmp_path):
    with swept(tmp_path) as (simulated, file, flows):
        file.write_text(file.read_text().replace('trip_above = "4.5 A"', 'trip_above = "1.9 A"'))
        with recorder(file, tmp_path / "trip.benchmon") as (_, view):
            begun(view, flows)
            until(lambda: flows() < 0.01, 30)
            view.request(StopRecording())
        file.write_text(file.read_text().replace('trip_above = "1.9 A"', 'trip_above = "4.5 A"'))
        with recorder(file, tmp_path / "lost.benchmon") as (_, view):
            begun(view, flows)
            simulated.execute("fault unplugged:multimeter")
            until(lambda: flows() < 0.01, 60)
            simulated.execute("clear all")
        with recorder(file, tmp_path / "killed.benchmon") as (process, view):
            begun(view, flows)
            process.kill()
            process.wait()
            until(lambda: flows() < 0.01, 60)


def test_a_modbus_load_is_set_and_released():
    text = scenario_named("sweep").path.read_text()
    scpi = text.index('instrument = "electronic load"\nset =')
    text = text[:scpi] + (
        'instrument = "load unit"\nset = { register = 2, factor = 1000, coil = 0 }\noff = { coil = 0, value = 0 }\n'
        '[[instrument]]\nname = "load unit"\ndriver = "modbus"\naddress = "tcp://127.0.0.1:0"\n'
    )
    with SimulatedBench(read_bench(text), seed=3) as simulated:
        driver = next(one for one in prepare(read_bench(simulated.bench_text())) if one.name == "load unit")
        flows = lambda: simulated.supply.snapshot.values["output.current.mean"]  # noqa: E731
        assert "register 2 of unit 1 written 1500, acknowledged" in driver.set_load("regulation", 1.5)
        until(lambda: flows() == pytest.approx(1.5, rel=0.01))
        driver.release_load("regulation")
        until(lambda: flows() < 0.01)
        with pytest.raises(InstrumentError, match="cannot hold"):
            driver.set_load("regulation", 100.0)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("CURRent {value};:INPut ON", "CURRent 1", "must hold {value} once"),
        ('off = "INPut OFF"', 'off = "INPut?"', "is a question"),
        ('instrument = "electronic load"\nset', 'instrument = "thermometer"\nset', "can set no load"),
    ],
)
def test_what_cannot_set_a_load_is_refused_in_one_line(old, new, words):
    text = scenario_named("sweep").path.read_text()
    assert old in text
    with pytest.raises(BenchFileError, match=words) as refused:
        prepare(read_bench(text.replace(old, new)))
    assert "\n" not in str(refused.value)
