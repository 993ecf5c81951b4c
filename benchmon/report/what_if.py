"""A session watched again with another bench file: the same readings, other tolerances, limits or parts."""

from __future__ import annotations

import math
from dataclasses import replace

from benchmon.bench import Bench
from benchmon.prediction.result import Expected
from benchmon.report.rejudged import Rejudged
from benchmon.session.replay import ReplayView
from benchmon.session.view import RECENT_SECONDS, Part, RecorderState, SessionInfo, Update
from benchmon.watch.records import Judgement

_AHEAD = 0.02
"""Seconds of every poll in which what comes later is judged, so that jumps find it done."""


class WhatIf:
    """A `SessionView` that plays what another view tells, judged by another bench.

    Channels are known by their names; those that `bench` does not have are left out. The watch's own events, causes and
    forecasts of then are left out too, and made anew. What `judged` holds already is not judged again. Raises
    `BadInput` where no channel is common to both.
    """

    def __init__(self, view: ReplayView, bench: Bench, judged: Rejudged | None = None) -> None:
        self._view = view
        self._judged = judged or Rejudged(view.info.path, bench)
        self._info = replace(view.info, bench=bench)
        self._next_reading: int | None = None
        self._next_event = 0

    @property
    def info(self) -> SessionInfo:
        """Return what does not change, with the other bench."""
        return self._info

    @property
    def live(self) -> bool:
        """Return False: nobody can be asked for anything."""
        return False

    def poll(self) -> Update:
        """Return what came since the last poll, judged anew."""
        update, judged = self._view.poll(), self._judged
        until = update.now if update.state is RecorderState.RECORDING else math.inf
        judged.judge_until(until)
        before: list[Judgement] = []
        if self._next_reading is None:
            self._next_reading, before = judged.begin_at(update.now - RECENT_SECONDS)
        last = judged.count_until(until)
        judgements = [*before, *judged.judgements(self._next_reading, last)]
        events = judged.events_between(self._next_event, until)
        self._next_reading, self._next_event = max(last, self._next_reading), self._next_event + len(events)
        judged.judge_for(_AHEAD)
        return replace(
            update,
            judgements=tuple(judgements),
            events=tuple(events),
            explanations=None,
            forecasts=(),
            bench=None,
            status=None,
            settled=None,
            steps=(),
            waveforms=tuple(wave for wave in update.waveforms if wave.channel in judged.names),
        )

    def request(self, kind: str, text: str = "") -> None:
        """Raise `RecorderError`: there is no recorder."""
        self._view.request(kind, text)

    def trend(self, channel: str, since: float, until: float, parts: int) -> tuple[Part, ...]:
        """Return what `channel` read: that is as it was."""
        return self._view.trend(channel, since, until, parts) if channel in self._judged.names else ()

    def band(self, channel: str, since: float, until: float, parts: int) -> tuple[Expected | None, ...]:
        """Return what `channel` would have been expected to read, as far as the play has come."""
        width = (until - since) / max(1, parts)
        middles = [since + (at + 0.5) * width for at in range(parts)]
        position = self._view.position
        return tuple(None if at > position else self._judged.expected(channel, at) for at in middles)

    def close(self) -> None:
        """Let go of the file."""
        self._view.close()
