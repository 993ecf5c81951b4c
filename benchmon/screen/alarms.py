"""The alarms of a session's status, and whether somebody has acknowledged them.

An acknowledged alarm stays, as words, until its cause is over; a trip is never over. Acknowledging is an event of the
session, so every screen knows of it; where no recorder can be asked it silences this screen alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from benchmon.bench import Channel
from benchmon.event_kinds import AlarmKind, EventKind
from benchmon.watch import status
from benchmon.watch.records import Event
from benchmon.watch.wording import warned

_GRAVE = (AlarmKind.SWITCH_OFF_FAILED, AlarmKind.TRIPPED, AlarmKind.RECORDER_GONE)


@dataclass(frozen=True, slots=True)
class ShownAlarm:
    """Something that a person must see. `channel` is "" where it concerns none."""

    kind: AlarmKind
    channel: str
    acknowledged: bool = False
    said: str = field(default="", compare=False)
    """How a person is told of it, where the kind is not the word for it: what is past its warning may be low."""

    @property
    def is_grave(self) -> bool:
        """Return whether it asks to switch off at once."""
        return self.kind in _GRAVE

    @property
    def words(self) -> str:
        """Return what it is, in a few words."""
        return f"{self.channel} {self.said or self.kind}".strip()


class AlarmPanel:
    """Follows the status of a session, and what has been acknowledged."""

    def __init__(self) -> None:
        self._acknowledged: dict[str, float] = {}
        self._alarms: tuple[status.Alarm, ...] = ()
        self._channels: Mapping[str, Channel] = {}
        self.standing: tuple[ShownAlarm, ...] = ()

    @property
    def unacknowledged(self) -> tuple[ShownAlarm, ...]:
        """Return those that nobody has acknowledged, the gravest first."""
        return tuple(alarm for alarm in self.standing if not alarm.acknowledged)

    def note_events(self, events: Iterable[Event]) -> None:
        """Take events in the order of their times: others may acknowledge, too."""
        for event in events:
            if event.kind == EventKind.ACKNOWLEDGED:
                self.acknowledge(event.channel, event.time)

    def acknowledge(self, channel: str, time: float) -> None:
        """Take that somebody has seen what `channel` raised up to `time`; "" is what concerns no channel."""
        self._acknowledged[channel] = max(time, self._acknowledged.get(channel, -math.inf))
        self._find_standing()

    def update(self, alarms: tuple[status.Alarm, ...], channels: Iterable[Channel]) -> None:
        """Take the alarms of the latest status, the gravest first; `channels` are those of the bench."""
        self._alarms, self._channels = alarms, {channel.name: channel for channel in channels}
        self._find_standing()

    def _find_standing(self) -> None:
        self.standing = tuple(
            ShownAlarm(alarm.kind, alarm.channel, self._is_acknowledged(alarm), self._words(alarm))
            for alarm in self._alarms
        )

    def _words(self, alarm: status.Alarm) -> str:
        channel = self._channels.get(alarm.channel)
        return warned(channel, alarm.value) if alarm.kind is AlarmKind.HOT and channel is not None else ""

    def _is_acknowledged(self, alarm: status.Alarm) -> bool:
        return self._acknowledged.get(alarm.channel, -math.inf) >= alarm.since
