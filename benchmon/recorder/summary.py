"""What a recording came to: per channel, and as a table for a terminal without a screen."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from benchmon.bench import Bench, Channel
from benchmon.event_kinds import EventKind
from benchmon.text import clock, one_line, table
from benchmon.watch.records import Event, Flag, Judgement, Verdict
from benchmon.watch.status import BenchStatus
from benchmon.watch.wording import flag_words, shown_unit, value_in_words, value_with_uncertainty


@dataclass(frozen=True, slots=True)
class ChannelSummary:
    """One channel over a whole recording, values in its `unit`: how many usable readings, and the last judgement."""

    name: str
    quantity: str
    unit: str
    count: int
    last: float | None
    lowest: float | None
    highest: float | None
    expected: float | None
    expected_uncertainty: float | None
    verdict: Verdict
    flags: frozenset[Flag]
    flag_words: tuple[str, ...] = ()
    """The flags as a person reads them."""


@dataclass(frozen=True, slots=True)
class Summary:
    """A whole recording: where it is, how long it took in seconds, its channels, and what happened."""

    path: Path
    duration: float
    channels: tuple[ChannelSummary, ...]
    event_count: int
    status: BenchStatus | None = None
    """How the bench stood at the end."""
    interruptions: tuple[Event, ...] = ()
    """The events of mains that was gone, back, or dipped."""

    @property
    def trips(self) -> tuple[str, ...]:
        """Return the channels that went past a limit."""
        return () if self.status is None else self.status.tripped

    @property
    def switching(self) -> Event | None:
        """Return the last event about switching off, None where there was none."""
        return None if self.status is None else self.status.switching


class Tally:
    """Counts while a recording runs."""

    def __init__(self, bench: Bench) -> None:
        self._channels = {channel.name: _ChannelTally(channel) for channel in bench.channel}
        self._events = 0
        self._interruptions: list[Event] = []

    def judgement(self, judgement: Judgement) -> None:
        """Count a judgement."""
        self._channels[judgement.channel].add(judgement)

    def events(self, events: Sequence[Event]) -> None:
        """Count events."""
        self._events += len(events)
        if len(self._interruptions) < _MOST_KEPT:
            self._interruptions += [event for event in events if event.kind in _INTERRUPTIONS]

    def summary(self, path: Path, duration: float, status: BenchStatus | None = None) -> Summary:
        """Return what it came to; `status` is how the bench stood at the end."""
        channels = tuple(channel.summary() for channel in self._channels.values())
        return Summary(path, duration, channels, self._events, status, tuple(self._interruptions))


class _ChannelTally:
    def __init__(self, channel: Channel) -> None:
        self._channel = channel
        self._count = 0
        self._lowest, self._highest = math.inf, -math.inf
        self._latest: Judgement | None = None
        self._last_value: float | None = None

    def add(self, judgement: Judgement) -> None:
        self._latest = judgement
        if judgement.value is None:
            return
        self._count += 1
        self._last_value = judgement.value
        if math.isfinite(judgement.value):
            self._lowest = min(self._lowest, judgement.value)
            self._highest = max(self._highest, judgement.value)

    def summary(self) -> ChannelSummary:
        latest = self._latest
        has_range = self._lowest <= self._highest
        return ChannelSummary(
            self._channel.name,
            self._channel.quantity,
            self._channel.unit,
            self._count,
            self._last_value,
            self._lowest if has_range else None,
            self._highest if has_range else None,
            latest.expected if latest else None,
            latest.expected_uncertainty if latest else None,
            latest.verdict if latest else Verdict.UNPREDICTED,
            latest.flags if latest else frozenset(),
            tuple(flag_words(latest.flags, self._channel, latest.value)) if latest else (),
        )


_INTERRUPTIONS = (EventKind.MAINS_GONE, EventKind.MAINS_BACK, EventKind.MAINS_DIP)
_MOST_INTERRUPTIONS, _MOST_KEPT = 6, 1000
"""Events of the mains that are printed, and that are kept."""
_HEADINGS = ("channel", "readings", "last", "lowest", "highest", "expected", "verdict")


def summary_text(summary: Summary) -> str:
    """Return the summary as a table of plain text, with what tripped and where the session is."""
    lines = [table(_HEADINGS, (_row(channel) for channel in summary.channels))]
    if summary.trips:
        lines.append(f"Tripped: {', '.join(one_line(name) for name in summary.trips)}. Switch off if it is still on.")
    if summary.switching:
        lines.append(f"{summary.switching.kind}: {one_line(summary.switching.message, 400)}")
    shown, more = summary.interruptions[:_MOST_INTERRUPTIONS], len(summary.interruptions) - _MOST_INTERRUPTIONS
    lines += [f"{each.kind} at {clock(each.time)}: {one_line(each.message, 400)}" for each in shown]
    if more > 0:
        lines.append(f"… and {more} more events of the mains, which the session holds")
    events = "1 event" if summary.event_count == 1 else f"{summary.event_count} events"
    lines.append(f"{summary.duration:.1f} s recorded, {events}, in {one_line(summary.path, 1000)}")
    return "\n".join(lines)


def _row(channel: ChannelSummary) -> tuple[str, ...]:
    values, unit = (channel.last, channel.lowest, channel.highest), shown_unit(channel.quantity, channel.unit)
    expected = "–"
    if channel.expected is not None and channel.expected_uncertainty is not None:
        expected = value_with_uncertainty(channel.expected, channel.expected_uncertainty, unit)
    words = ", ".join([channel.verdict, *channel.flag_words])
    shown = (value_in_words(value, unit) for value in values)
    return (one_line(channel.name), str(channel.count), *shown, expected, words)
