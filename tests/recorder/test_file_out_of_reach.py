"""A session file that stands still, is replaced, or loses its log: what is old is called old, and OFF is heard."""

import os
import shutil
import signal
import threading
from contextlib import suppress

import pytest

from benchmon.bench import read_bench
from benchmon.errors import RecorderError
from benchmon.recorder import record, spawn_recorder
from benchmon.screen.actions import SwitchOffRequest
from benchmon.screen.session_state import SessionState
from benchmon.session.follower import open_session_view
from benchmon.session.records import RecorderState
from benchmon.session.requests import Note, StopRecording, SwitchPowerOff
from benchmon.session.writable_file import WritableFile
from benchmon.watch.status import Level
from support.far_ends.modbus import FakeModbusInstrument, Unit
from support.waiting import until

SWITCH = """
[[instrument]]
name = "relay"
driver = "modbus"
address = "{address}"
timeout = "2 s"
[switch_off]
instrument = "relay"
coil = 7
value = 0
"""


class Screen:
    """What a screen knows of a session."""

    def __init__(self, path):
        self.view = open_session_view(path)
        self.state = SessionState(self.view.info, self.view.live)
        self.events = []

    def look(self):
        update = self.view.poll()
        self.events += update.events
        self.state.update(update, self.view.live)
        return update

    def kinds(self):
        self.look()
        return [event.kind for event in self.events]


@pytest.fixture
def hung(monkeypatch):
    """Return a function that lets every commit hang from now on, and one that lets them go on."""
    gate, commit = threading.Event(), WritableFile.commit
    gate.set()

    def slowly(file, statements):
        assert gate.wait(60)
        return commit(file, statements)

    monkeypatch.setattr(WritableFile, "commit", slowly)
    yield gate.clear, gate.set
    gate.set()


def test_a_screen_of_a_disk_that_hangs_says_old_and_learns_of_a_trip(tmp_path, bench_text, meter, hung):
    hang, go_on = hung
    path, ready = tmp_path / "a.benchmon", threading.Event()
    thread = threading.Thread(target=lambda: record(read_bench(bench_text), path, on_ready=ready.set))
    thread.start()
    assert ready.wait(60)
    screen = Screen(path)
    until(lambda: screen.look().status and screen.state.channel("case").value == 41.5)
    hang()
    until(lambda: screen.look().trouble)
    assert screen.state.old
    assert "These values are old" in screen.state.status_line.sentence
    until(lambda: "commit has taken" in screen.look().trouble)
    meter.line = lambda _: "m 230.0 v 15.0 t 130.0"
    until(lambda: "tripped" in screen.kinds())
    until(lambda: screen.look() and screen.state.status_line.level is Level.DANGER)
    assert [alarm.channel for alarm in screen.state.alarms.unacknowledged] == ["case"]
    go_on()
    until(lambda: not screen.look().trouble)
    assert screen.state.channel("case").value == 130.0
    screen.view.request(StopRecording())
    thread.join(60)
    until(lambda: "stopped" in screen.kinds())
    assert screen.kinds().count("tripped") == 1


@pytest.fixture
def relay():
    unit = Unit(coil={7: True})
    with FakeModbusInstrument({1: unit}) as far_end:
        far_end.unit = unit
        yield far_end


@pytest.fixture
def recorder(tmp_path, bench_text, relay):
    """A recorder, in a process of its own, of a bench with that relay."""
    file = tmp_path / "bench.toml"
    file.write_text(bench_text + SWITCH.format(address=relay.address), encoding="utf-8")
    recorder = spawn_recorder(file, tmp_path / "a.benchmon")
    yield recorder
    if recorder.poll() is None:
        os.kill(recorder.pid, signal.SIGKILL)
    recorder.wait(60)


def replaced(path):
    """Put a copy in the place of a session file that is being recorded, with a copy of its log."""
    until(lambda: os.path.exists(f"{path}-wal"))  # noqa: PTH110 - of a text
    for ending in ("", "-wal"):
        shutil.copy(f"{path}{ending}", f"{path}{ending}.copy")
    for ending in ("-wal", ""):
        os.replace(f"{path}{ending}.copy", f"{path}{ending}")  # noqa: PTH105 - of a text


def without_log(path):
    """Delete the log beside a session file that is being recorded."""
    until(lambda: os.path.exists(f"{path}-wal"))  # noqa: PTH110 - of a text
    os.unlink(f"{path}-wal")  # noqa: PTH108 - of a text


@pytest.mark.parametrize("spoil", [replaced, without_log])
def test_off_is_done_though_the_file_is_another_one(recorder, relay, meter, spoil):
    screen = Screen(recorder.path)
    until(lambda: "switch" in screen.kinds())
    coils = relay.unit.tables["coil"]
    meter.line = lambda _: "m 230.0 v 15.0 t 41.5" if coils[7] else "m 0.0 v 0.0 t 41.5"
    for times in (1, 2):
        spoil(recorder.path)
        asked = SwitchOffRequest(screen.view, screen.view.request(SwitchPowerOff("by the operator")), screen.state.now)

        def follow(asked=asked):
            asked.follow(screen.look().events)
            return asked.is_answered

        until(follow)
        until(lambda: not coils[7])
        assert not asked.is_unheard
        # Once more where the request came by a signal as well.
        until(lambda times=times: screen.kinds().count("switched off") >= times)
        # That the power is back answers nobody: it is an earlier command that it concerns.
        coils[7] = True


@pytest.mark.parametrize("spoil", [replaced, without_log])
def test_a_note_and_all_readings_are_kept_though_the_file_is_another_one(recorder, spoil):
    screen, seen = Screen(recorder.path), []
    until(lambda: seen.extend(screen.look().judgements) or len(seen) > 30)
    spoil(recorder.path)
    with suppress(RecorderError):
        screen.view.request(Note("the lamp is lit"))
        until(lambda: "note" in screen.kinds())
    until(lambda: "written" in screen.kinds())
    recorder.stop()
    kept = open_session_view(recorder.path).poll()
    assert {(one.channel, one.time) for one in seen} <= {(one.channel, one.time) for one in kept.judgements}
    assert [event.kind for event in kept.events].count("note") == screen.kinds().count("note")
    assert kept.state is RecorderState.FINISHED


def test_a_screen_that_asks_and_leaves_takes_no_log_away(recorder):
    """The recorder looks after its file without giving up its locks, or the last screen to close deletes the log."""
    screen = Screen(recorder.path)
    until(lambda: "switch" in screen.kinds())
    log = os.stat(f"{recorder.path}-wal").st_ino  # noqa: PTH116 - of a text
    for number in range(3):
        start = screen.look().now
        until(lambda since=start: screen.look().now > since + 1.2)
        screen.view.request(Note(f"note {number}"))
        until(lambda: screen.kinds().count("note") > number)  # noqa: B023 - at once
    assert os.stat(f"{recorder.path}-wal").st_ino == log  # noqa: PTH116 - of a text
    assert "written" not in screen.kinds()
    assert not screen.look().trouble
