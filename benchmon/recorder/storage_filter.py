"""Which forecasts, waveforms and statuses of a recording are stored.

Forecasts are made once a second. Over a day they would take as much space as the readings they are made from, and
captured waveforms far more. So a forecast is stored when it differs from the last stored one, a waveform every few
seconds and at an event, and the bench's status at most four times a second, at once where its level changes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from benchmon.bench import Bench
from benchmon.session.records import Record
from benchmon.watch.records import Event, Explanations, Forecast, Judgement, Waveform
from benchmon.watch.status import BenchStatus, StatusWatch

_STANDS_FOR = 30.0
"""Seconds after which a forecast is stored again even if it has not changed."""
_OF_UNCERTAINTY, _OF_TIME, _SECONDS = 0.1, 0.03, 1.0

_WAVE_EVERY, _SAMPLES_A_SECOND = 2.0, 250.0
"""Seconds from one waveform of a channel to the next, and average samples a second: at most 1 kB/s."""


def says_the_same(forecast: Forecast, former: Forecast) -> bool:
    """Return whether `forecast` adds nothing to `former`.

    That is so if it is of the same kind, its final value differs by at most a tenth of the uncertainty, and the limit
    is passed at the same moment: within a second, or 3 % of the time left.
    """
    if forecast.time - former.time >= _STANDS_FOR or forecast.state != former.state:
        return False
    spread = max(forecast.uncertainty or 0.0, former.uncertainty or 0.0)
    left = max(forecast.to_limit or 0.0, former.to_limit or 0.0)
    return (
        _near(forecast.final, former.final, _OF_UNCERTAINTY * spread)
        and _near(forecast.uncertainty, former.uncertainty, _OF_UNCERTAINTY * spread)
        and all(
            _near(_moment(forecast, now), _moment(former, then), max(_SECONDS, _OF_TIME * left))
            for now, then in (
                (forecast.to_limit, former.to_limit),
                (forecast.earliest, former.earliest),
                (forecast.latest, former.latest),
            )
        )
    )


def _moment(forecast: Forecast, ahead: float | None) -> float | None:
    return None if ahead is None else forecast.time + ahead


def _near(one: float | None, other: float | None, allowed: float) -> bool:
    if one is None or other is None:
        return one is other
    return one == other or abs(one - other) <= allowed


class WaveformFilter:
    """Selects the captured waveforms to be stored: of each channel one every few seconds, and the one at an event."""

    def __init__(self) -> None:
        self._kept: dict[str, Waveform] = {}
        self._held: dict[str, Waveform] = {}
        """The latest of each channel, if it was not stored."""

    def offer(self, wave: Waveform) -> list[Waveform]:
        """Take a waveform; return those to be stored."""
        former = self._kept.get(wave.channel)
        pause = 0.0 if former is None else max(_WAVE_EVERY, len(former.times) / _SAMPLES_A_SECOND)
        if former is not None and wave.time - former.time < pause:
            self._held[wave.channel] = wave
            return []
        return [self._keep(wave)]

    def at_event(self) -> list[Waveform]:
        """Return the waveforms held back, at an event; at most one of a channel in two seconds."""
        return [
            self._keep(wave)
            for wave in list(self._held.values())
            if wave.time - self._kept[wave.channel].time >= _WAVE_EVERY
        ]

    def _keep(self, wave: Waveform) -> Waveform:
        self._held.pop(wave.channel, None)
        self._kept[wave.channel] = wave
        return wave


_STORE_EVERY = 0.25
_READINGS_EVERY = 1.0
"""Seconds after which a status is stored again if only its readings have changed."""


class StatusRecorder:
    """Derives the bench's status from the records of a recording and decides when to store it.

    A change of level is stored at once, other changes at most four times a second. In between the stored status is
    confirmed as often.
    """

    def __init__(self, bench: Bench) -> None:
        self._watch = StatusWatch(bench)
        self._stored: BenchStatus | None = None
        self._next = 0.0
        self._has_news = False
        self._latest: dict[str, Judgement] = {}
        self._may_be_other = True
        """Whether a verdict, a flag or an event may have brought another level since the last look."""

    @property
    def latest(self) -> BenchStatus | None:
        """The last stored status."""
        return self._stored

    def change(self, bench: Bench) -> None:
        """Replace the bench by another description of the same channels."""
        self._watch.change(bench)
        self._may_be_other = True

    def judgement(self, judgement: Judgement) -> Judgement:
        """Take a judgement; return it with the verdict that counts, see `SteadyVerdict.shown`."""
        shown = self._watch.judgement(judgement)
        former = self._latest.get(shown.channel)
        if former is None or former.verdict is not shown.verdict or former.flags != shown.flags:
            self._may_be_other = True
        self._latest[shown.channel] = shown
        return shown

    def observe(self, record: Record) -> None:
        """Take a forecast or causes; other records do not affect the status."""
        self._may_be_other = True
        match record:
            case Forecast():
                self._watch.forecast(record)
            case Explanations():
                self._watch.explanations(record)

    def events(self, events: Iterable[Event]) -> None:
        """Take events; any event makes the status due."""
        for event in events:
            self._watch.events([event])
            self._has_news = self._may_be_other = True

    @property
    def is_due(self) -> bool:
        """Whether there was an event since the last look."""
        return self._has_news

    def look(self, now: float, state: str = "recording") -> BenchStatus | None:
        """Return the status to be stored at `now` (session seconds), None if it is too soon."""
        stored = self._stored
        if stored is not None and now < self._next and state == stored.state and not self._may_be_other:
            return None
        self._has_news = self._may_be_other = False
        fresh = self._watch.at(now, state)
        if stored is None or fresh.level is not stored.level or fresh.state != stored.state:
            return self._store(fresh, now)
        if now < self._next:
            return None
        if not fresh.is_alike(stored) or (now >= stored.time + _READINGS_EVERY and not fresh.is_the_same_as(stored)):
            return self._store(fresh, now)
        return self._store(replace(stored, until=now), now)

    def _store(self, status: BenchStatus, now: float) -> BenchStatus:
        self._stored, self._next = status, now + _STORE_EVERY
        return status
