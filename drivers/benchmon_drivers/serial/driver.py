"""Base of the drivers on a serial port: the port, and a relay on its RTS or DTR line that switches the power off.

The line has the level that switches off until it is armed; it then has the other level until it switches off. So the
port stays open even if its meter falls silent: closing it would release both lines, and the relay with them.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from contextlib import suppress
from typing import Any, ClassVar, Literal, TypeVar

from pydantic import Field

from benchmon.bench.fields import KeyedError
from benchmon.errors import InstrumentError
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings, SwitchSettings
from benchmon_drivers.serial.port import PortAddress, SerialKeys, close_port, explain_port, open_port

_HANDSHAKES = {"rts": "rts/cts", "dtr": "dtr/dsr"}


class LineSettings(SwitchSettings):
    """A relay on a line of the serial port."""

    line: Literal["rts", "dtr"] = Field(description="Line of the port that holds the relay.")
    level: Literal["asserted", "released"] = Field(
        description="Level at which the power is off. Starting a recording puts the line to the other level, which "
        "lets the power come."
    )


class SwitchedPort:
    """The serial port at `address`, whose RTS or DTR line may be a switch. A read waits at most `timeout` seconds."""

    def __init__(self, address: str, keys: SerialKeys, timeout: float, write_timeout: float) -> None:
        self._address, self._keys, self._timeouts = address, keys, (timeout, write_timeout)
        self._how: LineSettings | None = None
        self._port: Any = None
        self._is_armed = self._was_needed = False
        self._lock = threading.Lock()

    def configure(self, how: LineSettings) -> None:
        """Set the line that switches. Raises `KeyedError` where the port has no such free line."""
        if self._address.startswith("socket://"):
            raise KeyedError("line", how.line, "is a line of a serial port, and a socket has none")
        if self._keys.handshake == _HANDSHAKES[how.line]:
            raise KeyedError("line", how.line, f"is taken by the handshake {self._keys.handshake}")
        self._how = how

    def open(self) -> Any:
        """Return the port, opened if necessary; a switch on it keeps its state. Raises like `open_port`."""
        with self._lock:
            if self._port is None:
                lines: dict[str, bool] = {}
                if self._how is not None:
                    lines[self._how.line] = self._asserted(self._how)
                self._port = open_port(self._address, self._keys, *self._timeouts, lines)
            return self._port

    def arm(self, how: LineSettings, *, opened: bool) -> None:
        """Enable the power unless it was switched off; with `opened`, open the port for it. Raises like `open_port`."""
        self._is_armed = True
        if opened:
            self.open()
        with self._lock:
            if self._port is not None:
                setattr(self._port, how.line, self._asserted(how))

    @property
    def is_open(self) -> bool:
        """Return whether the port is open."""
        return self._port is not None

    def close(self, *, for_good: bool) -> None:
        """Close the port; one with a working switch only if `for_good`."""
        with self._lock:
            if self._how is not None and not for_good and _works(self._port):
                return
            port, self._port = self._port, None
            close_port(port)

    def switch_off(self, how: LineSettings) -> str:
        """Set the line to the level that switches off, opening the port if necessary; return what was done.

        Raises like `open_port`.
        """
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


_DRIVER_TICK = 0.05
"""Seconds after which a read without data returns."""


class SerialSettings(InstrumentSettings, SerialKeys):
    """A meter on a serial port."""

    address: PortAddress = Field(
        description='Serial port such as "/dev/ttyUSB0", or a URL of pyserial such as "socket://192.0.2.5:4001".'
    )


Keys = TypeVar("Keys", bound=SerialSettings)
ChannelKeys = TypeVar("ChannelKeys", bound=ChannelSettings)


class SerialDriver(Driver[Keys, ChannelKeys]):
    """A meter on a serial port; `_port` is that port, None while it is closed."""

    switch_model: ClassVar[type[SwitchSettings] | None] = LineSettings

    def __init__(self, name: str, settings: Keys, channels: Sequence[DrivenChannel[ChannelKeys]]) -> None:
        super().__init__(name, settings, channels)
        self._port: Any = None
        self._switched = SwitchedPort(settings.address, settings, _DRIVER_TICK, self.timeout)

    def configure_switch(self, how: SwitchSettings) -> None:
        """Set the keys of [switch_off]. Raises `BadInput` where they do not fit the port."""
        super().configure_switch(how)
        if isinstance(how, LineSettings):
            self._switched.configure(how)

    def _close(self) -> None:
        self._port = None
        self._switched.close(for_good=self.ending)

    def _arm_switch(self, how: LineSettings) -> None:
        self._switched.arm(how, opened=not self.channels)
        self._require_connection(self._switched.is_open)

    def _switch_off(self, how: LineSettings) -> str:
        return self._switched.switch_off(how)

    def _explain(self, problem: Exception) -> InstrumentError | None:
        return explain_port(problem, self.settings.address)
