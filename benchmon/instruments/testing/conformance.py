"""Conformance tests for drivers, which the tests of any driver's package inherit.

    class TestMyDriver(DriverConformance):
        @contextmanager
        def rig(self):
            with FakeTcpInstrument() as fake_instrument:
                ...
                yield Rig(my_driver, {"uout": 22.1}, behave)

pytest collects the inherited tests. A rig plays the instrument with the behaviours that `Behaviour` lists.
"""

from __future__ import annotations

import threading
import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from enum import Enum, auto
from pathlib import Path

from benchmon.errors import InstrumentError
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.types import Reading
from benchmon.text import one_line

_NOISE, _UNDER_WAY = 1.0, 0.5
"""Seconds of noise, and of these the first in which a value that was sent before may still arrive."""


class Behaviour(Enum):
    """How the fake instrument behaves."""

    WELL = auto()
    """Answers at once, or streams, with the values of the rig."""
    SILENT = auto()
    """Is connected but silent."""
    GARBAGE = auto()
    """Sends bytes that are no reading: line noise, incomplete lines, markup, control codes."""
    CONTROL_CODES = auto()
    """Like WELL, but its identity, if it has one, holds control codes and is far too long."""


@dataclass(frozen=True)
class Rig:
    """A driver that is not open, the values of its channels in SI units, and a function to change the behaviour."""

    driver: AnyDriver
    shows: dict[str, float]
    behave: Callable[[Behaviour], None]


class DriverConformance(ABC):
    """The tests. A subclass implements `rig`; it may allow more `patience` (seconds)."""

    patience: float = 10.0

    @abstractmethod
    def rig(self) -> AbstractContextManager[Rig]:
        """Return a rig whose instrument behaves well, as a context that cleans up after itself."""

    def test_every_channel_shows_its_value_stamped_when_it_came(self) -> None:
        """Value, scale and time of each channel."""
        with self.rig() as rig:
            started = time.monotonic()
            rig.driver.open()
            readings = self._readings(rig)
            rig.driver.close()
            for name, value in rig.shows.items():
                reading = readings[name]
                _demand(_shows(reading, value), f"{name} shows {reading}, not {value}")
                _demand(started <= reading.time <= time.monotonic(), f"{name} is stamped {reading.time}")

    def test_silence_is_noticed_and_survived(self) -> None:
        """A silent instrument raises an `InstrumentError` within its time-outs, and is read again when it answers."""
        with self.rig() as rig:
            rig.driver.open()
            self._readings(rig)
            rig.behave(Behaviour.SILENT)
            started = time.monotonic()
            _demand(self._is_lost(rig), "no_reply was never noticed")
            allowed = 4 * rig.driver.timeout + 2.0
            _demand(time.monotonic() - started < allowed, "no_reply was noticed far too late")
            self._recovers(rig)

    def test_garbage_is_never_a_value_and_is_survived(self) -> None:
        """Noise gives readings without a value, or an `InstrumentError`, and none of it is left afterwards.

        What was under way when the noise began may still arrive; after that even the right value is a wrong one.
        """
        with self.rig() as rig:
            rig.driver.open()
            self._readings(rig)
            rig.behave(Behaviour.GARBAGE)
            deadline = time.monotonic() + _NOISE
            while time.monotonic() < deadline:
                try:
                    found = [reading for reading in _attempt(rig.driver) if reading.value is not None]
                except InstrumentError:
                    break
                under_way = deadline - time.monotonic() > _NOISE - _UNDER_WAY
                _demand(under_way or not found, f"repeats an old value while there is only garbage: {found}")
                wrong = [reading for reading in found if not _shows(reading, rig.shows[reading.channel])]
                _demand(not wrong, f"took garbage for a value: {wrong}")
            self._recovers(rig)

    def test_control_codes_never_get_through(self) -> None:
        """The identity is one printable line, whatever the instrument sends."""
        with self.rig() as rig:
            rig.behave(Behaviour.CONTROL_CODES)
            identity = rig.driver.open()
            rig.driver.close()
            _demand(identity == one_line(identity), f"identity is not printable: {identity!r}")

    def test_closes_twice_and_opens_again(self) -> None:
        """Closing is allowed before opening, after it and again; the driver can be opened afterwards."""
        with self.rig() as rig:
            rig.driver.close()
            for _ in range(2):
                rig.driver.open()
                self._readings(rig)
                rig.driver.close()
                rig.driver.close()

    def test_leaks_neither_files_nor_threads(self) -> None:
        """Opening and closing many times leaves nothing behind."""
        with self.rig() as rig:
            rig.driver.open()
            rig.driver.close()
            files, threads = _open_files(), threading.active_count()
            for _ in range(5):
                rig.driver.open()
                rig.driver.close()
            # A fake instrument in this process closes its own end a little later.
            deadline = time.monotonic() + self.patience
            while max(more := (_open_files() - files, threading.active_count() - threads)) > 0:
                _demand(time.monotonic() < deadline, f"{more[0]} more files are open, and {more[1]} more threads run")
                time.sleep(0.01)

    def _readings(self, rig: Rig) -> dict[str, Reading]:
        """Return a reading with a value for every channel."""
        readings: dict[str, Reading] = {}
        deadline = time.monotonic() + self.patience
        while time.monotonic() < deadline:
            readings |= {reading.channel: reading for reading in _attempt(rig.driver)}
            if readings.keys() == rig.shows.keys() and all(found.value is not None for found in readings.values()):
                return readings
        raise AssertionError(f"not every channel gave a value: {readings}")

    def _is_lost(self, rig: Rig) -> bool:
        deadline = time.monotonic() + self.patience
        while time.monotonic() < deadline:
            try:
                _attempt(rig.driver)
            except InstrumentError:
                return True
        return False

    def _recovers(self, rig: Rig) -> None:
        rig.driver.close()
        rig.behave(Behaviour.WELL)
        rig.driver.open()
        readings = self._readings(rig)
        wrong = {name: found for name, found in readings.items() if not _shows(found, rig.shows[name])}
        _demand(not wrong, f"reads wrongly afterwards: {wrong}")
        rig.driver.close()


def _shows(reading: Reading, value: float) -> bool:
    return reading.value is not None and abs(reading.value - value) <= 1e-9 * abs(value)


def _attempt(driver: AnyDriver) -> list[Reading]:
    if driver.streams:
        return driver.receive(0.1)
    return [driver.read(name) for name in driver.channels]


def _open_files() -> int:
    """Return the number of open files of this process; 0 where the system does not give it."""
    try:
        return sum(1 for _ in Path("/proc/self/fd").iterdir())
    except OSError:
        return 0


def _demand(holds: bool, otherwise: str) -> None:
    if not holds:
        raise AssertionError(otherwise)
