"""Switching the supply off after a trip, and testing the switch before power is applied.

The switch is commanded in threads of their own, again and again, until the meters show that the power is gone; a
command that hangs delays neither the next one nor the recording. Attempts go on as long as the recording runs, and a
recording that is asked to end waits for them a while. If power returns while a limit is exceeded, or a limit is
exceeded after it returned, it is switched off again.

Kinds of its events: `switch` (whether the switch can be reached), `switching off`, `switched off`, `power is back`, and
`switch-off failed`, the most severe event.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from queue import Empty, SimpleQueue
from typing import Protocol

from benchmon.bench import Bench, Channel
from benchmon.errors import BadInput, InstrumentError
from benchmon.event_kinds import EventKind
from benchmon.instruments.acquisition import Acquisition
from benchmon.instruments.connection_test import Tried
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.types import InstrumentNews, Reading
from benchmon.text import one_line
from benchmon.watch.limits import TripLatch, trip_crossed
from benchmon.watch.power_state import Power, PowerFinding, PowerGone
from benchmon.watch.records import Event, EventDetails
from benchmon.watch.wording import past, trip_sentence

_NEXT_ATTEMPT_AFTER = 0.5
"""Seconds after which the switch is commanded again; after each of the first attempts it is half as long again."""
_SLOWER, _LONGEST_PAUSE = 1.5, 2.0
_HUNG_AFTER = 2.0
"""Start another attempt when one has hung for this many seconds."""
_MOST_THREADS = 8


class SwitchOffAttempts:
    """Attempts to switch something off by `command`, each in a thread of its own; `ask` returns whether it is off.

    Both raise `InstrumentError`; `ask` returns None where it cannot be asked.
    """

    def __init__(self, name: str, command: Callable[[], str], ask: Callable[[], bool | None]) -> None:
        self.name = name
        self._command, self._ask = command, ask
        self._threads: list[threading.Thread] = []
        self._sent = 0.0
        self._pause = _NEXT_ATTEMPT_AFTER
        self.was_accepted = False
        """Whether the switch has accepted the command and has been queried for its state."""
        self.says_off: bool | None = None
        """Whether the switch reports that it is off; None if it cannot report it."""
        self.last = ""
        """The result of the last attempt, in words."""

    def send(self) -> None:
        """Start an attempt now, unless too many hang."""
        self._threads = [thread for thread in self._threads if thread.is_alive()]
        if len(self._threads) >= _MOST_THREADS:
            return
        self._sent = time.monotonic()
        thread = threading.Thread(target=self._attempt, name="switch-off attempt", daemon=True)
        self._threads.append(thread)
        thread.start()

    def send_if_due(self) -> None:
        """Start another attempt if it is due and not too many hang."""
        self._threads = [thread for thread in self._threads if thread.is_alive()]
        since = time.monotonic() - self._sent
        if since > (max(_HUNG_AFTER, self._pause) if self._threads else self._pause):
            self._pause = min(_SLOWER * self._pause, _LONGEST_PAUSE)
            self.send()

    def _attempt(self) -> None:
        try:
            self.last = self._command()
        except InstrumentError as problem:
            self.last = one_line(problem)
            return
        self._pause = _NEXT_ATTEMPT_AFTER
        # If the switch cannot be queried, the meters decide.
        with suppress(InstrumentError):
            self.says_off = self._ask()
        # Set last: a switch that reports that it is still on must not pass for one that cannot report it.
        self.was_accepted = True


_LOOK_EVERY = 0.02
_SEEN_WITHIN, _PERIODS = 1.5, 3
"""Seconds, or periods of the slowest meter that shows the power, within which it must be seen to be gone."""
_LONGEST_HOLD = 10.0
"""Seconds beyond that for which a recording that is asked to end waits."""
_AGAIN_AFTER = 1.0
"""Seconds after which a trip may switch off once more."""
_CONNECTS_WITHIN, _CONNECTS_EVERY = 2.0, 0.05
"""Seconds, beyond its timeout, in which the reading of an instrument connects at first; and between looks at that."""
_CHECK_SWITCH_EVERY, _REPEAT_FAILURE_AFTER = 5.0, 30.0


class SwitchOffControl:
    """The switch of a bench, if it has one. `now` gives session seconds."""

    def __init__(self, bench: Bench, drivers: Iterable[AnyDriver], now: Callable[[], float]) -> None:
        self._driver = next((driver for driver in drivers if driver.switch is not None), None)
        self._now = now
        self._channels = {channel.name: channel for channel in bench.channel}
        self._was_within_limits: set[str] = set()
        """The channels that have been within their limits since the power was switched off."""
        self._power = PowerGone(bench.channel)
        self._seen_within = max(_SEEN_WITHIN, _PERIODS * self._power.period)
        self._events: SimpleQueue[Event] = SimpleQueue()
        self._started: float | None = None
        self._attempts: SwitchOffAttempts | None = None
        self._reason = ""
        self._done = self._has_returned = False
        self._done_at = 0.0
        self._is_read = True
        self._ended = threading.Event()
        # A trip comes from an instrument's thread, readings from the recording's, and the supervision has its own.
        self._lock = threading.RLock()

    @property
    def exists(self) -> bool:
        """Whether the bench has a switch."""
        return self._driver is not None

    def start(self) -> None:
        """Connect to the switch, so that a switch out of reach is known before it is needed."""
        if self._driver is not None:
            driver = self._driver
            threading.Thread(target=lambda: self._keep_armed(driver), name="switch", daemon=True).start()

    def observe(self, channel: str, at: float, value: float | None) -> None:
        """Take a reading; it may show that the power is gone, or that it has returned while a limit is exceeded."""
        if self._driver is None:
            return
        with self._lock:
            self._power.observe(channel, at, value)
            if not self._done or at < self._done_at or value is None or math.isnan(value):
                return
            self._report_returned_power(at)
            crossing = trip_crossed(self._channels[channel], value)
            if crossing is None:
                self._was_within_limits.add(channel)
            elif at - self._done_at >= _AGAIN_AFTER and self._is_on_again(channel):
                self.trip(f"{past(self._channels[channel], value, crossing)}, again")

    def change(self, bench: Bench) -> None:
        """Go by another description of the same channels: power that returns is judged by its limits."""
        with self._lock:
            self._channels = {channel.name: channel for channel in bench.channel}

    def readings_ended(self) -> None:
        """Go by the switch's own answer from now on: no meter is read any more."""
        self._is_read = False

    def trip(self, reason: str, request: int | None = None) -> None:
        """Switch off; returns at once, from any thread.

        While one is in progress a further trip changes nothing, and a further request commands the switch once more:
        somebody may have switched on since.

        `request` is the number of the operator's request for it, None where a reading caused it; the event that answers
        carries that number.
        """
        if self._driver is None:
            return
        details = None if request is None else EventDetails(request=request)
        with self._lock:
            if self._started is not None and not self._done:
                if details is not None:
                    if self._attempts is not None:
                        self._attempts.send()
                    self._put_event(EventKind.NOTE, f"{reason}: that is in progress already", details=details)
                return
            driver = self._driver
            attempts = self._attempts = SwitchOffAttempts(driver.name, driver.switch_off, driver.is_off)
            attempts.send()
            self._started, self._reason = self._now(), reason
            self._done = self._has_returned = False
            self._was_within_limits.clear()
            self._power.switched(self._started)
        threading.Thread(target=lambda: self._supervise(attempts, details), name="switching off", daemon=True).start()

    def _report_returned_power(self, at: float) -> None:
        """Report once that the power has returned after it was seen to be gone, and once that it is gone again."""
        if at - self._done_at < _AGAIN_AFTER:
            return
        back, finding = self._power.returned(), self._power.finding()
        if back and not self._has_returned:
            self._put_event(EventKind.POWER_IS_BACK, f"{back}, after it was switched off", at)
            self._has_returned = True
        elif not back and self._has_returned and finding.power is Power.GONE:
            words = f"{finding.words}, after the power had come back"
            self._put_event(EventKind.SWITCHED_OFF, words, at, EventDetails(seen_off=True))
            self._has_returned = False

    def _is_on_again(self, channel: str) -> bool:
        """Return whether the power has returned, also where only `channel`, once within its limits, shows it."""
        power = self._power.finding().power
        return power is Power.THERE or (power is not Power.GONE and channel in self._was_within_limits)

    def holds(self) -> bool:
        """Return whether a recording that is asked to end must wait, since the power is not seen to be gone."""
        if self._started is None or self._done:
            return False
        return self._now() - self._started < self._seen_within + _LONGEST_HOLD

    def events(self) -> list[Event]:
        """Return the events since the last call."""
        found = []
        while not self._events.empty():
            found.append(self._events.get())
        return found

    def end(self) -> None:
        """Close the connection to the switch."""
        self._ended.set()
        if self._driver is not None and not self._driver.channels:
            self._driver.ending = True
            self._driver.close()

    # The threads

    def _keep_armed(self, driver: AnyDriver) -> None:
        reported = ""
        while not self._ended.is_set() and self._started is None:
            try:
                arm(driver, self._ended, _CONNECTS_WITHIN + (0.0 if reported else driver.timeout))
                message = f"{driver.name} is ready to switch off on a trip"
            except InstrumentError as problem:
                message = f"{driver.name} cannot be reached to switch off on a trip: {one_line(problem)}"
            if message != reported:
                self._put_event(EventKind.SWITCH, message)
            reported = message
            self._ended.wait(_CHECK_SWITCH_EVERY)

    def _supervise(self, attempts: SwitchOffAttempts, details: EventDetails | None) -> None:
        name, started = attempts.name, self._started or 0.0
        commanded = f"{name} was commanded to switch off: {self._reason}"
        self._put_event(EventKind.SWITCHING_OFF, commanded, started, details)
        reported_at = started + self._seen_within - _REPEAT_FAILURE_AFTER
        while not self._ended.is_set() and not self._done:
            with self._lock:
                finding = self._power.finding() if self._is_read else PowerFinding(Power.UNSEEN)
                now = self._now()
            done = _done(finding, attempts)
            if done:
                words = f"{done}, {now - started:.2f} s after the command to {name}"
                seen = EventDetails(seen_off=finding.power is Power.GONE)
                # At once: a trip between the two would be taken for one of the switching off that is over.
                with self._lock:
                    self._put_event(EventKind.SWITCHED_OFF, words, details=seen)
                    self._done_at, self._done = now, True
            elif now - reported_at > _REPEAT_FAILURE_AFTER:
                reported_at = now
                self._put_event(EventKind.SWITCH_OFF_FAILED, _failure(name, finding, attempts, now - started))
            with self._lock:
                attempts.send_if_due()
            self._ended.wait(_LOOK_EVERY)
        self._see_accepted(attempts)

    def _see_accepted(self, attempts: SwitchOffAttempts) -> None:
        """Command the switch a while longer where it has not accepted it yet, though the power is seen to be gone.

        That may be a line of a meter from before the command, or a mains that failed and returns.
        """
        give_up = self._done_at + _LONGEST_HOLD
        while not (self._ended.is_set() or attempts.was_accepted) and self._now() < give_up:
            with self._lock:
                if self._attempts is not attempts:
                    return
                attempts.send_if_due()
            self._ended.wait(_LOOK_EVERY)

    def _put_event(
        self, kind: EventKind, message: str, at: float | None = None, details: EventDetails | None = None
    ) -> None:
        self._events.put(Event(self._now() if at is None else at, "", kind, one_line(message, 400), details))


