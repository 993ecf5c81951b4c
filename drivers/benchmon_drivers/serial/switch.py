"""Switching the power off by RTS or DTR of a serial port: a relay hangs on that line.

The line stands at the level that switches off until it is armed; from then on it is held at the other one, until it
switches off. So the port is kept open even where its meter falls silent: closing it would let both lines go, and the
relay with them.
"""

from __future__ import annotations

import threading
from contextlib import suppress
from typing import Any, Literal

from pydantic import Field

from benchmon.bench.fields import KeyedError
from benchmon.instruments.types import SwitchSettings
from benchmon_drivers.serial.port import SerialKeys, close_port, open_port

_HANDSHAKES = {"rts": "rts/cts", "dtr": "dtr/dsr"}


class LineSettings(SwitchSettings):
    """A relay on a line of the serial port."""

    line: Literal["rts", "dtr"] = Field(description="Line of the port that holds the relay.")
    level: Literal["asserted", "released"] = Field(
        description="Level at which the power is off. Starting a recording puts the line to the other level, which "
        "lets the power come."
    )


class SwitchedPort:
    """The serial port at `address`, whose lines may be a switch. A read waits at most `timeout` seconds."""

    def __init__(self, address: str, keys: SerialKeys, timeout: float, write_timeout: float) -> None:
        self._address, self._keys, self._timeouts = address, keys, (timeout, write_timeout)
        self._how: LineSettings | None = None
        self._port: Any = None
        self._is_armed = self._was_needed = False
        self._lock = threading.Lock()

    def fit(self, how: LineSettings) -> None:
        """Take the line that switches. Raises `KeyedError` where the port has none."""
        if self._address.startswith("socket://"):
            raise KeyedError("line", how.line, "is a line of a serial port, and a socket has none")
        if self._keys.handshake == _HANDSHAKES[how.line]:
            raise KeyedError("line", how.line, f"is taken by the handshake {self._keys.handshake}")
        self._how = how

    def open(self) -> Any:
        """Return the port, opened if it is not; a switch on it stands where it stood."""
        with self._lock:
            if self._port is None:
                lines: dict[str, bool] = {}
                if self._how is not None:
                    lines[self._how.line] = self._asserted(self._how)
                self._port = open_port(self._address, self._keys, *self._timeouts, lines)
            return self._port

    def arm(self, how: LineSettings, *, opened: bool) -> None:
        """Let the power come, unless it was switched off; with `opened`, on a port opened for it."""
        self._is_armed = True
        if opened:
            self.open()
        with self._lock:
            if self._port is not None:
                setattr(self._port, how.line, self._asserted(how))

    def close(self, *, for_good: bool) -> None:
        """Close the port, unless it is a switch that still works and this is not `for_good`."""
        with self._lock:
            if self._how is not None and not for_good and _works(self._port):
                return
            port, self._port = self._port, None
            close_port(port)

    def switch_off(self, how: LineSettings) -> str:
        """Set the line to the level that switches off, on the open port or one opened for it; return what was done."""
        self._was_needed = True
        port = self.open()
        try:
            with self._lock:
                setattr(port, how.line, self._asserted(how))
        except OSError:
            self.close(for_good=True)
            raise
        return f"{how.line.upper()} {how.level}"

    def _asserted(self, how: LineSettings) -> bool:
        is_off = self._was_needed or not self._is_armed
        return (how.level == "asserted") is is_off


def _works(port: Any) -> bool:
    with suppress(OSError):
        return port is not None and port.in_waiting >= 0
    return False
