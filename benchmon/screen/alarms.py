"""The alarms that stand: what raised them, since when, and whether somebody has acknowledged them.

An acknowledged alarm stays, as words, until its cause is over; a trip is never over. Acknowledging is an event of the
session, so every screen knows of it; where no recorder can be asked it silences this screen alone.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from benchmon.bench import Channel
from benchmon.watch.limits import has_limits
from benchmon.watch.power_state import NOT_SWITCHED_OFF, SWITCHED_OFF, is_low_without_power
from benchmon.watch.records import Event, Flag, Judgement
from benchmon.watch.status import Outlooks
from benchmon.watch.wording import warned

ACKNOWLEDGED = "acknowledged"
RECORDER_GONE = "recorder gone"
_TRIPPED, _HOT, _SILENT, _HEADING = "tripped", "hot", "not watched", "heading for its limit"
_GRAVE = (NOT_SWITCHED_OFF, _TRIPPED, RECORDER_GONE)
_EVENTS = {
    "tripped": _TRIPPED,
    "hot": _HOT,
    "stale": _SILENT,
    "forecast": _HEADING,
    "runaway": _HEADING,
}
_ORDER = (*_GRAVE, _HEADING, _HOT, _SILENT)


@dataclass(frozen=True, slots=True)
class Alarm:
    """Something that a person must see. `channel` is "" where it concerns none."""

    kind: str
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


Key = tuple[str, str]


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
            if event.kind == ACKNOWLEDGED:
                self.acknowledge(event.channel, event.time)
            elif event.kind in _EVENTS:
                self._raised[_EVENTS[event.kind], event.channel] = event.time
            if event.kind in (NOT_SWITCHED_OFF, SWITCHED_OFF):
                self._failed_to_switch_off = event.kind == NOT_SWITCHED_OFF
                self._raised[NOT_SWITCHED_OFF, ""] = event.time

    def acknowledge(self, channel: str, time: float) -> None:
        """Take that somebody has seen what `channel` raised up to `time`; "" is what concerns no channel."""
        self._acknowledged[channel] = max(time, self._acknowledged.get(channel, -math.inf))

    def judge(
        self,
        channels: Iterable[Channel],
        latest: Mapping[str, Judgement],
        ahead: Outlooks,
        *,
        is_gone: bool,
        is_off: bool,
    ) -> None:
        """Take how the bench stands at `ahead.now`; `is_gone` is whether its recorder has died.

        `is_off` is whether the supply has no power: what is low then raises no alarm, since it can be nothing else.
        """
        keys: list[Key] = [(NOT_SWITCHED_OFF, "")] if self._failed_to_switch_off else []
        keys += [(RECORDER_GONE, "")] if is_gone else []
        said: dict[Key, str] = {}
        for channel in channels:
            judgement = latest.get(channel.name)
            if judgement is not None:
                keys += [(kind, channel.name) for kind in _kinds(channel, judgement, ahead, is_off=is_off)]
                said[_HOT, channel.name] = warned(channel, judgement.value)
        self._seen = {key: self._seen.get(key, ahead.now) for key in keys}
        ordered = sorted(self._seen, key=lambda key: (_ORDER.index(key[0]), self._since(key)))
        self.standing = tuple(Alarm(*key, self._is_acknowledged(key), said.get(key, "")) for key in ordered)

    def _since(self, key: Key) -> float:
        return self._raised.get(key, self._seen[key])

    def _is_acknowledged(self, key: Key) -> bool:
        return self._acknowledged.get(key[1], -math.inf) >= self._since(key)


def _kinds(channel: Channel, judgement: Judgement, ahead: Outlooks, *, is_off: bool) -> list[str]:
    if Flag.TRIPPED in judgement.flags:
        return [_TRIPPED]
    kinds = []
    if ahead.surely_passes(channel.name) and ahead.limit_words(channel):
        kinds.append(_HEADING)
    if Flag.HOT in judgement.flags and not is_low_without_power(channel, judgement, off=is_off):
        kinds.append(_HOT)
    if Flag.STALE in judgement.flags and has_limits(channel):
        kinds.append(_SILENT)
    return kinds