def arm(driver: AnyDriver, ended: threading.Event, within: float) -> None:
    """Arm the switch of `driver`; if the readings go through it too, allow them `within` seconds to connect.

    Returns early when `ended` is set. Raises `InstrumentError` where the switch was not seen to be reached.
    """
    give_up = time.monotonic() + (within if driver.channels else 0.0)
    while not ended.is_set():
        try:
            driver.arm_switch()
        except InstrumentError:
            if time.monotonic() >= give_up:
                raise
            ended.wait(_CONNECTS_EVERY)
        else:
            return


class Releasable(Protocol):
    """A load that is released at a trip."""

    def release(self, reason: str) -> None:
        """Release it; returns at once."""
        ...


class TripGuard:
    """Switches off where a reading passes a trip limit, in the thread that read it: no statistics come before.

    The watch judges the same reading later, by the same rule, and reports the trip.
    """

    def __init__(
        self, channels: Iterable[Channel], switch_off: SwitchOffControl, load: Releasable | None = None
    ) -> None:
        self._switch_off, self._load = switch_off, load
        self._guarded = {channel.name: (channel, TripLatch(channel)) for channel in channels}
        self._unreported: set[str] = set()

    def change(self, channels: Iterable[Channel]) -> None:
        """Go by other limits of the same channels."""
        for channel in channels:
            _, latch = self._guarded[channel.name]
            latch.change(channel)
            self._guarded[channel.name] = (channel, latch)
        self._unreported.clear()

    def observe(self, name: str, value: float | None) -> None:
        """Take a reading of a channel; every channel's readings come from one thread."""
        if value is None or math.isnan(value):
            return
        channel, latch = self._guarded[name]
        crossing = latch.update(value)
        if crossing is not None:
            self._unreported.add(name)
            sentence = trip_sentence(channel, value, crossing)
            self._switch_off.trip(sentence)
            if self._load is not None:
                self._load.release(sentence)

    def reported(self, name: str) -> None:
        """Note that the watch has reported the trip of a channel."""
        self._unreported.discard(name)

    @property
    def is_ahead(self) -> bool:
        """Whether it has switched off for a reading that the watch has not judged yet."""
        return bool(self._unreported)


