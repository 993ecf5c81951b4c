"""Acquisition: one thread for each instrument, so that a slow, silent or unplugged one never delays another.

A polled channel is due on a grid of its period, without drift; missed times are not made up (`Schedule`). A stream is
decimated to its channels' periods (`PeriodDecimator`).
"""

from __future__ import annotations

import heapq
import math
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Literal

from benchmon.bench import Bench
from benchmon.errors import BadInput, InstrumentError
from benchmon.event_kinds import EventKind
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.registry import prepare
from benchmon.instruments.types import CapturedWave, InstrumentNews, Limits, Reading
from benchmon.text import one_line


def next_on_grid(due: float, period: float, now: float) -> float:
    """Return the first time after `now` on the grid `due`, `due + period`, … (seconds).

    >>> next_on_grid(10.0, 1.0, 10.2), next_on_grid(10.0, 1.0, 13.5)
    (11.0, 14.0)
    """
    return due + period * (math.floor((now - due) / period) + 1)


class Schedule:
    """The order of polled channels: which is due next. Overdue channels come in the order of their due times."""

    def __init__(self, periods: Mapping[str, float], start: float) -> None:
        self._periods = dict(periods)
        self._heap = [(start, order, name) for order, name in enumerate(periods)]
        heapq.heapify(self._heap)

    @property
    def next_due(self) -> float:
        """The time at which the next channel is due, inf if there is none."""
        return self._heap[0][0] if self._heap else math.inf

    def take(self, now: float) -> str:
        """Return the channel that is due first, and schedule it for its next time after `now`."""
        due, order, name = self._heap[0]
        heapq.heapreplace(self._heap, (next_on_grid(due, self._periods[name], now), order, name))
        return name

    def take_together(self, now: float) -> list[str]:
        """Return every channel that is due at `now`, and schedule each for its next time."""
        taken: list[str] = []
        while self.next_due <= now:
            taken.append(self.take(now))
        return taken


class PeriodDecimator:
    """Decimates a stream to the newest reading of each channel and period. Times are seconds.

    Readings past a limit are not lost: the first one passes at once, and at the end of the period the one farthest past
    the limit passes before the newest.
    """

    def __init__(self, periods: Mapping[str, float], limits: Mapping[str, Limits] | None = None) -> None:
        self._channels = {
            name: _ChannelDecimator(period, (limits or {}).get(name, Limits())) for name, period in periods.items()
        }

    def offer(self, reading: Reading) -> list[Reading]:
        """Add a reading; return the readings that pass at once. It replaces an older reading that is still held."""
        return self._channels[reading.channel].offer(reading)

    def take(self, now: float) -> list[Reading]:
        """Return the held readings whose channels are due at `now`."""
        return [reading for channel in self._channels.values() for reading in channel.take(now)]

    @property
    def next_due(self) -> float:
        """The time at which the next held reading is due, inf if none is held."""
        return min((channel.next_due for channel in self._channels.values()), default=math.inf)


class _ChannelDecimator:
    """One channel of a stream: its newest reading, and the reading farthest past a limit on either side."""

    def __init__(self, period: float, limits: Limits) -> None:
        self._period, self._limits = period, limits
        self._due = -math.inf
        self._newest: Reading | None = None
        self._lowest: Reading | None = None
        self._highest: Reading | None = None
        self._reported: frozenset[float] = frozenset()
        """The exceeded limits that a reading has been passed for, until the stream returns within them."""

    @property
    def next_due(self) -> float:
        return math.inf if self._newest is None else self._due

    def offer(self, reading: Reading) -> list[Reading]:
        past = self._limits.passed(reading.value)
        if past - self._reported:
            self._reported |= past
            self._newest = None
            return [*self._release_extremes(), reading]
        self._newest = reading
        if past and past.issubset(self._limits.above):
            self._highest = max(self._highest or reading, reading, key=_value)
        elif past:
            self._lowest = min(self._lowest or reading, reading, key=_value)
        return []

    def take(self, now: float) -> list[Reading]:
        newest = self._newest
        if newest is None or self._due > now:
            return []
        self._due = next_on_grid(now if self._due == -math.inf else self._due, self._period, now)
        self._reported &= self._limits.passed(newest.value)
        self._newest = None
        return [*(reading for reading in self._release_extremes() if reading.value != newest.value), newest]

    def _release_extremes(self) -> list[Reading]:
        """Return the farthest readings that are held, in order of time, and clear them."""
        held = [reading for reading in (self._lowest, self._highest) if reading is not None]
        self._lowest = self._highest = None
        return sorted(held, key=lambda reading: reading.time)


def _value(reading: Reading) -> float:
    return 0.0 if reading.value is None else reading.value


Sink = Callable[[Reading | InstrumentNews], object]
"""Receives the threads' reports. It is called from every thread, so it must be thread-safe (a queue's `put`)."""

WaveSink = Callable[[CapturedWave], object]
"""Receives the captured waves; it is called from every thread too."""

_FIRST_PAUSE, _LONGEST_PAUSE = 0.2, 1.0
_STEADY = 5.0
"""Seconds that a connection must have lasted for the next pause to be the first, short one again."""
_LISTEN = 0.1
"""Seconds after which a listening thread checks whether to stop."""


