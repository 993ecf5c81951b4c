"""The machine's clocks during a recording: a wall clock that jumps, a machine that slept, a recorder that was halted.

Readings have monotonic times, which no setting of the wall clock touches and which stand still while a machine sleeps.
Anchors tie them to wall time; changes of the clocks are recorded as events of the kinds `clock` and `gap`.
"""

from __future__ import annotations

import time
from dataclasses import dataclass

from benchmon.event_kinds import EventKind
from benchmon.session.recorder_lock import SILENT_AFTER
from benchmon.session.records import Anchor
from benchmon.text import duration
from benchmon.watch.records import Event

ANCHOR_EVERY = 60.0
_JUMP = 0.5
"""Smallest jump of the wall clock, or sleep, that is reported (s); slewing by NTP is far slower."""


@dataclass(frozen=True, slots=True)
class Clocks:
    """All clocks at one moment, in seconds: monotonic, wall (since 1970, UTC), and one that goes on in sleep."""

    monotonic: float
    wall: float
    with_sleep: float

    @classmethod
    def now(cls) -> Clocks:
        """Read the clocks. Without a clock that runs during sleep, a sleep looks like a jump of the wall clock."""
        monotonic = time.monotonic()
        sleepless = getattr(time, "CLOCK_BOOTTIME", None)
        return cls(monotonic, time.time(), monotonic if sleepless is None else time.clock_gettime(sleepless))


class ClockWatch:
    """Watches the clocks. `started` is the monotonic time of session time 0."""

    def __init__(self, started: float, clocks: Clocks) -> None:
        self._started = started
        self._last = self._anchored = clocks

    def first_anchor(self) -> Anchor:
        """Return the anchor of the start."""
        return self._anchor(self._last, 0.0)

    def look(self, clocks: Clocks) -> list[Anchor | Event]:
        """Return the events and anchors that follow from the clocks since the last look."""
        last, self._last = self._last, clocks
        passed = clocks.monotonic - last.monotonic
        slept = clocks.with_sleep - last.with_sleep - passed
        jumped = clocks.wall - last.wall - passed - (slept if slept > _JUMP else 0.0)
        now = max(0.0, clocks.monotonic - self._started)
        found: list[Anchor | Event] = []
        if slept > _JUMP:
            found.append(
                Event(
                    now, "", EventKind.GAP, f"the machine slept for {duration(slept, 1)}: nothing was watched meanwhile"
                )
            )
        if abs(jumped) > _JUMP:
            way = "ahead" if jumped > 0 else "back"
            words = f"the wall clock was set {way} by {duration(abs(jumped), 1)}; times in this session go on evenly"
            found.append(Event(now, "", EventKind.CLOCK, words))
        if passed > SILENT_AFTER:
            why = "it was halted, or the machine overloaded"
            words = f"the recorder stood still for {duration(passed, 1)}, nothing was watched meanwhile: {why}"
            found.append(Event(now, "", EventKind.GAP, words))
        if found or clocks.monotonic - self._anchored.monotonic >= ANCHOR_EVERY:
            found.append(self._anchor(clocks, jumped + max(0.0, slept) if found else 0.0))
        return found

    def _anchor(self, clocks: Clocks, jump: float) -> Anchor:
        self._anchored = clocks
        return Anchor(max(0.0, clocks.monotonic - self._started), clocks.monotonic, clocks.wall, jump)
