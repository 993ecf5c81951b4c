"""A supply with a meter that streams, a relay that cuts it, and a recorder of it: what the attacks go for."""

from __future__ import annotations

import tempfile
import threading
import time
from pathlib import Path

from fork_server import Ended, ForkServer

from benchmon.session.database import recorded_by
from benchmon.session.follower import open_session_view
from benchmon.session.records import SessionView
from support.far_ends.modbus import FakeModbusInstrument, Unit
from support.far_ends.streaming_meter import StreamingMeter, bench_text
from support.waiting import until

SWITCH = """
[[instrument]]
name = "relay"
driver = "modbus"
address = "{address}"
timeout = "2 s"
[[step]]
name = "no load"
mains = "230 V"
load = "open"
hold = "1 s"
[switch_off]
instrument = "relay"
coil = 7
value = 0
"""


class AttackedBench:
    """A supply whose meter shows what its relay does; `heard` are the monotonic times of its commands."""

    def __init__(self) -> None:
        self.meter = StreamingMeter()
        self.unit = Unit(coil={7: True})
        self.heard: list[float] = []
        self.news = threading.Event()
        self.case = 41.5
        self.hot_at = 0.0
        self.relay = FakeModbusInstrument({1: self.unit})
        self.relay.behaviour = self._behaviour
        self.relay.__enter__()
        self.meter.line = self._line
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name)
        self.bench_file = self.path / "bench.toml"
        self.bench_file.write_text(bench_text(self.meter) + SWITCH.format(address=self.relay.address), encoding="utf-8")

    @property
    def is_on(self) -> bool:
        """Whether the relay lets the power through."""
        return bool(self.unit.tables["coil"][7])

    def switch_on(self) -> None:
        """Let the power come, as a person does at the bench."""
        self.heard.clear()
        self.news.clear()
        self.unit.tables["coil"][7] = True

    def end(self) -> None:
        """End the instruments."""
        self.relay.__exit__(None, None, None)
        self.meter.stop()
        self.folder.cleanup()

    def _line(self, number: int) -> str:
        if not self.is_on:
            return f"m 0.0 v 0.0 t {self.case}"
        if self.case > 90 and not self.hot_at:
            self.hot_at = time.monotonic()
        return f"m 230.0 v {15 + number % 100 / 1000:.4f} t {self.case}"

    def _behaviour(self, frame: bytes) -> bytes:
        if frame[7] == 5:
            self.heard.append(time.monotonic())
            self.news.set()
        return frame


class RunningRecorder:
    """A recorder of that bench, a process of its own, and a screen's view of its session; ready to switch off."""

    def __init__(self, server: ForkServer, bench: AttackedBench, name: str) -> None:
        self.path = bench.path / f"{name}.benchmon"
        self._server = server
        self.pid = server.start("benchmon.recorder.__main__:main", [str(bench.bench_file), "--session", str(self.path)])
        until(lambda: recorded_by(self.path) == self.pid)
        self.view: SessionView = open_session_view(self.path)
        self.kinds: list[str] = []
        until(lambda: "switch" in self.look())

    def look(self) -> list[str]:
        """Poll, and return the kinds of all events so far."""
        self.kinds += [event.kind for event in self.view.poll().events]
        return self.kinds

    def wait(self, seconds: float = 30.0) -> Ended:
        """Wait for its end, and return how it ended."""
        return self._server.wait(self.pid, seconds)
