"""Switching off on a trip: at once, in threads of its own, until the meters show that the power is gone.

The kinds of its events: `switch` (whether it can be reached), `switching off`, `switched off`, `power is back`, and
`switch-off failed`, than which there is none louder. It goes on trying as long as the recording runs, and a recording
that is asked to end lets it finish first. Who switches on again while something is past its limit, or gets there, is
switched off again.

Telling a switch to switch off, again and again, without ever waiting for one that hangs.

Trying the switch before power: it is told to switch off, and readings must show that it did.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from queue import Empty, SimpleQueue

from benchmon.bench import Bench
from benchmon.errors import BadInput, InstrumentError
from benchmon.event_kinds import EventKind
from benchmon.instruments.acquisition import Acquisition
from benchmon.instruments.connection_test import Tried
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.types import InstrumentNews, Reading
from benchmon.text import one_line
from benchmon.watch.limits import trip_crossed
from benchmon.watch.power_state import UNSEEN, Power, PowerFinding, PowerGone
from benchmon.watch.records import Event
from benchmon.watch.wording import past

_NEXT_ATTEMPT_AFTER = 0.5
"""Seconds after which the switch is told again."""
_HUNG_AFTER = 2.0
"""Seconds after which one who has not come back is left to himself, and another is sent."""
_MOST = 8


class SwitchOffAttempts:
    """Threads that tell `driver` to switch off, one after the other."""

    def __init__(self, driver: AnyDriver) -> None:
        self._driver = driver
        self._threads: list[threading.Thread] = []
        self._sent = 0.0
        self.was_told = False
        """Whether the switch has taken the command, and has been asked what it is."""
        self.says_off: bool | None = None
        """What the switch says of itself, None where it cannot tell."""
        self.last = ""
        """What came of the last attempt, in words."""

    @property
    def name(self) -> str:
        """The instrument's name."""
        return self._driver.name

    def send(self) -> None:
        """Tell the switch now."""
        self._sent = time.monotonic()
        thread = threading.Thread(target=self._go, name="switch messenger", daemon=True)
        self._threads.append(thread)
        thread.start()

    def send_again(self) -> None:
        """Tell the switch again where it is time to, and not too many hang."""
        self._threads = [thread for thread in self._threads if thread.is_alive()]
        since = time.monotonic() - self._sent
        if since > (_HUNG_AFTER if self._threads else _NEXT_ATTEMPT_AFTER) and len(self._threads) < _MOST:
            self.send()

    def _go(self) -> None:
        try:
            self.last = self._driver.switch_off()
        except InstrumentError as problem:
            self.last = one_line(problem)
            return
        # Where the switch cannot be asked the meters tell.
        with suppress(InstrumentError):
            self.says_off = self._driver.is_off()
        # Last, since a switch that says it is still on must not pass for one that cannot tell.
        self.was_told = True


_LOOK_EVERY = 0.02
_SEEN_WITHIN, _PERIODS = 1.5, 3
"""Seconds, or periods of the slowest meter that tells, within which the power must be seen to go."""
_LONGEST_HOLD = 10.0
"""Seconds beyond that for which a recording that is asked to end goes on because of it."""
_AGAIN_AFTER = 1.0
"""Seconds after which a trip may switch off once more."""
_READY_AGAIN_AFTER, _TELLS_AGAIN_AFTER = 5.0, 30.0


