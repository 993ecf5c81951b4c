"""Switching off on a trip: at once, in threads of its own, until the meters show that the power is gone.

The kinds of its events: `switch` (whether it can be reached), `switching off`, `switched off`, `power is back`, and
`switch-off failed`, than which there is none louder. It goes on trying as long as the recording runs, and a recording
that is asked to end lets it finish first. Who switches on again while something is past its limit, or gets there, is
switched off again.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterable
from queue import SimpleQueue

from benchmon.bench import Bench
from benchmon.errors import InstrumentError
from benchmon.event_kinds import EventKind
from benchmon.instruments.driver import AnyDriver
from benchmon.recorder.messengers import Messengers
from benchmon.text import one_line
from benchmon.watch.limits import trip_crossed
from benchmon.watch.power_gone import Finding, Power, PowerGone
from benchmon.watch.records import Event
from benchmon.watch.without_power import UNSEEN
from benchmon.watch.wording import past

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
        messengers = Messengers(self._driver)
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
                driver.ready_switch()
                says = f"{driver.name} is ready to switch off on a trip"
            except InstrumentError as problem:
                says = f"{driver.name} cannot be reached to switch off on a trip: {one_line(problem)}"
            if says != told:
                self._say(EventKind.SWITCH, says)
            told = says
            self._ended.wait(_READY_AGAIN_AFTER)

    def _see_it_through(self, messengers: Messengers) -> None:
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


def _done(finding: Finding, messengers: Messengers) -> str:
    """Return in words that the power is gone, "" while it is not known to be."""
    if finding.power is Power.GONE:
        return finding.words
    if finding.power is Power.UNSEEN and messengers.was_told and messengers.says_off is not False:
        says = "the switch says that it is off" if messengers.says_off else messengers.last
        return f"{says}; {UNSEEN}, so look"
    return ""


def _failure(name: str, finding: Finding, messengers: Messengers, seconds: float) -> str:
    says = {
        Power.THERE: finding.words,
        Power.WAITED_FOR: "no meter has shown that the power is gone",
        Power.UNSEEN: "the switch says that it is still on" if messengers.says_off is False else "",
    }.get(finding.power, "")
    parts = [part for part in (says, messengers.last) if part]
    return f"SWITCH OFF BY HAND: {name} has not switched off within {seconds:.1f} s ({'; '.join(parts)})"
