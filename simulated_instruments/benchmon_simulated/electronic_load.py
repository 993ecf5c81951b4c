"""An electronic load at the output: it draws the current, or is the resistance, that it is set to.

It has an input that is on or off, an error of its own within its data sheet, and limits at which it switches its input
off, as such loads do. Below the volts that its transistors need (`filter.KNEE`) it is a resistance.
"""

from __future__ import annotations

import random

from benchmon.bench import CurrentLoad
from benchmon_simulated.supply.supply import SupplyUnderTest

GAIN, OFFSET = 0.001, 0.001
"""Part of the setting, and amperes, by which it may be off: an invented data sheet of 0.1 % + 1 mA."""

MOST_AMPERES, MOST_OHMS, LEAST_OHMS = 30.0, 10_000.0, 0.1
"""What it can be set to; more is set to the limit."""


class ElectronicLoad:
    """The load of a simulated supply, set over what a sweep is `over`. Until it is set the bench file's load is there.

    `is_on_when_set` is whether a setting switches its input on.
    """

    def __init__(self, supply: SupplyUnderTest, over: str, seed: int) -> None:
        self._over = over
        self._connect_load = supply.set_second_load if over.startswith("load_2.") else supply.set_load
        spread = random.Random(seed)  # noqa: S311 - no secret
        self._gain, self._offset = 1.0 + GAIN * spread.uniform(-1.0, 1.0), OFFSET * spread.uniform(-1.0, 1.0)
        self._setting = 0.0
        self.is_on = self.is_on_when_set = False

    def set(self, value: float) -> None:
        """Set it to a value in amperes or ohms."""
        self._setting = value
        self.is_on = self.is_on or self.is_on_when_set
        self._connect()

    def switch_on(self) -> None:
        """Switch its input on."""
        self.is_on = True
        self._connect()

    def switch_off(self) -> None:
        """Switch its input off: nothing is drawn."""
        self.is_on = False
        self._connect_load("open")

    def _connect(self) -> None:
        if not self.is_on:
            return
        if self._over.endswith(".resistance"):
            ohms = min(MOST_OHMS, max(LEAST_OHMS, self._setting * self._gain))
            self._connect_load(ohms)
            return
        amperes = min(MOST_AMPERES, self._setting * self._gain + self._offset) if self._setting > 0.0 else 0.0
        self._connect_load(CurrentLoad(kind="current", current=amperes) if amperes > 0.0 else "open")
