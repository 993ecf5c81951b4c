"""The load that a sweep sets by program: setting it, and releasing it at once, from any thread and in any state.

Commands go in threads of their own. What was set is released at a trip, at OFF, where an instrument is lost, where the
sweep stops or is done, and before the recording ends. A setting that was overtaken by a release is released again when
it comes back. Only a process that lives can do so: after a kill, or a power cut of the computer, the load stays as it
was set, so a load with a time-out of its own is set to use it.

Kinds of its events: `load released`, and `load not released`, which names the load to be taken off by hand.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable
from contextlib import suppress
from queue import SimpleQueue

from benchmon.bench import Bench, Sweep
from benchmon.errors import InstrumentError
from benchmon.event_kinds import EventKind
from benchmon.instruments.driver import AnyDriver
from benchmon.recorder.switch_off import SwitchOffAttempts
from benchmon.text import one_line
from benchmon.watch.records import Event

_LOOK_EVERY = 0.02
_SAID_AFTER, _SAID_EVERY = 1.5, 30.0
"""Seconds after which it is said that the load is not released, as for a switch, and said again."""
_WAITED_FOR = 5.0
"""Seconds for which a recording that ends waits for the release."""


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
            target=lambda: self._supervise(attempts, reason), name="releasing the load", daemon=True
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
            with suppress(InstrumentError):
                driver.release_load(sweep.name)

    def _supervise(self, attempts: SwitchOffAttempts, reason: str) -> None:
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
        with self._lock:
            self._releasing_since = None

    def _put(self, kind: EventKind, message: str) -> None:
        self._events.put(Event(self._now(), "", kind, one_line(message, 400)))
