"""The status of the bench while it is recorded: worked out once, for everybody who reads the session."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from benchmon.bench import Bench
from benchmon.session.records import Record
from benchmon.watch.records import Event, Explanations, Forecast, Judgement
from benchmon.watch.status import BenchStatus, StatusWatch

_STORE_EVERY = 0.25
_READINGS_EVERY = 1.0
"""Seconds after which a status is stored anew though only the readings in it have moved."""


class StatusRecorder:
    """Follows what a recording writes and says when a status is to be stored.

    Another level is stored at once, what else changes at most four times a second. Meanwhile the status that stands is
    confirmed as often.
    """

    def __init__(self, bench: Bench) -> None:
        self._watch = StatusWatch(bench)
        self._stored: BenchStatus | None = None
        self._next = 0.0
        self._has_news = False

    @property
    def latest(self) -> BenchStatus | None:
        """The status that was stored last."""
        return self._stored

    def change(self, bench: Bench) -> None:
        """Go by another description of the same channels from now on."""
        self._watch.change(bench)

    def observe(self, record: Judgement | Record) -> None:
        """Take a judgement, a forecast or causes; other records say nothing of the bench."""
        match record:
            case Judgement():
                self._watch.judgement(record)
            case Forecast():
                self._watch.forecast(record)
            case Explanations():
                self._watch.explanations(record)

    def events(self, events: Iterable[Event]) -> None:
        """Take events; the status is due after any."""
        for event in events:
            self._watch.events([event])
            self._has_news = True

    @property
    def is_due(self) -> bool:
        """Return whether something has happened since the last look."""
        return self._has_news

    def look(self, now: float, state: str = "recording") -> BenchStatus | None:
        """Return the status to be stored at `now` (session seconds), None where it is too soon for that."""
        self._has_news = False
        fresh, stored = self._watch.at(now, state), self._stored
        if stored is None or fresh.level is not stored.level or fresh.state != stored.state:
            return self._store(fresh, now)
        if now < self._next:
            return None
        if not fresh.is_alike(stored) or (now >= stored.time + _READINGS_EVERY and not fresh.tells_the_same(stored)):
            return self._store(fresh, now)
        return self._store(replace(stored, until=now), now)

    def _store(self, status: BenchStatus, now: float) -> BenchStatus:
        self._stored, self._next = status, now + _STORE_EVERY
        return status
