"""What waits to be written: a bounded buffer between the watch, which never waits, and the file, which may fail."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass
from itertools import count

from benchmon.session.predictions import SettledPrediction, StepPrediction
from benchmon.session.records import Heartbeat, Record
from benchmon.watch.records import Event, Explanations, Forecast, Judgement, Waveform
from benchmon.watch.status import BenchStatus, Level

MOST_WAITING = 100_000
"""Readings that wait at most: twenty minutes of sixteen channels at five a second, in some 30 MB."""
_SAMPLES_LIKE_A_READING = 10
_MAY_GIVE_WAY = (Judgement, Forecast, Explanations, Waveform, BenchStatus, SettledPrediction, StepPrediction)


@dataclass(frozen=True, slots=True)
class Lost:
    """Readings that had to give way: how many, and the session times of the first and the last of them."""

    count: int
    first: float
    last: float


class _Line:
    """Records in a line, each with its number in the order they came, weighed as readings."""

    def __init__(self) -> None:
        self.records: deque[tuple[int, Record]] = deque()
        self.weight = 0

    def append(self, number: int, record: Record) -> None:
        self.records.append((number, record))
        self.weight += _weight(record)

    def popleft(self) -> Record:
        _, record = self.records.popleft()
        self.weight -= _weight(record)
        return record


def _weight(record: Record) -> int:
    return 1 + len(record.times) // _SAMPLES_LIKE_A_READING if isinstance(record, Waveform) else 1


class Waiting:
    """Records in the order they came. When `most` wait the oldest readings, and waves, give way; events have as much.

    Of heartbeats only the latest waits. Events, and a status of another level than the one before, are in a hurry.
    """

    def __init__(self, most: int = MOST_WAITING) -> None:
        self._most = most
        self._news = threading.Condition()
        self._numbers = count()
        self._readings, self._others = _Line(), _Line()
        self._heartbeat: Heartbeat | None = None
        self._hurry = self._ended = False
        self._level: Level | None = None
        self._lost: Lost | None = None

    def put(self, record: Record) -> None:
        """Take a record; returns at once."""
        with self._news:
            if isinstance(record, Heartbeat):
                self._heartbeat = record
                return
            number = next(self._numbers)
            may_give_way = isinstance(record, _MAY_GIVE_WAY)
            line = self._readings if may_give_way else self._others
            line.append(number, record)
            while line.weight > self._most and len(line.records) > 1:
                self._lose(line.popleft())
            if self._is_urgent(record):
                self._hurry = True
                self._news.notify()

    def end(self) -> None:
        """Say that nothing more comes."""
        with self._news:
            self._ended = True
            self._news.notify()

    @property
    def ended(self) -> bool:
        """Whether nothing more comes."""
        return self._ended

    @property
    def count(self) -> int:
        """How many records wait."""
        return len(self._readings.records) + len(self._others.records)

    def collect(self, within: float, limit: int) -> list[Record]:
        """Return what came within so many seconds, `limit` at most; sooner where something hurries, or at the end."""
        with self._news:
            self._news.wait_for(lambda: self._hurry or self._ended, within)
            taken = [self._next() for _ in range(min(limit, self.count))]
            self._hurry = self._hurry and self.count > 0
            if self._heartbeat is not None:
                taken.append(self._heartbeat)
                self._heartbeat = None
            return taken

    def pause(self, seconds: float) -> None:
        """Wait for so long, or for the end."""
        with self._news:
            self._news.wait_for(lambda: self._ended, seconds)

    def take_lost(self) -> Lost | None:
        """Return what had to give way since the last call."""
        with self._news:
            lost, self._lost = self._lost, None
            return lost

    def _is_urgent(self, record: Record) -> bool:
        if not isinstance(record, BenchStatus):
            return isinstance(record, Event)
        former, self._level = self._level, record.level
        return record.level is not former

    def _next(self) -> Record:
        lines = [line for line in (self._readings, self._others) if line.records]
        return min(lines, key=lambda line: line.records[0][0]).popleft()

    def _lose(self, record: Record) -> None:
        if isinstance(record, Judgement):
            former = self._lost
            count_before, first = (former.count, former.first) if former else (0, record.time)
            self._lost = Lost(count_before + 1, first, record.time)