def _done(finding: PowerFinding, attempts: SwitchOffAttempts) -> str:
    """Return how the power is known to be gone, "" while it is not."""
    if finding.power is Power.GONE:
        return finding.words
    if finding.power is Power.UNSEEN and attempts.was_accepted and attempts.says_off is not False:
        says = "the switch says that it is off" if attempts.says_off else attempts.last
        return f"{says}; no channel shows whether the power is gone, so look"
    return ""


def _failure(name: str, finding: PowerFinding, attempts: SwitchOffAttempts, seconds: float) -> str:
    says = {
        Power.THERE: finding.words,
        Power.WAITED_FOR: "no meter has shown that the power is gone",
        Power.UNSEEN: "the switch says that it is still on" if attempts.says_off is False else "",
    }.get(finding.power, "")
    parts = [part for part in (says, attempts.last) if part]
    return f"SWITCH OFF BY HAND: {name} has not switched off within {seconds:.1f} s ({'; '.join(parts)})"


_EXERCISE_SEEN_WITHIN, _EXERCISE_PERIODS = 2.0, 3
_EXERCISE_LONGEST = 30.0
"""Seconds within which the meters must have read, however long their periods are."""


def exercise(bench: Bench, drivers: Sequence[AnyDriver]) -> list[Tried]:
    """Switch off what [switch_off] names; return what was done and what the readings show.

    `drivers` are those of `bench`, not opened yet. Raises `BadInput` if the bench has no [switch_off].
    """
    driver = next((driver for driver in drivers if driver.switch is not None), None)
    if driver is None:
        raise BadInput("has no [switch_off], so there is nothing to exercise")
    trial = _Trial(bench, drivers, driver)
    try:
        return trial.run()
    finally:
        trial.end()


