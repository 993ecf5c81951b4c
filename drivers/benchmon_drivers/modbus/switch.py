"""Switching the power off by a Modbus coil, even while a query is pending on the line."""

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
from benchmon_drivers.modbus.connection import ModbusConnection, tcp_endpoint
from benchmon_drivers.serial.port import SerialKeys

_PATIENCE = 0.5
"""Seconds to wait for a coil's reply."""
UnitId = Annotated[int, Field(ge=0, le=255)]


class CoilSettings(SwitchSettings):
    """A coil that switches off when `value` is written to it."""

    coil: Annotated[int, Field(ge=0, le=65535)] = Field(description="Coil that is written, counted from 0.")
    value: StrictBool | Annotated[int, Field(ge=0, le=1)] = Field(
        description="What is written to switch off: 0 or 1, or false or true."
    )
    unit: UnitId | None = Field(None, description="Number of the unit, where it is not that of the instrument.")


class SwitchCoil:
    """A coil of `unit` at `address`, where a query may be pending on the connection `line`."""

    def __init__(self, how: CoilSettings, unit: int, address: str, keys: SerialKeys, line: ModbusConnection) -> None:
        self._coil, self._value = how.coil, bool(how.value)
        self._unit = unit if how.unit is None else how.unit
        self._address, self._keys, self._connection = address, keys, line

    def switch_off(self) -> str:
        """Write the coil; return a description of the result. Raises `InstrumentError` or pymodbus's errors."""
        what = f"coil {self._coil} of unit {self._unit} written {self._value:d}"
        told = self._connection.send_unacknowledged(self._write())
        try:
            answer = self._query(self._write())
        except (InstrumentError, ModbusException, OSError) as problem:
            if not told:
                raise
            return f"{what}, not acknowledged ({problem})"
        if answer.address != self._coil or bool(answer.bits[0]) is not self._value:
            raise BadReply(f"{what}, but answered coil {answer.address} as {answer.bits[0]:d}")
        return f"{what}, acknowledged"

    def is_off(self) -> bool:
        """Return whether the coil has the value that switches off. Raises like `switch_off`."""
        request = ReadCoilsRequest(address=self._coil, count=1, dev_id=self._unit)
        return bool(self._query(request).bits[0]) is self._value

    def reach(self) -> None:
        """Raise like `switch_off` if the coil's line cannot be opened now."""
        with self._usable_connection():
            pass

    def _write(self) -> ModbusPDU:
        return WriteSingleCoilRequest(address=self._coil, bits=[self._value], dev_id=self._unit)

    def _query(self, request: ModbusPDU) -> ModbusPDU:
        with self._usable_connection() as line:
            return line.query_urgently(request)

    @contextmanager
    def _usable_connection(self) -> Iterator[ModbusConnection]:
        """Yield the open serial line, which cannot be opened twice, or a connection of its own."""
        if self._connection.is_open and tcp_endpoint(self._address) is None:
            yield self._connection
            return
        own = ModbusConnection(self._address, self._keys, _PATIENCE)
        try:
            own.open(late=False)
            yield own
        finally:
            own.close()
