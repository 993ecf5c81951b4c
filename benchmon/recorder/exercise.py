"""Trying the switch before power: it is told to switch off, and readings must show that it did."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from queue import Empty, SimpleQueue

from benchmon.bench import Bench
from benchmon.errors import BadInput, InstrumentError
from benchmon.instruments.acquisition import Acquisition
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.reading import InstrumentNews, Reading
from benchmon.instruments.trial import Tried
from benchmon.text import one_line
from benchmon.watch.power_gone import Power, PowerGone

_SEEN_WITHIN, _PERIODS = 2.0, 3
_MOST = 30.0
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
        self._within = min(_MOST, max(_SEEN_WITHIN, _PERIODS * self._power.period))
        self._read: set[str] = set()

    def run(self) -> list[Tried]:
        self._acquisition.start()
        try:
            self._driver.ready_switch()
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
