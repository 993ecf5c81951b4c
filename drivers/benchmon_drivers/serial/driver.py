"""Base of the drivers on a serial port: the port, and the switch on its RTS or DTR line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, ClassVar, TypeVar

from pydantic import Field

from benchmon.errors import InstrumentError
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings, SwitchSettings
from benchmon_drivers.serial.port import PortAddress, SerialKeys, explain_port
from benchmon_drivers.serial.switch import LineSettings, SwitchedPort

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

    def _switch_off(self, how: LineSettings) -> str:
        return self._switched.switch_off(how)

    def _explain(self, problem: Exception) -> InstrumentError | None:
        return explain_port(problem, self.settings.address)
