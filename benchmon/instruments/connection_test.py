"""The connection test before a test: opens each instrument of a bench and reads each channel once."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable
from dataclasses import dataclass

from benchmon.bench import Bench, Channel
from benchmon.errors import InstrumentError
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.types import Reading
from benchmon.quantities import format_value
from benchmon.text import one_line

_LONGEST_WAIT = 20.0
"""The most seconds to wait for the readings of a streaming instrument."""


@dataclass(frozen=True, slots=True)
class Tried:
    """The result for an instrument itself (`channel` is "") or for one of its channels.

    `value` is in the channel's unit, None if there is none; `words` are the identity, or why there was no reply.
    """

    instrument: str
    channel: str
    ok: bool
    words: str = ""
    value: float | None = None
    unit: str = ""

    @property
    def in_words(self) -> str:
        """The result in a line: `output: 22.10 V`."""
        shown = self.words if self.value is None else format_value(self.value, self.unit)
        return f"{self.channel or self.instrument}: {shown}"


def try_instruments(bench: Bench, drivers: Iterable[AnyDriver]) -> list[Tried]:
    """Open each of `drivers` (of `bench`, not opened yet), read its channels once, and close it again.

    All are tested at the same time. The results are in the order of the bench file.
    """
    checks = [_ConnectionCheck(bench, driver) for driver in drivers]
    for check in checks:
        check.start()
    for check in checks:
        check.join()
    return [row for check in checks for row in check.rows]


class _ConnectionCheck(threading.Thread):
    """The test of one instrument."""

    def __init__(self, bench: Bench, driver: AnyDriver) -> None:
        super().__init__(name=f"connection test of {driver.name}", daemon=True)
        self.rows: list[Tried] = []
        self._driver = driver
        self._channels = [channel for channel in bench.channel if channel.name in driver.channels]

    def run(self) -> None:
        driver = self._driver
        try:
            identity = driver.open()
        except InstrumentError as problem:
            self._add(Tried(driver.name, "", ok=False, words=one_line(problem)))
        else:
            where = f"is open at {driver.settings.address}" if driver.settings.address else "is read by hand"
            self._add(Tried(driver.name, "", ok=True, words=identity or where))
            for caution in driver.cautions():
                self._add(Tried(driver.name, "", ok=False, words=caution))
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
            self._add(_row(self._driver.name, channel, readings.get(channel.name), problem))

    def _listen(self) -> dict[str, Reading]:
        """Return the first reading of each channel of a streaming instrument."""
        readings: dict[str, Reading] = {}
        give_up = time.monotonic() + min(_LONGEST_WAIT, self._driver.timeout + 1.0)
        while len(readings) < len(self._driver.channels) and time.monotonic() < give_up:
            for reading in self._driver.receive(0.1):
                if readings.get(reading.channel, reading).value is None or reading.channel not in readings:
                    readings[reading.channel] = reading
        return readings

    def _add(self, row: Tried) -> None:
        self.rows.append(row)


def _row(instrument: str, channel: Channel, reading: Reading | None, problem: str) -> Tried:
    if reading is None:
        return Tried(instrument, channel.name, ok=False, words=problem or "nothing came")
    return Tried(
        instrument, channel.name, reading.value is not None, one_line(reading.problem), reading.value, channel.unit
    )
