"""Attacks on OFF: asked at the worst moments, is the relay commanded, and is what was lost reported?

    python tests/benchmarks/attacks/off_attacks.py [WORD] [--tries 200]

`stop`: OFF within moments of a stop. `screens`: three screens act at once, of which one switches off. `replaced`: the
session file is replaced by a copy. `log`: its write-ahead log is deleted. `notes`: a note instead of OFF while either
is done. Every recorder is a process of its own, over real sockets; its meter and its relay are here.

A request that was taken and not done is lost, whether a screen says so or not. Leaves with status 1 where one is.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
sys.path.insert(0, str(Path(__file__).parent))

from attacked_bench import AttackedBench, RunningRecorder
from fork_server import ForkServer

from benchmon.errors import BenchmonError
from benchmon.screen.actions import SwitchOffRequest
from benchmon.session.follower import open_session_view
from benchmon.session.records import RecorderState, SessionView
from benchmon.session.requests import Note, OperatorRequest, StopRecording, SwitchPowerOff
from benchmon.watch.plan import Action, StepRequest
from support.waiting import until

DONE_WITHIN = 8.0
TRIES_OF_ONE_RECORDER = 10
MODULES = ("benchmon.recorder.__main__", "benchmon.recorder.recording", "benchmon_drivers.modbus.driver", "off_attacks")
MODULES += ("benchmon_drivers.serial.lines", "pymodbus.client")


@dataclass
class Figures:
    """What became of the requests of one attack."""

    tries: int = 0
    refused: int = 0
    lost: int = 0
    unsaid: int = 0
    took: list[float] = field(default_factory=list)

    def add(self, *, accepted: bool, seconds: float | None, said: bool) -> None:
        """Count a request that was done after `seconds`, None if never."""
        self.tries += 1
        self.refused += not accepted
        if accepted and seconds is None:
            self.lost += 1
            self.unsaid += not said
        elif seconds is not None:
            self.took.append(seconds)

    def __str__(self) -> str:
        took = sorted(self.took) or [0.0]
        return (
            f"{self.tries} tries, {self.refused} refused in words, {self.lost} lost (of which {self.unsaid} without a "
            f"word); done after {took[len(took) // 2]:.2f} s, longest {took[-1]:.2f} s"
        )


_SCREENS: dict[str, OperatorRequest] = {
    "off": SwitchPowerOff("by the operator"),
    "stop": StopRecording(),
    "note": Note("the lamp is lit"),
    "step": StepRequest(Action.BEGIN, 1),
}


def ask(path: str, what: str, at: float) -> dict[str, object]:
    """Be a screen that asks at a moment of the monotonic clock; return what became of it, as it knows."""
    view = until(lambda: _open(path))
    start = view.poll().now
    time.sleep(max(0.0, at - time.monotonic()))
    asked = time.monotonic()
    try:
        number = view.request(_SCREENS[what])
    except BenchmonError as problem:
        return {"asked": asked, "refused": str(problem)}
    request = SwitchOffRequest(view, number, start)
    answers: list[str] = []
    give_up = asked + DONE_WITHIN
    while what == "off" and time.monotonic() < give_up and not (request.is_answered or request.is_unheard):
        with suppress(BenchmonError):
            update = view.poll()
            request.follow(update.events)
            answers += [f"{event.time} {event.kind}: {event.message}" for event in update.events]
            if update.state is not RecorderState.RECORDING:
                give_up = min(give_up, time.monotonic() + 3.0)
        time.sleep(0.02)
    return {
        "asked": asked,
        "refused": "",
        "number": number,
        "answered": request.is_answered,
        "unheard": request.is_unheard,
        "events": answers,
    }


def _open(path: str) -> SessionView | None:
    """Open a session; None where that cannot be read just now."""
    try:
        return open_session_view(path)
    except BenchmonError:
        return None


class Attack:
    """Attacks by way of one server of processes on one bench."""

    def __init__(self, tries: int) -> None:
        self.chance = random.Random(1)
        self.tries = tries
        self.bench = AttackedBench()
        self.beacons = tempfile.TemporaryDirectory()
        os.environ["BENCHMON_RECORDERS"] = self.beacons.name
        self.server = ForkServer(MODULES)

    def end(self) -> None:
        """Give everything back."""
        self.server.end()
        self.bench.end()
        self.beacons.cleanup()

    def stop(self) -> Figures:
        """OFF within moments of a stop, by a request or a signal."""
        found = Figures()
        for number in range(self.tries):
            self.bench.switch_on()
            recorder = RunningRecorder(self.server, self.bench, f"stop{number}")
            begin = time.monotonic() + 0.3
            screen = self.server.start("off_attacks:ask", str(recorder.path), "off", begin + self._moment())
            time.sleep(begin - time.monotonic())
            if number % 2:
                os.kill(recorder.pid, signal.SIGTERM)
            else:
                recorder.view.request(StopRecording())
            self._count(found, screen)
            self._end(recorder)
        return found

    def screens(self) -> Figures:
        """Three screens act at once: OFF, and two of stop, note and step."""
        found = Figures()
        for number in range(self.tries):
            self.bench.switch_on()
            recorder = RunningRecorder(self.server, self.bench, f"screens{number}")
            begin = time.monotonic() + 0.4
            doing = ["off", *self.chance.choices(["stop", "note", "step"], k=2)]
            screens = [
                self.server.start("off_attacks:ask", str(recorder.path), what, begin + self.chance.uniform(0, 0.03))
                for what in doing
            ]
            self._count(found, screens[0])
            for screen in screens[1:]:
                self.server.wait(screen)
            self._end(recorder)
        return found

    def replaced(self) -> Figures:
        """OFF after the session file was replaced by a copy, with a copy of its log or without."""
        return self._spoil(_replace)

    def log(self) -> Figures:
        """OFF after the write-ahead log was deleted."""
        return self._spoil(_delete_log)

    def _spoil(self, spoil: Callable[[Path, random.Random], None]) -> Figures:
        found = Figures()
        recorder: RunningRecorder | None = None
        for number in range(self.tries):
            if recorder is None:
                self.bench.switch_on()
                recorder = RunningRecorder(self.server, self.bench, f"{spoil.__name__}{number}")
            self.bench.switch_on()
            time.sleep(self.chance.uniform(0.3, 1.3))
            screen = self.server.start(
                "off_attacks:ask", str(recorder.path), "off", time.monotonic() + self.chance.uniform(0.1, 1.5)
            )
            time.sleep(self.chance.uniform(0.1, 0.3))
            spoil(recorder.path, self.chance)
            self._count(found, screen)
            if number % TRIES_OF_ONE_RECORDER == TRIES_OF_ONE_RECORDER - 1 or number == self.tries - 1:
                self._end(recorder)
                recorder = None
        return found

    def notes(self) -> Figures:
        """A note while the file is replaced or its log deleted: is it in the session afterwards?"""
        found = Figures()
        recorder: RunningRecorder | None = None
        for number in range(self.tries):
            recorder = recorder or RunningRecorder(self.server, self.bench, f"notes{number}")
            time.sleep(self.chance.uniform(0.1, 1.1))
            (_replace, _delete_log)[number % 2](recorder.path, self.chance)
            time.sleep(self.chance.choice([0.0, self.chance.uniform(0, 1.2)]))
            words, asked = f"note {number}", time.monotonic()
            try:
                recorder.view.request(Note(words))
                accepted = True
            except BenchmonError:
                accepted = False
            seconds = _noted_after(recorder, words, asked) if accepted else None
            if accepted and seconds is None:
                update = recorder.view.poll()
                print(f"    lost: {words}, {recorder.view.live}, {update.now}, {update.trouble}", flush=True)
            found.add(accepted=accepted, seconds=seconds, said=False)
            if number % TRIES_OF_ONE_RECORDER == TRIES_OF_ONE_RECORDER - 1 or number == self.tries - 1:
                self._end(recorder)
                recorder = None
        return found

    def _moment(self) -> float:
        """Return when to ask after a stop: mostly within the half second in which a recorder ends."""
        return self.chance.choice([self.chance.uniform(-0.05, 0.1), self.chance.uniform(0.0, 0.6)])

    def _count(self, found: Figures, screen: int) -> None:
        shown = self.server.wait(screen, 60.0)
        if shown.result is None:
            raise RuntimeError(f"a screen has failed: {shown.errors}")
        if not shown.result["refused"]:
            self.bench.news.wait(2.0)
        heard = self.bench.heard[0] - shown.result["asked"] if self.bench.heard else None
        if heard is None and not shown.result["refused"]:
            print(f"    lost: {shown.result}", flush=True)
        found.add(accepted=not shown.result["refused"], seconds=heard, said=bool(shown.result.get("unheard")))

    def _end(self, recorder: RunningRecorder) -> None:
        with suppress(ProcessLookupError):
            os.kill(recorder.pid, signal.SIGTERM)
        recorder.wait()
        recorder.view.close()


def _replace(path: Path, chance: random.Random) -> None:
    """Put a copy in the place of a session file that is being recorded, with a copy of its log, or with none."""
    for ending in ("", "-wal"):
        with suppress(OSError):
            shutil.copy(f"{path}{ending}", f"{path}{ending}.copy")
    if chance.random() < 0.5:
        Path(f"{path}-wal.copy").unlink(missing_ok=True)
    for ending in ("-wal", ""):
        with suppress(OSError):
            Path(f"{path}{ending}.copy").replace(f"{path}{ending}")


def _delete_log(path: Path, chance: random.Random) -> None:
    """Delete the log of a session file that is being recorded, with its index or without."""
    Path(f"{path}-wal").unlink(missing_ok=True)
    if chance.random() < 0.5:
        Path(f"{path}-shm").unlink(missing_ok=True)


def _noted_after(recorder: RunningRecorder, words: str, asked: float) -> float | None:
    """Return how many seconds after it was asked for a note is seen by the screen that asked, None if never."""
    while time.monotonic() < asked + DONE_WITHIN:
        with suppress(BenchmonError):
            if any(event.message == words for event in recorder.view.poll().events):
                return time.monotonic() - asked
        time.sleep(0.1)
    return None


def main() -> int:
    """Print the figures; return 1 where a request was lost."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("attack", nargs="?", choices=["stop", "screens", "replaced", "log", "notes"])
    parser.add_argument("--tries", type=int, default=200)
    given = parser.parse_args()
    lost = 0
    for name in [given.attack] if given.attack else ["stop", "screens", "replaced", "log", "notes"]:
        attack = Attack(given.tries)
        try:
            found: Figures = getattr(attack, name)()
        finally:
            attack.end()
        print(f"{'LOST' if found.lost else 'ok  '} {name}: {found}", flush=True)
        lost += found.lost
    return 1 if lost else 0


if __name__ == "__main__":
    sys.exit(main())