class SwitchingOff:
    """The switch of a bench, if it has one. `now` gives session seconds."""

    def __init__(self, bench: Bench, drivers: Iterable[AnyDriver], now: Callable[[], float]) -> None:
        self._driver = next((driver for driver in drivers if driver.switch is not None), None)
        self._now = now
        self._channels = {channel.name: channel for channel in bench.channel}
        self._came_back: set[str] = set()
        """The channels that have been inside their limits since the power was switched off."""
        self._power = PowerGone(bench.channel)
        self._seen_within = max(_SEEN_WITHIN, _PERIODS * self._power.period)
        self._events: SimpleQueue[Event] = SimpleQueue()
        self._started: float | None = None
        self._reason = ""
        self._done = self._is_back = False
        self._done_at = 0.0
        self._ended = threading.Event()

    @property
    def exists(self) -> bool:
        """Whether the bench has a switch."""
        return self._driver is not None

    def start(self) -> None:
        """Reach the switch, so that it is known before it is needed whether it can be."""
        if self._driver is not None:
            driver = self._driver
            threading.Thread(target=lambda: self._make_ready(driver), name="switch", daemon=True).start()

    def observe(self, channel: str, at: float, value: float | None) -> None:
        """Take a reading, which may show that the power is gone, or that it is back though a limit is passed."""
        self._power.observe(channel, at, value)
        if not self._done or value is None or math.isnan(value):
            return
        self._tell_whether_it_is_back(at)
        crossing = trip_crossed(self._channels[channel], value)
        if crossing is None:
            self._came_back.add(channel)
        elif at - self._done_at >= _AGAIN_AFTER and self._is_on_again(channel):
            self.trip(f"{past(self._channels[channel], value, crossing)}, again")

    def trip(self, reason: str) -> None:
        """Switch off; returns at once. A further trip changes nothing while the power is still on its way off."""
        if self._driver is None or (self._started is not None and not self._done):
            return
        self._started, self._reason = self._now(), reason
        self._done = self._is_back = False
        self._came_back.clear()
        messengers = SwitchOffAttempts(self._driver)
        messengers.send()
        self._power.switched(self._started)
        threading.Thread(target=lambda: self._see_it_through(messengers), name="switching off", daemon=True).start()

    def _tell_whether_it_is_back(self, at: float) -> None:
        """Say once that the power is back after it was seen to be gone, and once that it is gone again."""
        if at - self._done_at < _AGAIN_AFTER:
            return
        back, finding = self._power.back(), self._power.finding()
        if back and not self._is_back:
            self._say(EventKind.POWER_IS_BACK, f"{back}, after it was switched off", at)
            self._is_back = True
        elif not back and self._is_back and finding.power is Power.GONE:
            self._say(EventKind.SWITCHED_OFF, f"{finding.words}, after the power had come back", at)
            self._is_back = False

    def _is_on_again(self, channel: str) -> bool:
        """Return whether the power is back, where nothing shows it because `channel` came back and went again."""
        power = self._power.finding().power
        return power is Power.THERE or (power is not Power.GONE and channel in self._came_back)

    def holds(self) -> bool:
        """Return whether a recording that is asked to end must still go on: the power is not seen to be gone."""
        if self._started is None or self._done:
            return False
        return self._now() - self._started < self._seen_within + _LONGEST_HOLD

    def events(self) -> list[Event]:
        """Return what happened since the last call."""
        found = []
        while not self._events.empty():
            found.append(self._events.get())
        return found

    def end(self) -> None:
        """Let go of the switch."""
        self._ended.set()
        if self._driver is not None and not self._driver.channels:
            self._driver.ending = True
            self._driver.close()

    # The threads

    def _make_ready(self, driver: AnyDriver) -> None:
        told = ""
        while not self._ended.is_set() and self._started is None:
            try:
                driver.arm_switch()
                says = f"{driver.name} is ready to switch off on a trip"
            except InstrumentError as problem:
                says = f"{driver.name} cannot be reached to switch off on a trip: {one_line(problem)}"
            if says != told:
                self._say(EventKind.SWITCH, says)
            told = says
            self._ended.wait(_READY_AGAIN_AFTER)

    def _see_it_through(self, messengers: SwitchOffAttempts) -> None:
        name, started = messengers.name, self._started or 0.0
        self._say(EventKind.SWITCHING_OFF, f"{name} was told to switch off: {self._reason}", started)
        told_at = started + self._seen_within - _TELLS_AGAIN_AFTER
        while not self._ended.is_set() and not self._done:
            finding, now = self._power.finding(), self._now()
            done = _done(finding, messengers)
            if done:
                self._say(EventKind.SWITCHED_OFF, f"{done}, {now - started:.2f} s after {name} was told")
                self._done_at, self._done = now, True
            elif now - told_at > _TELLS_AGAIN_AFTER:
                told_at = now
                self._say(EventKind.SWITCH_OFF_FAILED, _failure(name, finding, messengers, now - started))
            messengers.send_again()
            self._ended.wait(_LOOK_EVERY)

    def _say(self, kind: EventKind, message: str, at: float | None = None) -> None:
        self._events.put(Event(self._now() if at is None else at, "", kind, one_line(message, 400)))


def _done(finding: PowerFinding, messengers: SwitchOffAttempts) -> str:
    """Return in words that the power is gone, "" while it is not known to be."""
    if finding.power is Power.GONE:
        return finding.words
    if finding.power is Power.UNSEEN and messengers.was_told and messengers.says_off is not False:
        says = "the switch says that it is off" if messengers.says_off else messengers.last
        return f"{says}; {UNSEEN}, so look"
    return ""


def _failure(name: str, finding: PowerFinding, messengers: SwitchOffAttempts, seconds: float) -> str:
    says = {
        Power.THERE: finding.words,
        Power.WAITED_FOR: "no meter has shown that the power is gone",
        Power.UNSEEN: "the switch says that it is still on" if messengers.says_off is False else "",
    }.get(finding.power, "")
    parts = [part for part in (says, messengers.last) if part]
    return f"SWITCH OFF BY HAND: {name} has not switched off within {seconds:.1f} s ({'; '.join(parts)})"


_EXERCISE_SEEN_WITHIN, _EXERCISE_PERIODS = 2.0, 3
_EXERCISE_LONGEST = 30.0
"""Seconds within which the meters must have read, or at most, where their periods are long."""


def exercise(bench: Bench, drivers: Sequence[AnyDriver]) -> list[Tried]:
    """Switch off what [switch_off] names, and return what was done and what readings show of it.

    `drivers` are those of `bench`, not opened yet. Raises `BadInput` where the bench has no [switch_off].
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
            self._driver.arm_switch()
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
        """Return what shows that it switched off; a reading that was nothing before shows nothing."""
        name, finding = self._driver.name, self._power.finding()
        if finding.power is Power.THERE:
            return Tried(name, "", ok=False, words=f"NOT off: {finding.words}")
        if finding.power is Power.GONE and finding.fell:
            return Tried(name, "", ok=True, words=f"verified: {finding.words}")
        # Some instruments have one connection to give.
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
