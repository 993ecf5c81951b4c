"""Telling a switch to switch off, again and again, without ever waiting for one that hangs."""

from __future__ import annotations

import threading
import time
from contextlib import suppress

from benchmon.errors import InstrumentError
from benchmon.instruments.driver import AnyDriver
from benchmon.text import one_line

_AGAIN_AFTER = 0.5
"""Seconds after which the switch is told again."""
_HUNG_AFTER = 2.0
"""Seconds after which one who has not come back is left to himself, and another is sent."""
_MOST = 8


class Messengers:
    """Threads that tell `driver` to switch off, one after the other."""

    def __init__(self, driver: AnyDriver) -> None:
        self._driver = driver
        self._threads: list[threading.Thread] = []
        self._sent = 0.0
        self.was_told = False
        """Whether the switch has taken the command, and has been asked what it is."""
        self.says_off: bool | None = None
        """What the switch says of itself, None where it cannot tell."""
        self.last = ""
        """What came of the last attempt, in words."""

    @property
    def name(self) -> str:
        """The instrument's name."""
        return self._driver.name

    def send(self) -> None:
        """Tell the switch now."""
        self._sent = time.monotonic()
        thread = threading.Thread(target=self._go, name="switch messenger", daemon=True)
        self._threads.append(thread)
        thread.start()

    def send_again(self) -> None:
        """Tell the switch again where it is time to, and not too many hang."""
        self._threads = [thread for thread in self._threads if thread.is_alive()]
        since = time.monotonic() - self._sent
        if since > (_HUNG_AFTER if self._threads else _AGAIN_AFTER) and len(self._threads) < _MOST:
            self.send()

    def _go(self) -> None:
        try:
            self.last = self._driver.switch_off()
        except InstrumentError as problem:
            self.last = one_line(problem)
            return
        # Where the switch cannot be asked the meters tell.
        with suppress(InstrumentError):
            self.says_off = self._driver.is_off()
        # Last, since a switch that says it is still on must not pass for one that cannot tell.
        self.was_told = True
