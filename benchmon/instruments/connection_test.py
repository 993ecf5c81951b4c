"""Trying the instruments of a bench before the test: each is opened, and each channel is read once."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass

from benchmon.bench import Bench, Channel
from benchmon.errors import InstrumentError
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.types import Reading
from benchmon.text import one_line

_LONGEST_WAIT = 20.0
"""Seconds for which the lines of an instrument that speaks by itself are waited for."""


@dataclass(frozen=True, slots=True)
class Tried:
    """What came of a try: of an instrument itself (`channel` is "") or of one of its channels.

    `value` is in the channel's unit, None where none came; `words` say who answered, or why nobody did.
    """

    instrument: str
    channel: str
    ok: bool
    words: str = ""
    value: float | None = None
    unit: str = ""


def try_instruments(bench: Bench, drivers: Iterable[AnyDriver]) -> list[Tried]:
    """Open every one of `drivers` (of `bench`, not opened yet), read its channels once, and close it again.

    All are tried at the same time. The order is that of the bench file.
    """
    tries = [_Try(bench, driver) for driver in drivers]
    for one in tries:
        one.start()
    for one in tries:
        one.join()
    return [row for one in tries for row in one.rows]


class _Try(threading.Thread):
    """One instrument's try."""

    def __init__(self, bench: Bench, driver: AnyDriver) -> None:
        super().__init__(name=f"trying {driver.name}", daemon=True)
        self.rows: list[Tried] = []
        self._driver = driver
        self._channels = [channel for channel in bench.channel if channel.name in driver.channels]

    def run(self) -> None:
        driver = self._driver
        try:
            identity = driver.open()
        except InstrumentError as problem:
            self._tell(Tried(driver.name, "", ok=False, words=one_line(problem)))
        else:
            where = f"is open at {driver.settings.address}" if driver.settings.address else "is read by hand"
            self._tell(Tried(driver.name, "", ok=True, words=identity or where))
            if not driver.by_hand:
                self._read()
        finally:
            driver.ending = True
            driver.close()

    def _read(self) -> None:
        readings: dict[str, Reading] = {}
        problem = ""
        try:
            if self._driver.streams:
                readings = self._listen()
            else:
                readings = {name: self._driver.read(name) for name in self._driver.channels}
        except InstrumentError as lost:
            problem = one_line(lost)
        for channel in self._channels:
            self._tell(_row(self._driver.name, channel, readings.get(channel.name), problem))

    def _listen(self) -> dict[str, Reading]:
        """Return the first reading of each channel of an instrument that speaks by itself."""
        readings: dict[str, Reading] = {}
        give_up = time.monotonic() + min(_LONGEST_WAIT, self._driver.timeout + 1.0)
        while len(readings) < len(self._driver.channels) and time.monotonic() < give_up:
            for reading in self._driver.receive(0.1):
                if readings.get(reading.channel, reading).value is None or reading.channel not in readings:
                    readings[reading.channel] = reading
        return readings

    def _tell(self, row: Tried) -> None:
        self.rows.append(row)


def _row(instrument: str, channel: Channel, reading: Reading | None, problem: str) -> Tried:
    if reading is None:
        return Tried(instrument, channel.name, ok=False, words=problem or "nothing came")
    return Tried(
        instrument, channel.name, reading.value is not None, one_line(reading.problem), reading.value, channel.unit
    )
