"""What may befall a meter or its line while it works. The faults of the catalogue are made of these."""

from __future__ import annotations

from typing import Final, Literal

from benchmon_simulated.supply.circuit import Floats
from benchmon_simulated.supply.supply import Snapshot

LinkState = Literal["alive", "cable out", "power off"]

ALIVE: Final = "alive"
CABLE_OUT: Final = "cable out"
POWER_OFF: Final = "power off"


class LineFaultEffect:
    """Something wrong on an instrument's line: how it lives, seconds of delay, and what becomes of the bytes."""

    life: LinkState = ALIVE
    delay: float = 0.0
    clock_ahead: float = 0.0
    """Seconds by which the instrument's own clock is wrong."""

    def heard(self, data: bytes) -> bytes:
        """Return what the instrument hears of `data`."""
        return data

    def sent(self, data: bytes) -> bytes:
        """Return what leaves the instrument where it says `data`."""
        return data

    def identity(self, text: str) -> str:
        """Return what it says it is, where it would say `text`."""
        return text


class MeterFaultEffect:
    """Something wrong with one channel of a meter: what it senses, and what it shows."""

    def sensed(self, value: float, quantity: str, snapshot: Snapshot) -> float:  # noqa: ARG002 (for those that need)
        """Return what it senses where it should sense `value` of `quantity`; NaN where it senses nothing."""
        return value

    def shown(self, value: float, time: float) -> float:  # noqa: ARG002 (for those that need it)
        """Return what it shows where it would show `value` at `time` seconds."""
        return value

    def captured(self, wave: Floats) -> Floats:
        """Return the wave, (n,), that a scope captures where it should capture `wave`."""
        return wave
