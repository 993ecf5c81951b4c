"""The twin of a meter without an interface: it has a display, which a person may look at."""

from __future__ import annotations

import asyncio

from benchmon.bench import Bench, Instrument
from benchmon_simulated.keys import channels_of
from benchmon_simulated.meters import Meter
from benchmon_simulated.mishaps import LineMishap
from benchmon_simulated.supply import SupplyUnderTest
from benchmon_simulated.twin import Language, Medium


class HandTwin:
    """A meter that is on no line."""

    speaks: Language = "nothing"
    medium: Medium = "none"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:  # noqa: ARG002
        self.name = instrument.name
        self.meters = [Meter(channel, seed) for channel in channels_of(bench, instrument)]

    async def open(self) -> str:
        """There is nothing to open, and no address."""
        return ""

    async def run(self) -> None:
        """Wait for ever: it never speaks."""
        await asyncio.Event().wait()

    async def suffer(self, mishaps: tuple[LineMishap, ...]) -> None:
        """Leave it as it is: it has no line that anything could befall."""

    async def close(self) -> None:
        """There is nothing to close."""
