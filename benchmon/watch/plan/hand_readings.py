"""Meters that a person reads: which of their values still count, and which meter is to be read now.

A typed value is of the state in which it was typed. Once the supply has changed it is no evidence of how that is now.
The supply has changed where another channel comes to disagree or to agree again, the power comes or goes, the mains is
turned away from where it was when a value was typed, or a step of the plan begins. A step has other expected values, so
a channel's first verdict in it shows no change of the supply.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from benchmon.bench import Bench, Channel
from benchmon.watch.plan import Plan, is_mains_set, powered_above
from benchmon.watch.records import Verdict
from benchmon.watch.verdict import verdict_of

_TURNED = 0.02
"""Part of itself by which the mains must change to count as turned, beyond its meter's accuracy (from memory)."""

_WITHOUT_POWER = ("mains.", "ambient.")
"""What can be read while the supply has no power."""


def is_mains_turned(channel: Channel, then: float, now: float) -> bool:
    """Return whether `channel`, which read the mains at `then` (V) and reads it at `now`, shows that it was turned."""
    return abs(now - then) > _TURNED * abs(then) + channel.accuracy.of(now)


class HandReadings:
    """Follows the readings of a bench for the sake of the meters that a person reads. Times are session seconds.

    `changed_at` is when the supply last changed, −∞ before it ever did.
    """

    def __init__(self, bench: Bench) -> None:
        self.changed_at = -math.inf
        self._typed_at: dict[str, float] = {}
        self._mains_when_typed: dict[str, float] = {}
        self._disagrees: dict[str, bool] = {}
        self._mains_now: float | None = None
        self._mains_then: float | None = None
        self._is_powered: bool | None = None
        self._step: int | None = None
        self._step_began = -math.inf
        self._needs: tuple[str, ...] = ()
        self._wanted_mains: float | None = None
        self._latest = -math.inf
        self.change(bench)

    def change(self, bench: Bench) -> None:
        """Go by another description of the same channels from now on."""
        self._by_hand = {channel.name: channel for channel in bench.typed_channels}
        self._powered_above = powered_above(bench)
        mains = (channel for channel in bench.channel if channel.quantity == "mains.voltage.rms")
        self._mains: Channel | None = next((one for one in mains if one.name not in self._by_hand), None)

    def follow(self, plan: Plan) -> None:
        """Go by the plan's current step; where it is another one, the supply has changed."""
        step = plan.current_step
        self._needs = () if step is None else step.step.needs
        self._wanted_mains = plan.mains
        number = plan.step_number
        if step is not None and number != self._step:
            self._step_began = self._latest if step.began is None else step.began
            self.changed_at = max(self.changed_at, self._step_began)
            self._disagrees.clear()
        self._step = number

    def observe(self, channel: str, time: float, value: float | None, en: float | None) -> None:
        """Take a reading: its value in the channel's unit and its En, None where there is none."""
        if not self._by_hand:
            return  # no value can lapse
        self._latest = max(self._latest, time)
        if channel in self._by_hand:
            if value is not None and not math.isnan(value):
                self._typed_at[channel] = max(time, self._typed_at.get(channel, time))
                if self._mains_now is not None:
                    self._mains_when_typed[channel] = self._mains_now
            return
        verdict = verdict_of(en)
        # What is questionable is as it was before: a channel at the edge of disagreeing changes nothing.
        if verdict in (Verdict.AGREES, Verdict.DISAGREES) and time >= self._step_began:
            before, now = self._disagrees.get(channel), verdict is Verdict.DISAGREES
            self._disagrees[channel] = now
            if before is not None and before is not now:
                self.changed_at = time
        if self._mains is not None and channel == self._mains.name and value is not None and math.isfinite(value):
            self._observe_mains(self._mains, time, value)

    def _observe_mains(self, channel: Channel, time: float, value: float) -> None:
        self._mains_now = value
        was_powered, self._is_powered = self._is_powered, value > self._powered_above
        then = value if self._mains_then is None else self._mains_then
        counting = [volts for name, volts in self._mains_when_typed.items() if not self.is_lapsed(name)]
        is_turned = any(is_mains_turned(channel, one, value) for one in counting or [then])
        if self._mains_then is None or is_turned:
            self._mains_then = value
        if was_powered is not None and (was_powered is not self._is_powered or (is_turned and self._is_powered)):
            self.changed_at = time

    @property
    def lapsed(self) -> tuple[str, ...]:
        """The channels whose last value was typed before the supply changed, in the order of the bench file."""
        return tuple(name for name in self._by_hand if self.is_lapsed(name))

    def is_lapsed(self, channel: str) -> bool:
        """Return whether the last value of a channel was typed, and before the supply changed."""
        return self._typed_at.get(channel, math.inf) < self.changed_at

    def due(self, now: float) -> tuple[str, ...]:
        """Return the channels that are to be read at `now` (s): what the current step needs, then as in the bench file.

        A channel is due that was never read, whose value is older than its period, or was typed before the supply
        changed. While the power is off, or the mains is still to be set to what the step wants, only what needs no
        power is due.
        """
        return tuple(name for name in self._in_order() if self._is_due(self._by_hand[name], now))

    def _in_order(self) -> Iterator[str]:
        yield from (name for name in dict.fromkeys(self._needs) if name in self._by_hand)
        yield from (name for name in self._by_hand if name not in self._needs)

    def _is_due(self, channel: Channel, now: float) -> bool:
        if not self._can_be_read and not channel.quantity.startswith(_WITHOUT_POWER):
            return False
        typed_at = self._typed_at.get(channel.name)
        return typed_at is None or typed_at < self.changed_at or now - typed_at > channel.period

    @property
    def _can_be_read(self) -> bool:
        if self._mains is None:
            return True
        if self._mains_now is None or not self._is_powered:
            return False
        wanted = self._wanted_mains
        return wanted is None or is_mains_set(self._mains, self._mains_now, wanted)
