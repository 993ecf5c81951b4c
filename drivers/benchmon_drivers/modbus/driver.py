"""The Modbus driver, over TCP or a serial line (RTU): numbers in registers, and a coil that switches the power off.

Adjoining registers that are due at the same time are read in one request. Registers are counted from 0, as in the
protocol: holding register 40001 of a manual is register 0 of function "holding". The coil is written even while a query
is pending on the line.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Annotated, ClassVar

from pydantic import AfterValidator, Field, StrictBool, model_validator
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest, WriteSingleCoilRequest
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from benchmon.bench.fields import KeyedError, Number
from benchmon.errors import BadInput, BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings, SwitchSettings
from benchmon_drivers.modbus.connection import ModbusConnection, Refused, tcp_endpoint
from benchmon_drivers.modbus.registers import Function, Kind, RegisterBlock, RegisterPlace, blocks, length, reader
from benchmon_drivers.serial.port import SERIAL_KEYS, Order, SerialKeys, not_zero

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


_REQUESTS: dict[str, type[ModbusPDU]] = {
    "holding": ReadHoldingRegistersRequest,
    "input": ReadInputRegistersRequest,
    "coil": ReadCoilsRequest,
    "discrete": ReadDiscreteInputsRequest,
}
_ILLEGAL_ADDRESS, _ILLEGAL_VALUE = 2, 3


class ModbusSettings(InstrumentSettings, SerialKeys):
    """A unit, or several, on one Modbus line."""

    address: str = Field("", description='"tcp://192.0.2.5:502", or for RTU a serial port or a URL of pyserial.')
    unit: UnitId = Field(1, description="Number of the unit (server address) on the line.")
    word_order: Order = Field(
        "big", description="Which register of a longer number comes first: the high one (big) or the low one (little)."
    )
    byte_order: Order = Field(
        "big", description="Which byte of a register comes first; the protocol has the high one first (big)."
    )
    at_once: Annotated[int, Field(ge=1, le=125)] = Field(125, description="Most registers that one request may fetch.")
    identify: StrictBool = Field(
        False, description="Whether the unit is asked for its identification (function 43/14)."
    )

    @model_validator(mode="after")
    def _keys_fit_the_address(self) -> ModbusSettings:
        if not self.address:
            raise KeyedError("address", "", 'must be like "tcp://192.0.2.5:502", or a serial port like "/dev/ttyUSB0"')
        try:
            is_tcp = tcp_endpoint(self.address) is not None
        except BadInput as problem:
            raise KeyedError("address", self.address, str(problem)) from problem
        needless = sorted(SERIAL_KEYS & self.model_fields_set)
        if is_tcp and needless:
            raise KeyedError(
                needless[0], getattr(self, needless[0]), "belongs to a serial line, and the address is none"
            )
        return self


class ModbusChannel(ChannelSettings):
    """Where a value is, and how it becomes the quantity: register × `factor` + `offset`."""

    start: Annotated[int, Field(ge=0, le=65535)] = Field(
        alias="register",
        description="First register, counted from 0 as the protocol does: 40001 of a manual is holding register 0.",
    )
    function: Function = Field("holding", description="Which table the value is in.")
    type: Kind | None = Field(
        None, description="Type of the number; uint16 where it is left out. A coil or discrete input has none."
    )
    unit: UnitId | None = Field(None, description="Number of the unit, where it is not that of the instrument.")
    word_order: Order | None = Field(
        None, description="Order of the registers, where it is not that of the instrument."
    )
    byte_order: Order | None = Field(None, description="Order of the bytes, where it is not that of the instrument.")
    factor: Annotated[Number, AfterValidator(not_zero)] = Field(
        1.0, description="Factor on the number in the register."
    )
    offset: Number = Field(0.0, description="Added after the factor.")
    overload: tuple[float, ...] = Field((), description="Numbers in the register that mean over range.")
    no_value: tuple[float, ...] = Field((), description="Numbers in the register that mean no reading.")

    @model_validator(mode="after")
    def _bits_have_no_type(self) -> ModbusChannel:
        if self.function in ("coil", "discrete") and self.type is not None:
            raise KeyedError("type", self.type, f"a {self.function} is one bit and has no type; leave it out")
        if self.start + self.count > 65536:
            raise KeyedError("register", self.start, f"leaves no room for {self.count} registers")
        return self

    @property
    def count(self) -> int:
        """The number of registers or bits."""
        return length(self.type or "uint16")


RegisterChannel = DrivenChannel[ModbusChannel]


class ModbusDriver(Driver[ModbusSettings, ModbusChannel]):
    """One Modbus line with one or more units on it."""

    settings_model: ClassVar[type[InstrumentSettings]] = ModbusSettings
    channel_model: ClassVar[type[ChannelSettings]] = ModbusChannel
    switch_model: ClassVar[type[SwitchSettings] | None] = CoilSettings
    queries_together = True

    def __init__(self, name: str, settings: ModbusSettings, channels: Sequence[RegisterChannel]) -> None:
        super().__init__(name, settings, channels)
        self._connection = ModbusConnection(settings.address, settings, self.timeout)
        self._readers = {channel.name: _reader(channel.settings, settings) for channel in channels}
        self._alone: set[str] = set()
        """Channels whose registers the instrument refuses to send together with others."""
        self._plans: dict[tuple[str, ...], list[tuple[RegisterBlock[str], ModbusPDU]]] = {}

    def _open(self) -> str:
        self._connection.open(late=self.late)
        return self._identify() if self.settings.identify else ""

    def _close(self) -> None:
        self._connection.close()

    def _explain(self, problem: Exception) -> InstrumentError | None:
        return self._connection.explain(problem)

    def _query_many(self, channels: Sequence[RegisterChannel]) -> list[float | InstrumentError]:
        answers: dict[str, float | InstrumentError] = {}
        for block, request in self._plan(channels):
            answers.update(self._fetch(block, request))
        return [answers[channel.name] for channel in channels]

    def _responds(self, identity: str, unanswered: Sequence[RegisterChannel]) -> bool:
        """Query another channel: a unit that is off must not silence the others on its line."""
        silent = {channel.name for channel in unanswered}
        if identity or len(silent) == len(self.channels):
            return bool(identity)
        other = next(channel for channel in self.channels.values() if channel.name not in silent)
        return not isinstance(self._query_many([other])[0], InstrumentTimeout)

    def _arm_switch(self, how: CoilSettings) -> None:
        if self.channels:
            self._require_connection(self._connection.is_open)
            return
        self._coil(how).reach()

    def _switch_off(self, how: CoilSettings) -> str:
        return self._coil(how).switch_off()

    def _is_off(self, how: CoilSettings) -> bool:
        return self._coil(how).is_off()

    def _coil(self, how: CoilSettings) -> SwitchCoil:
        return SwitchCoil(how, self.settings.unit, self.settings.address, self.settings, self._connection)

    # Requests

    def _identify(self) -> str:
        try:
            answer = self._connection.query(ReadDeviceInformationRequest(read_code=1, dev_id=self.settings.unit))
        except Refused:
            return ""
        parts = getattr(answer, "information", {}).values()
        return " ".join(part.decode("latin-1") for part in parts if isinstance(part, bytes))

    def _plan(self, channels: Sequence[RegisterChannel]) -> list[tuple[RegisterBlock[str], ModbusPDU]]:
        """Return the requests that read `channels`, kept because the same channels are due together repeatedly."""
        names = tuple([channel.name for channel in channels])
        if names not in self._plans:
            found = blocks(map(self._place, channels), self.settings.at_once, self._alone)
            self._plans[names] = [(block, _request(block)) for block in found]
        return self._plans[names]

    def _place(self, channel: RegisterChannel) -> RegisterPlace[str]:
        keys = channel.settings
        unit = self.settings.unit if keys.unit is None else keys.unit
        return RegisterPlace(channel.name, unit, keys.function, keys.start, keys.count)

    def _fetch(self, block: RegisterBlock[str], request: ModbusPDU) -> dict[str, float | InstrumentError]:
        """Return the answers of one request by channel; if it is refused, each channel is requested alone."""
        try:
            found = self._query_once_more(request)
            return {place.key: self._value(found, block, place) for place in block.places}
        except InstrumentTimeout as problem:
            return dict.fromkeys((place.key for place in block.places), problem)
        except BadReply as problem:
            if len(block.places) == 1 or not _refuses_the_place(problem):
                return dict.fromkeys((place.key for place in block.places), problem)
        self._alone |= {place.key for place in block.places}
        self._plans.clear()
        answers: dict[str, float | InstrumentError] = {}
        for place in block.places:
            single = RegisterBlock(place.unit, place.function, place.register, place.count, (place,))
            answers |= self._fetch(single, _request(single))
        return answers

    def _query_once_more(self, request: ModbusPDU) -> ModbusPDU:
        try:
            return self._connection.query(request)
        except Refused:
            raise
        except BadReply:
            # Noise on the line is tolerated once.
            return self._connection.query(request)

    def _value(self, found: ModbusPDU, block: RegisterBlock[str], place: RegisterPlace[str]) -> float | BadReply:
        """Return a value, or why it alone has none. Raises `BadReply` where the whole answer is wrong."""
        keys = self.channels[place.key].settings
        start = place.register - block.register
        if place.function in ("coil", "discrete"):
            if not block.count <= len(found.bits) < block.count + 8:
                raise BadReply(f"answered {len(found.bits)} bits instead of {block.count}")
            return float(found.bits[start]) * keys.factor + keys.offset
        if len(found.registers) != block.count:
            raise BadReply(f"answered {len(found.registers)} registers instead of {block.count}")
        try:
            raw = self._readers[place.key](found.registers[start : start + place.count])
        except BadReply as problem:
            return problem
        if keys.no_value and raw in keys.no_value:
            return math.nan
        if keys.overload and raw in keys.overload:
            return math.copysign(math.inf, raw)
        return raw * keys.factor + keys.offset


def _request(block: RegisterBlock[str]) -> ModbusPDU:
    return _REQUESTS[block.function](address=block.register, count=block.count, dev_id=block.unit)


def _reader(keys: ModbusChannel, settings: ModbusSettings) -> Callable[[Sequence[int]], float]:
    word_order, byte_order = keys.word_order or settings.word_order, keys.byte_order or settings.byte_order
    return reader(keys.type or "uint16", word_order, byte_order)


def _refuses_the_place(problem: BadReply) -> bool:
    return isinstance(problem, Refused) and problem.code in (_ILLEGAL_ADDRESS, _ILLEGAL_VALUE)
