"""The load that a sweep sets by program: setting it, and releasing it at once, from any thread and in any state.

Commands go in threads of their own. What was set is released at a trip, at OFF, where an instrument is lost, where the
sweep stops or is done, and before the recording ends. A setting that was overtaken by a release is released again when
it comes back.

A recorder that is killed can release nothing, so a small process stands beside it from the first setting on: `guard`.
It learns through a pipe what is set, and releases it where the pipe ends before the load was released. A computer that
stops takes both along, so a load with a time-out of its own is set to use it.

Kinds of its events: `load released`, and `load not released`, which names the load to be taken off by hand.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from queue import SimpleQueue

from benchmon.bench import Bench, Sweep, read_bench
from benchmon.errors import InstrumentError
from benchmon.event_kinds import EventKind
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.registry import prepare
from benchmon.recorder.switch_off import SwitchOffAttempts
from benchmon.text import one_line
from benchmon.watch.records import Event

_LOOK_EVERY = 0.02
_SAID_AFTER, _SAID_EVERY = 1.5, 30.0
"""Seconds after which it is said that the load is not released, as for a switch, and said again."""
_WAITED_FOR = 5.0
"""Seconds for which a recording that ends waits for the release."""
_GUARDED_FOR, _GUARD_EVERY = 60.0, 0.5
"""Seconds for which the guard tries to release a load that a recorder has left, and how often."""
_GUARD_ENDS_WITHIN = 1.0


class LoadControl:
    """The loads that the sweeps of a bench set. `now` gives session seconds."""

    def __init__(self, bench: Bench, drivers: Iterable[AnyDriver], now: Callable[[], float]) -> None:
        by_name = {driver.name: driver for driver in drivers}
        self._drivers = {
            sweep.name: by_name[sweep.instrument]
            for sweep in bench.sweep
            if sweep.instrument is not None and sweep.instrument in by_name
        }
        self._now = now
        self._guard = _Guard(bench)
        self._events: SimpleQueue[Event] = SimpleQueue()
        self._lock = threading.RLock()
        self._held = ""
        """The sweep whose load is set or being set, "" where none is."""
        self._count = 0
        """Numbers the settings: what an earlier one comes back with does not count."""
        self._answer: tuple[bool, str] | None = None
        self._releasing_since: float | None = None
        self._ended = threading.Event()

    @property
    def is_held(self) -> bool:
        """Whether a load is set, or being set, that was not released."""
        return bool(self._held)

    def set(self, sweep: Sweep, value: float) -> None:
        """Have the load of a sweep set to a value (A or Ω); returns at once, and `answer` says what came of it."""
        with self._lock:
            self._count += 1
            self._held, self._answer = sweep.name, None
            count = self._count
            self._guard.hold(sweep.name)
        threading.Thread(target=lambda: self._set(sweep, value, count), name="setting the load", daemon=True).start()

    def answer(self) -> tuple[bool, str] | None:
        """Return whether the load was set, and in words how or why not; None while that is not known."""
        with self._lock:
            return self._answer

    def release(self, reason: str) -> None:
        """Release what is set, where something is; returns at once, from any thread."""
        with self._lock:
            sweep, self._held = self._held, ""
            if not sweep:
                return
            self._count += 1
            self._answer = None
            self._releasing_since = self._now()
        driver = self._drivers[sweep]
        attempts = SwitchOffAttempts(driver.name, lambda: driver.release_load(sweep), lambda: None)
        attempts.send()
        threading.Thread(
            target=lambda: self._supervise(attempts, sweep, reason), name="releasing the load", daemon=True
        ).start()

    def holds(self) -> bool:
        """Return whether a recording that ends must wait, since a load is not known to be released yet."""
        since = self._releasing_since
        return since is not None and self._now() - since < _WAITED_FOR

    def events(self) -> list[Event]:
        """Return the events since the last call."""
        found = []
        while not self._events.empty():
            found.append(self._events.get())
        return found

    def end(self) -> None:
        """Close the connections to loads that have no channels."""
        self._ended.set()
        self._guard.end()
        for driver in self._drivers.values():
            if not driver.channels:
                driver.ending = True
                driver.close()

    # The threads

    def _set(self, sweep: Sweep, value: float, count: int) -> None:
        driver = self._drivers[sweep.name]
        try:
            words, is_set = driver.set_load(sweep.name, value), True
        except InstrumentError as problem:
            words, is_set = one_line(problem), False
        with self._lock:
            is_overtaken = self._held != sweep.name
            if count == self._count:
                self._answer = (is_set, words)
        if is_overtaken:
            # It may have come to the load after the release did.
            self._guard.hold(sweep.name)
            with suppress(InstrumentError):
                driver.release_load(sweep.name)
                self._let_go(sweep.name)

    def _supervise(self, attempts: SwitchOffAttempts, sweep: str, reason: str) -> None:
        began = time.monotonic()
        said = began + _SAID_AFTER - _SAID_EVERY
        while not (attempts.was_accepted or self._ended.is_set()):
            if time.monotonic() - said > _SAID_EVERY:
                said = time.monotonic()
                words = (
                    f"TAKE THE LOAD OFF BY HAND: {attempts.name} has not released it ({attempts.last or 'no answer'})"
                )
                self._put(EventKind.LOAD_NOT_RELEASED, words)
            attempts.send_if_due()
            self._ended.wait(_LOOK_EVERY)
        if attempts.was_accepted:
            took = f"{time.monotonic() - began:.2f} s"
            self._put(EventKind.LOAD_RELEASED, f"{attempts.name} released the load: {reason}; {attempts.last}, {took}")
            self._let_go(sweep)
        with self._lock:
            self._releasing_since = None

    def _let_go(self, sweep: str) -> None:
        """Have the guard forget a load that is released, unless it was set again meanwhile."""
        with self._lock:
            if self._held != sweep:
                self._guard.let_go()

    def _put(self, kind: EventKind, message: str) -> None:
        self._events.put(Event(self._now(), "", kind, one_line(message, 400)))


class _Guard:
    """The recorder's end of the pipe to the process that releases a load which a killed recorder has left."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._process: subprocess.Popen[bytes] | None = None

    def hold(self, sweep: str) -> None:
        """Have the load of a sweep released where the recorder ends before `let_go`. A failure is left alone.

        A bench that was not read from a text has no guard.
        """
        if self._bench.source and (self._process is None or self._process.poll() is not None):
            self._process = None
            with suppress(OSError):
                # In a session of its own: what kills the recorder's group or its terminal does not kill the guard.
                self._process = subprocess.Popen(
                    [sys.executable, "-P", "-m", "benchmon.recorder", "--guard-load"],
                    stdin=subprocess.PIPE,
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                    start_new_session=True,
                )
                self._send({"bench": self._bench.source})
        self._send({"held": sweep})

    def let_go(self) -> None:
        """Have nothing released: it was released."""
        self._send({"held": ""})

    def end(self) -> None:
        """End the process; what is still held it releases now."""
        if self._process is not None and self._process.stdin is not None:
            with suppress(OSError):
                self._process.stdin.close()
            with suppress(subprocess.TimeoutExpired):
                self._process.wait(_GUARD_ENDS_WITHIN)
            self._process = None

    def _send(self, message: dict[str, str]) -> None:
        if self._process is not None and self._process.stdin is not None:
            with suppress(OSError):
                self._process.stdin.write(json.dumps(message).encode() + b"\n")
                self._process.stdin.flush()


def guard(lines: Iterable[bytes]) -> bool:
    """Read what a recorder holds until `lines` end; release what is left then, and return whether nothing is held.

    The first line has the text of the bench, the others the sweep whose load is held, "" for none. The instrument is
    tried for a minute. Raises `BenchFileError` where the text is no bench, `ValueError` where a line is no JSON.
    """
    for one in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        # The end of the pipe is what counts: a signal to all processes reaches the recorder too, which releases first.
        signal.signal(one, signal.SIG_IGN)
    text, held = "", ""
    for line in lines:
        message = json.loads(line)
        text, held = message.get("bench", text), message.get("held", held)
    if not held:
        return True
    bench = read_bench(text)
    instrument = next(one.instrument for one in bench.sweep if one.name == held)
    driver = next(one for one in prepare(bench) if one.name == instrument)
    give_up = time.monotonic() + _GUARDED_FOR
    while time.monotonic() < give_up:
        with suppress(InstrumentError):
            driver.release_load(held)
            return True
        time.sleep(_GUARD_EVERY)
    return False
