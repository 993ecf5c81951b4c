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
import unittest
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass
from enum import Enum, auto
from pathlib import Path
from typing import TypeVar

from benchmon.errors import InstrumentError
from benchmon.instruments.driver import AnyDriver
from benchmon.instruments.types import Reading
from benchmon.text import one_line

T = TypeVar("T")
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
    DRIPPING = auto()
    """Sends single bytes of an answer that never ends, a few in each timeout."""
    LATE = auto()
    """Answers each question rightly, but later than the driver's timeout."""
    ONE_BAD = auto()
    """Like WELL, but garbage for the last channel of the rig alone."""


ALWAYS_PLAYED = frozenset({Behaviour.WELL, Behaviour.SILENT, Behaviour.GARBAGE, Behaviour.CONTROL_CODES})
"""What every rig plays; a test of another behaviour is skipped where a rig does not play it."""


@dataclass(frozen=True)
class Rig:
    """A driver that is not open, the values of its channels in SI units, and a function to change the behaviour.

    A driver that switches the power off is given with its keys (`configure_switch`), so that this is tested too.
    """

    driver: AnyDriver
    shows: dict[str, float]
    behave: Callable[[Behaviour], None]
    plays: frozenset[Behaviour] = ALWAYS_PLAYED
    why_no_more: str = ""
    """Why such an instrument cannot behave in the other ways; a test that is skipped says so."""


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

    def test_bytes_that_drip_are_no_value_and_hold_nobody_up(self) -> None:
        """An answer without an end is given up within the time-outs and is never a value."""
        with self._rig_that_plays(Behaviour.DRIPPING) as rig:
            rig.driver.open()
            self._readings(rig)
            rig.behave(Behaviour.DRIPPING)
            found = self._in_time(rig, "bytes that drip")
            wrong = [one for one in found if one.value is not None and not _shows(one, rig.shows[one.channel])]
            _demand(not wrong, f"took a part of an answer for a value: {wrong}")
            self._recovers(rig)

    def test_a_late_answer_is_never_another_channels(self) -> None:
        """An answer that comes after its timeout is no value, or that of its own channel."""
        with self._rig_that_plays(Behaviour.LATE) as rig:
            rig.driver.open()
            self._readings(rig)
            rig.behave(Behaviour.LATE)
            for _ in range(2):
                found = self._in_time(rig, "late answers")
                wrong = [one for one in found if one.value is not None and not _shows(one, rig.shows[one.channel])]
                _demand(not wrong, f"took a late answer for another channel's: {wrong}")
            self._recovers(rig)

    def test_one_bad_channel_silences_no_other(self) -> None:
        """Where one channel's answer is no reading, the others still have theirs."""
        with self._rig_that_plays(Behaviour.ONE_BAD) as rig:
            rig.driver.open()
            self._readings(rig)
            rig.behave(Behaviour.ONE_BAD)
            # What was under way may still arrive at first.
            *good, bad = rig.shows
            deadline, seen = time.monotonic() + self.patience, dict.fromkeys(good, False)
            while not all(seen.values()):
                _demand(time.monotonic() < deadline, f"one bad channel silences others: {seen}")
                under_way = deadline - time.monotonic() > self.patience - _UNDER_WAY
                for reading in _attempt_each(rig.driver):
                    is_value = reading.value is not None
                    _demand(not is_value or _shows(reading, rig.shows[reading.channel]), f"read {reading}")
                    _demand(under_way or not is_value or reading.channel != bad, f"read {reading}")
                    if is_value and not under_way:
                        seen[reading.channel] = True
            self._recovers(rig)

    def test_switching_off_fails_only_as_an_instrument_does(self) -> None:
        """Arming, switching off and asking for the state raise nothing but `InstrumentError`, and in time."""
        with self.rig() as rig:
            if rig.driver.switch is None:
                raise unittest.SkipTest("the rig's driver switches nothing off")
            for behaviour in (Behaviour.WELL, Behaviour.SILENT, Behaviour.GARBAGE):
                rig.behave(behaviour)
                for what in (rig.driver.arm_switch, rig.driver.switch_off, rig.driver.is_off):
                    outcome = self._outcome_in_time(what, f"{what.__name__} while {behaviour.name}")
                    fits = not isinstance(outcome, Exception) or isinstance(outcome, InstrumentError)
                    _demand(fits, f"{what.__name__} raises {outcome!r}, which is no InstrumentError")
                    is_line = not isinstance(outcome, str) or (outcome and outcome == one_line(outcome))
                    _demand(bool(is_line), f"{what.__name__} returns {outcome!r}, which is not a printable line")

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
            outcome = self._outcome_in_time(lambda: _attempt(rig.driver), "a silent instrument")
            if isinstance(outcome, InstrumentError):
                return True
            if isinstance(outcome, Exception):
                raise outcome
        return False

    @contextmanager
    def _rig_that_plays(self, behaviour: Behaviour) -> Iterator[Rig]:
        with self.rig() as rig:
            if behaviour not in rig.plays:
                why = f": {rig.why_no_more}" if rig.why_no_more else ""
                raise unittest.SkipTest(f"the rig does not play {behaviour.name}{why}")
            yield rig

    def _in_time(self, rig: Rig, what: str) -> list[Reading]:
        """Return the readings of one attempt, none where the instrument is lost; it is then opened again."""
        outcome = self._outcome_in_time(lambda: _attempt(rig.driver), what)
        if not isinstance(outcome, Exception):
            return outcome
        _demand(isinstance(outcome, InstrumentError), f"{what}: raises {outcome!r}, which is no InstrumentError")
        rig.driver.close()
        with suppress(InstrumentError):
            rig.driver.open()
        return []

    def _outcome_in_time(self, call: Callable[[], T], what: str) -> T | Exception:
        """Return what `call` returns or raises. Raises `AssertionError` where it hangs."""
        outcome: list[T | Exception] = []

        def run() -> None:
            try:
                outcome.append(call())
            except Exception as problem:  # noqa: BLE001  it is judged by the test
                outcome.append(problem)

        thread = threading.Thread(target=run, name=what, daemon=True)
        thread.start()
        thread.join(self.patience)
        _demand(bool(outcome), f"hangs for more than {self.patience:g} s at {what}")
        return outcome[0]

    def _recovers(self, rig: Rig) -> None:
        rig.driver.close()
        rig.behave(Behaviour.WELL)
        self._open_in_time(rig)
        readings = self._readings(rig)
        wrong = {name: found for name, found in readings.items() if not _shows(found, rig.shows[name])}
        _demand(not wrong, f"reads wrongly afterwards: {wrong}")
        rig.driver.close()

    def _open_in_time(self, rig: Rig) -> None:
        """Open the driver, which may take a few tries: what is still under way on a slow line can spoil the first."""
        give_up = time.monotonic() + self.patience
        while True:
            try:
                rig.driver.open()
            except InstrumentError:
                if time.monotonic() > give_up:
                    raise
                time.sleep(0.01)
            else:
                return


def _shows(reading: Reading, value: float) -> bool:
    return reading.value is not None and abs(reading.value - value) <= 1e-9 * abs(value)


def _attempt(driver: AnyDriver) -> list[Reading]:
    if driver.streams:
        return driver.receive(0.1)
    return [driver.read(name) for name in driver.channels]


def _attempt_each(driver: AnyDriver) -> list[Reading]:
    """Return the readings of the channels that have one, queried together where the driver queries them so."""
    if driver.streams:
        return driver.receive(0.1)
    names = list(driver.channels)
    found: list[Reading] = []
    for queried in [names] if driver.queries_together else [[name] for name in names]:
        with suppress(InstrumentError):
            found += driver.read_together(queried)
    return found


def _open_files() -> int:
    """Return the number of open files of this process; 0 where the system does not give it."""
    try:
        return sum(1 for _ in Path("/proc/self/fd").iterdir())
    except OSError:
        return 0


def _demand(holds: bool, otherwise: str) -> None:
    if not holds:
        raise AssertionError(otherwise)