class _Trial:
    def __init__(self, bench: Bench, drivers: Sequence[AnyDriver], driver: AnyDriver) -> None:
        self._driver = driver
        self._inbox: SimpleQueue[Reading | InstrumentNews] = SimpleQueue()
        self._acquisition = Acquisition(bench, self._inbox.put, drivers=drivers)
        self._power = PowerGone(bench.channel)
        self._within = min(_EXERCISE_LONGEST, max(_EXERCISE_SEEN_WITHIN, _EXERCISE_PERIODS * self._power.period))
        self._read: set[str] = set()

    def run(self) -> list[Tried]:
        self._acquisition.start()
        try:
            arm(self._driver, threading.Event(), self._driver.timeout + _CONNECTS_WITHIN)
            self._watch(lambda: self._read >= set(self._power.channels))
            started = time.monotonic()
            words = self._driver.switch_off()
        except InstrumentError as problem:
            return [Tried(self._driver.name, "", ok=False, words=f"NOT switched off: {one_line(problem)}")]
        took = time.monotonic() - started
        self._power.switched(started)
        self._watch(lambda: self._power.finding().power is Power.GONE)
        return [Tried(self._driver.name, "", ok=True, words=f"{words}, in {1000 * took:.0f} ms"), self._verdict()]

    def _watch(self, enough: Callable[[], bool]) -> None:
        give_up = time.monotonic() + self._within
        while time.monotonic() < give_up and not enough():
            try:
                news = self._inbox.get(timeout=0.05)
            except Empty:
                continue
            if isinstance(news, Reading) and news.value is not None:
                self._power.observe(news.channel, news.time, news.value)
                self._read.add(news.channel)

    def _verdict(self) -> Tried:
        """Return what proves the switch-off; a reading that was zero before proves nothing."""
        name, finding = self._driver.name, self._power.finding()
        if finding.power is Power.THERE:
            return Tried(name, "", ok=False, words=f"NOT off: {finding.words}")
        if finding.power is Power.GONE and finding.was_present:
            return Tried(name, "", ok=True, words=f"verified: {finding.words}")
        # Some instruments accept a single connection.
        self._acquisition.stop(2.0)
        try:
            says_off = self._driver.is_off()
        except InstrumentError as problem:
            return Tried(name, "", ok=False, words=f"NOT verified: {one_line(problem)}")
        if says_off is None:
            return Tried(name, "", ok=False, words="NOT verified: no reading shows it; listen to the relay, or measure")
        return Tried(
            name, "", says_off, "verified: it reads back as off" if says_off else "NOT off: it reads back as on"
        )

    def end(self) -> None:
        self._acquisition.stop(2.0)
        self._driver.ending = True
        self._driver.close()
