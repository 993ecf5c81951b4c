"""Base classes of what a fault does to a meter or to an instrument's line.

They stand apart from `faults`, which needs the meters and servers that these effects are applied to.
"""

from __future__ import annotations

from typing import Final, Literal

from benchmon_simulated.supply.circuit import Floats
from benchmon_simulated.supply.supply import Snapshot

LinkState = Literal["alive", "cable out", "power off"]

ALIVE: Final = "alive"
CABLE_OUT: Final = "cable out"
POWER_OFF: Final = "power off"


class LineFaultEffect:
    """An effect on an instrument's line: its link state, a delay in seconds, and a change of the bytes."""

    link_state: LinkState = ALIVE
    delay: float = 0.0
    clock_ahead: float = 0.0
    """Seconds by which the instrument's own clock is ahead."""

    def received(self, data: bytes) -> bytes:
        """Return what the instrument receives of `data`."""
        return data

    def sent(self, data: bytes) -> bytes:
        """Return what leaves the instrument when it sends `data`."""
        return data

    def identity(self, text: str) -> str:
        """Return its reply to *IDN?, which is `text` without the effect."""
        return text


class MeterFaultEffect:
    """An effect on one channel of a meter: on what it senses, and on what it shows."""

    def sensed(self, value: float, quantity: str, snapshot: Snapshot) -> float:  # noqa: ARG002 (used by subclasses)
        """Return what the channel senses instead of `value` of `quantity`; NaN where it senses nothing."""
        return value

    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (used by subclasses)
        """Return what it shows instead of `value` at `time` seconds."""
        return value

    def captured(self, wave: Floats) -> Floats:
        """Return the waveform, shape (n,), that a scope captures instead of `wave`."""
        return wave
