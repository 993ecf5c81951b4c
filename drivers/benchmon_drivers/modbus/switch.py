"""Switching the power off by a Modbus coil, past whatever else is being asked on the line."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Annotated

from pydantic import Field, StrictBool
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, WriteSingleCoilRequest

from benchmon.errors import BadReply, InstrumentError
from benchmon.instruments.types import SwitchSettings
from benchmon_drivers.modbus.connection import ModbusLine, tcp_place
from benchmon_drivers.serial.port import SerialKeys

_PATIENCE = 0.5
"""Seconds to wait for a coil's answer."""
UnitId = Annotated[int, Field(ge=0, le=255)]


class CoilSettings(SwitchSettings):
    """A coil that switches off when `value` is written to it."""

    coil: Annotated[int, Field(ge=0, le=65535)] = Field(description="Coil that is written, counted from 0.")
    value: StrictBool | Annotated[int, Field(ge=0, le=1)] = Field(
        description="What is written to switch off: 0 or 1, or false or true."
    )
    unit: UnitId | None = Field(None, description="Number of the unit, where it is not that of the instrument.")


class SwitchCoil:
    """A coil of `unit` on the line at `address`, on which `line` may be asking meanwhile."""

    def __init__(self, how: CoilSettings, unit: int, address: str, keys: SerialKeys, line: ModbusLine) -> None:
        self._coil, self._value = how.coil, bool(how.value)
        self._unit = unit if how.unit is None else how.unit
        self._address, self._keys, self._line = address, keys, line

    def switch_off(self) -> str:
        """Write the coil; return what came of it in words. Raises `InstrumentError`, or what pymodbus raises."""
        what = f"coil {self._coil} of unit {self._unit} written {self._value:d}"
        told = self._line.tell(self._write())
        try:
            answer = self._ask(self._write())
        except (InstrumentError, ModbusException, OSError) as problem:
            if not told:
                raise
            return f"{what}, not acknowledged ({problem})"
        if answer.address != self._coil or bool(answer.bits[0]) is not self._value:
            raise BadReply(f"{what}, but answered coil {answer.address} as {answer.bits[0]:d}")
        return f"{what}, acknowledged"

    def is_off(self) -> bool:
        """Return whether the coil reads as it was to be written. Raises like `switch_off`."""
        request = ReadCoilsRequest(address=self._coil, count=1, dev_id=self._unit)
        return bool(self._ask(request).bits[0]) is self._value

    def reach(self) -> None:
        """Raise where there is no way to the coil's line now."""
        with self._a_line():
            pass

    def _write(self) -> ModbusPDU:
        return WriteSingleCoilRequest(address=self._coil, bits=[self._value], dev_id=self._unit)

    def _ask(self, request: ModbusPDU) -> ModbusPDU:
        with self._a_line() as line:
            return line.ask_at_once(request)

    @contextmanager
    def _a_line(self) -> Iterator[ModbusLine]:
        """Give the open serial line, which nobody else may open, or a connection of its own."""
        if self._line.is_open and tcp_place(self._address) is None:
            yield self._line
            return
        own = ModbusLine(self._address, self._keys, _PATIENCE)
        try:
            own.open(late=False)
            yield own
        finally:
            own.close()
