"""The alarms that stand: what raised them, since when, and whether somebody has acknowledged them.

An acknowledged alarm stays, as words, until its cause is over; a trip is never over. Acknowledging is an event of the
session, so every screen knows of it; where no recorder can be asked it silences this screen alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from benchmon.bench import Channel
from benchmon.event_kinds import AlarmKind, EventKind, traits_of
from benchmon.watch.ahead import Ahead
from benchmon.watch.limits import has_limits
from benchmon.watch.records import Event, Flag, Judgement
from benchmon.watch.without_power import is_low_without_power
from benchmon.watch.wording import warned

_GRAVE = (AlarmKind.SWITCH_OFF_FAILED, AlarmKind.TRIPPED, AlarmKind.RECORDER_GONE)
_ORDER = tuple(AlarmKind)


@dataclass(frozen=True, slots=True)
class Alarm:
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


Key = tuple[AlarmKind, str]


class Alarms:
    """Follows the events and judgements of a session."""

    def __init__(self) -> None:
        self._raised: dict[Key, float] = {}
        self._seen: dict[Key, float] = {}
        self._acknowledged: dict[str, float] = {}
        self._failed_to_switch_off = False
        self.standing: tuple[Alarm, ...] = ()

    @property
    def unacknowledged(self) -> tuple[Alarm, ...]:
        """Return those that nobody has acknowledged, the gravest first."""
        return tuple(alarm for alarm in self.standing if not alarm.acknowledged)

    def take(self, events: Iterable[Event]) -> None:
        """Take events in the order of their times."""
        for event in events:
            raised = traits_of(event.kind).alarm
            if raised is not None:
                self._raised[raised, event.channel] = event.time
            if event.kind == EventKind.ACKNOWLEDGED:
                self.acknowledge(event.channel, event.time)
            elif event.kind in (EventKind.SWITCH_OFF_FAILED, EventKind.SWITCHED_OFF):
                self._failed_to_switch_off = event.kind == EventKind.SWITCH_OFF_FAILED

    def acknowledge(self, channel: str, time: float) -> None:
        """Take that somebody has seen what `channel` raised up to `time`; "" is what concerns no channel."""
        self._acknowledged[channel] = max(time, self._acknowledged.get(channel, -math.inf))

    def judge(
        self, channels: Iterable[Channel], latest: Mapping[str, Judgement], ahead: Ahead, *, is_gone: bool, is_off: bool
    ) -> None:
        """Take how the bench stands at `ahead.now`; `is_gone` is whether its recorder has died.

        `is_off` is whether the supply has no power: what is low then raises no alarm, since it can be nothing else.
        """
        keys: list[Key] = [(AlarmKind.SWITCH_OFF_FAILED, "")] if self._failed_to_switch_off else []
        keys += [(AlarmKind.RECORDER_GONE, "")] if is_gone else []
        said: dict[Key, str] = {}
        for channel in channels:
            judgement = latest.get(channel.name)
            if judgement is not None:
                keys += [(kind, channel.name) for kind in _kinds(channel, judgement, ahead, is_off=is_off)]
                said[AlarmKind.HOT, channel.name] = warned(channel, judgement.value)
        self._seen = {key: self._seen.get(key, ahead.now) for key in keys}
        ordered = sorted(self._seen, key=lambda key: (_ORDER.index(key[0]), self._since(key)))
        self.standing = tuple(Alarm(*key, self._is_acknowledged(key), said.get(key, "")) for key in ordered)

    def _since(self, key: Key) -> float:
        return self._raised.get(key, self._seen[key])

    def _is_acknowledged(self, key: Key) -> bool:
        return self._acknowledged.get(key[1], -math.inf) >= self._since(key)


def _kinds(channel: Channel, judgement: Judgement, ahead: Ahead, *, is_off: bool) -> list[AlarmKind]:
    if Flag.TRIPPED in judgement.flags:
        return [AlarmKind.TRIPPED]
    kinds = []
    if ahead.surely_passes(channel.name) and ahead.limit_words(channel):
        kinds.append(AlarmKind.HEADING_FOR_LIMIT)
    if Flag.HOT in judgement.flags and not is_low_without_power(channel, judgement, off=is_off):
        kinds.append(AlarmKind.HOT)
    if Flag.STALE in judgement.flags and has_limits(channel):
        kinds.append(AlarmKind.NOT_WATCHED)
    return kinds