class Acquisition:
    """Reads every channel of a bench at its own period and reports to `sink` until it is stopped.

    Raises `BenchFileError` where a driver refuses its keys. `drivers` may be given; by default they are those of the
    bench. `clock` gives monotonic seconds. Captured waves go to `on_wave`. An instrument without channels is not
    opened.
    """

    def __init__(
        self,
        bench: Bench,
        sink: Sink,
        *,
        drivers: Iterable[AnyDriver] | None = None,
        clock: Callable[[], float] = time.monotonic,
        on_wave: WaveSink = lambda _: None,
    ) -> None:
        self._stop = threading.Event()
        every_driver = list(prepare(bench) if drivers is None else drivers)
        for driver in every_driver:
            driver.on_wave = on_wave
        self._workers = [_Worker(driver, sink, self._stop, clock) for driver in every_driver if driver.channels]

    def start(self) -> None:
        """Start the threads. An acquisition runs once."""
        for worker in self._workers:
            worker.start()

    def enter_manual(self, channel: str, text: str, time: float) -> None:
        """Enter the text of `channel`'s display, read at a monotonic time.

        Raises `BadInput` where the text is no value of the channel, or it is read automatically.
        """
        self._driver_of(channel).enter_manual(channel, text, time)

    def take_zero(self, channel: str, value: float) -> float:
        """Count what `channel` reads now, `value` in its unit, as its zero; return the whole zero, in its unit.

        Raises `BadInput` where the bench has no such channel.
        """
        driver = self._driver_of(channel)
        driven = driver.channels[channel]
        zero = driven.zero + value / driven.gain
        driver.channels[channel] = replace(driven, zero=zero)
        return zero

    def _driver_of(self, channel: str) -> AnyDriver:
        for worker in self._workers:
            if channel in worker.driver.channels:
                return worker.driver
        there = ", ".join(one_line(name, 40) for worker in self._workers for name in worker.driver.channels)
        raise BadInput(f"{one_line(channel, 40)} is not a channel of this bench; its channels: {there or 'none'}")

    def stop(self, timeout: float = 5.0) -> list[str]:
        """Stop all threads; return the names of instruments that did not end within `timeout` seconds."""
        self._stop.set()
        for worker in self._workers:
            worker.driver.ending = True
        deadline = time.monotonic() + timeout
        for worker in self._workers:
            if worker.ident is not None:
                worker.join(max(0.0, deadline - time.monotonic()))
        return [worker.driver.name for worker in self._workers if worker.is_alive()]


class _Worker(threading.Thread):
    """The thread of one instrument: opens it, reads until it is lost, closes it, pauses, and repeats."""

    def __init__(self, driver: AnyDriver, sink: Sink, stop: threading.Event, clock: Callable[[], float]) -> None:
        super().__init__(name=f"instrument {driver.name}", daemon=True)
        self.driver = driver
        self._sink = sink
        self._stop_requested = stop
        self._clock = clock
        self._connected_since: float | None = None
        self._lost = False
        self._pause = _FIRST_PAUSE
        driver.clock = clock
        driver.on_complaint = lambda text: self._report(EventKind.COMPLAINT, text)

    def run(self) -> None:
        while not self._stop_requested.is_set():
            try:
                self._work()
            except InstrumentError as problem:
                if not self._stop_requested.is_set():
                    self._report_lost(problem)
            finally:
                self.driver.close()
            self._stop_requested.wait(self._pause)
            self._pause = min(2 * self._pause, _LONGEST_PAUSE)

    def _work(self) -> None:
        identity = self.driver.open()
        if identity:
            self._report_connected()
        if self.driver.streams:
            self._stream()
        else:
            self._poll()

    def _poll(self) -> None:
        periods = {channel.name: channel.period for channel in self.driver.channels.values()}
        schedule = Schedule(periods, self._clock())
        while not self._stop_requested.is_set():
            now = self._clock()
            wait = schedule.next_due - now
            if wait > 0:
                self._stop_requested.wait(wait)
                continue
            due = schedule.take_together(now) if self.driver.queries_together else [schedule.take(now)]
            readings = self.driver.read_together(due)
            if self._connected_since is None:
                self._report_connected()
            for reading in readings:
                self._sink(reading)

    def _stream(self) -> None:
        channels = self.driver.channels.values()
        stream = PeriodDecimator(
            {channel.name: channel.period for channel in channels},
            {channel.name: channel.limits for channel in channels},
        )
        while not self._stop_requested.is_set():
            wait = min(_LISTEN, max(0.0, stream.next_due - self._clock()))
            for reading in self.driver.receive(wait):
                if self._connected_since is None:
                    self._report_connected()
                for passed in stream.offer(reading) if self.driver.decimated else [reading]:
                    self._sink(passed)
            for reading in stream.take(self._clock()):
                self._sink(reading)

    def _report_connected(self) -> None:
        self._connected_since = self._clock()
        self._lost = False
        address = "a person reads it" if self.driver.by_hand else f"address {self.driver.settings.address}"
        self._report(EventKind.CONNECTED, self.driver.identity or address)

    def _report_lost(self, problem: InstrumentError) -> None:
        if self._connected_since is not None and self._clock() - self._connected_since >= _STEADY:
            self._pause = _FIRST_PAUSE
        self._connected_since = None
        if not self._lost:
            self._lost = True
            self._report(EventKind.LOST, one_line(problem))

    def _report(self, kind: Literal[EventKind.CONNECTED, EventKind.LOST, EventKind.COMPLAINT], text: str) -> None:
        self._sink(InstrumentNews(self.driver.name, self._clock(), kind, text))
