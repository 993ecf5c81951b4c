"""The Modbus driver, over a network or a serial line: numbers in registers, and what switches the power off.

Adjoining registers that are due at the same time are read in one request. Registers are counted from 0, as in the
protocol: holding register 40001 of a manual is register 0 of function "holding". What switches off, a coil or a
register, is written even while a query is pending on the line.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from typing import Annotated, ClassVar

from pydantic import BaseModel, ConfigDict, Field, StrictBool, model_validator
from pymodbus.exceptions import ModbusException
from pymodbus.pdu import ModbusPDU
from pymodbus.pdu.bit_message import ReadCoilsRequest, ReadDiscreteInputsRequest, WriteSingleCoilRequest
from pymodbus.pdu.mei_message import ReadDeviceInformationRequest
from pymodbus.pdu.register_message import (
    ReadHoldingRegistersRequest,
    ReadInputRegistersRequest,
    WriteSingleRegisterRequest,
)

from benchmon.bench.fields import Factor, KeyedError, Number
from benchmon.errors import BadInput, BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings, LoadSettings, SwitchSettings
from benchmon_drivers.modbus.connection import LineKeys, ModbusConnection, Refused, endpoint
from benchmon_drivers.modbus.registers import (
    BITS,
    DataAddress,
    Function,
    Kind,
    RegisterBits,
    RegisterBlock,
    RegisterContent,
    RegisterExponent,
    RegisterPlace,
    blocks,
    length,
    reader,
)
from benchmon_drivers.serial.port import SERIAL_KEYS, Order

_PATIENCE = 0.5
"""Seconds to wait for a coil's reply."""
UnitId = Annotated[int, Field(ge=0, le=255)]


class ModbusSwitch(SwitchSettings):
    """A coil or a holding register that switches off when `value` is written to it."""

    coil: DataAddress | None = Field(None, description="Coil that is written, counted from 0.")
    register_number: DataAddress | None = Field(
        None, alias="register", description="Instead of a coil, holding register that is written, counted from 0."
    )
    value: StrictBool | RegisterContent = Field(
        description="What is written to switch off: 0 or 1, or false or true; any number for a register."
    )
    confirm: tuple[Function, DataAddress, RegisterContent] | None = Field(
        None,
        description='What is read to see that the power is off: [function, number, value], such as ["discrete", 3, '
        "0]; left out, what was written is read back.",
    )
    unit: UnitId | None = Field(None, description="Number of the unit, where it is not that of the instrument.")

    @model_validator(mode="after")
    def _one_way(self) -> ModbusSwitch:
        if (self.coil is None) == (self.register_number is None):
            raise KeyedError("coil", self.coil, "give either coil or register, which is written to switch off")
        if self.coil is not None and self.value not in (0, 1):
            raise KeyedError("value", self.value, "must be 0 or 1 for a coil")
        return self

    @property
    def read_back(self) -> tuple[Function, int, int]:
        """The function, the number and the value that show that the power is off."""
        if self.confirm is not None:
            return self.confirm
        if self.coil is not None:
            return "coil", self.coil, int(self.value)
        return "holding", self.register_number or 0, int(self.value)


class ModbusSetting(BaseModel):
    """A holding register that sets a load."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    register_number: DataAddress = Field(alias="register", description="Holding register that is written, from 0.")
    factor: Factor = Field(1.0, description="What amperes or ohms are multiplied by; 1000 for a register in mA.")
    coil: DataAddress | None = Field(None, description="Coil that is written 1 afterwards: it switches the load on.")


class ModbusLoad(LoadSettings):
    """A register that sets a load, and the coil or register that releases it."""

    set: ModbusSetting = Field(description="What is written: { register = 2, factor = 1000, coil = 0 }.")
    off: ModbusSwitch = Field(description="What releases it: { coil = 0, value = 0 }.")


class SwitchPlace:
    """The coil or register of `how` behind the address in `settings`; its `line` may have a query pending."""

    def __init__(self, how: ModbusSwitch, settings: ModbusSettings, line: ModbusConnection) -> None:
        self._how, self._unit = how, settings.unit if how.unit is None else how.unit
        self._settings, self._connection = settings, line

    def switch_off(self) -> str:
        """Write it; return a description of the result. Raises `InstrumentError` or pymodbus's errors."""
        how = self._how
        where = f"coil {how.coil}" if how.coil is not None else f"register {how.register_number}"
        what = f"{where} of unit {self._unit} written {how.value:d}"
        written = self._connection.send_unacknowledged(self._write())
        try:
            answer = self._query(self._write())
        except (InstrumentError, ModbusException, OSError) as problem:
            if not written:
                raise
            return f"{what}, not acknowledged ({problem})"
        found = (answer.bits if how.coil is not None else answer.registers)[0]
        if answer.address != self._write().address or int(found) != int(how.value):
            raise BadReply(f"{what}, but answered {answer.address} as {found:d}")
        return f"{what}, acknowledged"

    def is_off(self) -> bool:
        """Return whether what is read back says that the power is off. Raises like `switch_off`."""
        function, number, wanted = self._how.read_back
        answer = self._query(_REQUESTS[function](address=number, count=1, dev_id=self._unit))
        return int((answer.bits if function in BITS else answer.registers)[0]) == wanted

    def reach(self) -> None:
        """Raise like `switch_off` if the unit does not answer now: a port that opens, or a gateway, is no unit yet.

        A unit that refuses to have its coil or register read is there all the same.
        """
        with suppress(Refused):
            self.is_off()

    def _write(self) -> ModbusPDU:
        how = self._how
        if how.coil is not None:
            return WriteSingleCoilRequest(address=how.coil, bits=[bool(how.value)], dev_id=self._unit)
        return WriteSingleRegisterRequest(
            address=how.register_number or 0, registers=[int(how.value)], dev_id=self._unit
        )

    def _query(self, request: ModbusPDU) -> ModbusPDU:
        with self._usable_connection() as line:
            return line.query_urgently(request)

    @contextmanager
    def _usable_connection(self) -> Iterator[ModbusConnection]:
        """Yield the open serial line, which cannot be opened twice, or a connection of its own."""
        if self._connection.is_open and endpoint(self._settings.address) is None:
            yield self._connection
            return
        own = ModbusConnection(self._settings.address, self._settings, _PATIENCE)
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


class ModbusSettings(InstrumentSettings, LineKeys):
    """A unit, or several, on one Modbus line."""

    address: str = Field(
        "", description='"tcp://192.0.2.5:502", also udp:// and tls://, or a serial port or a URL of pyserial.'
    )
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
            place = endpoint(self.address)
        except BadInput as problem:
            raise KeyedError("address", self.address, str(problem)) from problem
        for_serial, for_tls = SERIAL_KEYS | {"framing"}, {"ca", "certificate"}
        needless = sorted(for_serial & self.model_fields_set) if place else []
        if needless:
            raise KeyedError(
                needless[0], getattr(self, needless[0]), "belongs to a serial line, and the address is none"
            )
        unused = sorted(for_tls & self.model_fields_set) if place is None or place.scheme != "tls" else []
        if unused:
            raise KeyedError(unused[0], getattr(self, unused[0]), "belongs to an address tls://")
        return self


class ModbusChannel(ChannelSettings):
    """Where a value is, and how it becomes the quantity: register × `factor` + `offset`."""

    start: DataAddress = Field(
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
    mask: Annotated[int, Field(ge=1, lt=1 << 32)] | None = Field(
        None,
        description="Bits of the number that count, of uint16 or uint32, beginning with the lowest of them.",
    )
    sign: RegisterBits | None = Field(
        None, description="Section: bits of a register, one of which is set where the number is negative."
    )
    exponent: RegisterExponent | None = Field(
        None, description="Section: another register that holds the power of ten, or the decimals."
    )
    factor: Factor = Field(1.0, description="Factor on the number in the register.")
    offset: Number = Field(0.0, description="Added after the factor.")
    overload: tuple[float, ...] = Field((), description="Numbers in the register that mean over range.")
    no_value: tuple[float, ...] = Field((), description="Numbers in the register that mean no reading.")

    @model_validator(mode="after")
    def _bits_have_no_type(self) -> ModbusChannel:
        if self.function in BITS and self.type is not None:
            raise KeyedError("type", self.type, f"a {self.function} is one bit and has no type; leave it out")
        for key in ("mask", "sign", "exponent"):
            if self.function in BITS and getattr(self, key) is not None:
                raise KeyedError(key, "", f"belongs to a register, and a {self.function} is one bit")
        if self.mask is not None and self.type not in (None, "uint16", "uint32"):
            raise KeyedError("mask", self.mask, f"belongs to the types uint16 and uint32, not to {self.type}")
        if self.start + self.count > 65536:
            raise KeyedError("register", self.start, f"leaves no room for {self.count} registers")
        return self

    @property
    def count(self) -> int:
        """The number of registers or bits."""
        return length(self.type or "uint16")

    @property
    def beside(self) -> tuple[int, ...]:
        """The registers of sign and exponent, in order, that are none of the number's own."""
        found = {bits.start for bits in (self.sign, self.exponent) if bits is not None}
        return tuple(sorted(found - set(range(self.start, self.start + self.count))))

    @property
    def span(self) -> range | None:
        """All its registers, None where there are others between them."""
        numbers = sorted({*range(self.start, self.start + self.count), *self.beside})
        whole = range(numbers[0], numbers[-1] + 1)
        return whole if len(numbers) == len(whole) else None


RegisterChannel = DrivenChannel[ModbusChannel]


class ModbusDriver(Driver[ModbusSettings, ModbusChannel]):
    """One Modbus line with one or more units on it."""

    settings_model: ClassVar[type[InstrumentSettings]] = ModbusSettings
    channel_model: ClassVar[type[ChannelSettings]] = ModbusChannel
    switch_model: ClassVar[type[SwitchSettings] | None] = ModbusSwitch
    load_model: ClassVar[type[LoadSettings] | None] = ModbusLoad
    queries_together = True

    def __init__(self, name: str, settings: ModbusSettings, channels: Sequence[RegisterChannel]) -> None:
        super().__init__(name, settings, channels)
        self._connection = ModbusConnection(settings.address, settings, self.timeout)
        self._readers = {channel.name: _reader(channel.settings, settings) for channel in channels}
        self._looking = threading.Lock()
        """Held while a look whether the switch is there has its port open."""
        self._alone: set[str] = set()
        """Channels whose registers the instrument refuses to send together with others."""
        self._plans: dict[tuple[str, ...], list[tuple[RegisterBlock[str], ModbusPDU]]] = {}
        self._beside = {channel.name: _places_beside(channel, settings) for channel in channels}

    def _open(self) -> str:
        self._connection.open(late=self.late)
        return self._identify() if self.settings.identify else ""

    def _close(self) -> None:
        self._connection.close()

    def _explain(self, problem: Exception) -> InstrumentError | None:
        return self._connection.explain(problem)

    def _query_many(self, channels: Sequence[RegisterChannel]) -> list[float | InstrumentError]:
        before = self._read_beside(channels)
        found: dict[str, Registers | InstrumentError] = {}
        for block, request in self._plan(channels):
            found.update(self._fetch(block, request))
        after = self._read_beside(channels)
        return [self._value(channel, found[channel.name], before, after) for channel in channels]

    def _read_beside(self, channels: Sequence[RegisterChannel]) -> dict[str, Registers | InstrumentError]:
        """Return the registers of signs and exponents that are read apart from their numbers.

        They are read before and after the number: a meter that ranges in between shows no value of the wrong decade.
        """
        found: dict[str, Registers | InstrumentError] = {}
        places = [place for channel in channels for place in self._beside[channel.name]]
        for block in blocks(places, self.settings.at_once, self._alone) if places else ():
            found.update(self._fetch(block, _request(block)))
        return found

    def _responds(self, identity: str, unanswered: Sequence[RegisterChannel]) -> bool:
        """Query another channel: a unit that is off must not silence the others on its line."""
        silent = {channel.name for channel in unanswered}
        if identity or len(silent) == len(self.channels):
            return bool(identity)
        other = next(channel for channel in self.channels.values() if channel.name not in silent)
        return not isinstance(self._query_many([other])[0], InstrumentTimeout)

    def _arm_switch(self, how: ModbusSwitch) -> None:
        if self.channels:
            self._require_connection(self._connection.is_open)
            return
        with self._looking:
            self._switched(how).reach()

    def _switch_off(self, how: ModbusSwitch) -> str:
        # A serial port cannot be opened twice: a look whether the unit is there ends within a reply.
        if endpoint(self.settings.address) is None and self._looking.acquire(timeout=_PATIENCE):
            self._looking.release()
        return self._switched(how).switch_off()

    def _set_load(self, how: ModbusLoad, value: float) -> str:
        content = round(value * how.set.factor)
        if not 0 <= content <= 0xFFFF:
            raise InstrumentError(f"{self.settings.address}: a register cannot hold {content} for {value:g}")
        unit = how.off.unit
        writes = [ModbusSwitch(register=how.set.register_number, value=content, unit=unit)]
        writes += [ModbusSwitch(coil=how.set.coil, value=1, unit=unit)] if how.set.coil is not None else []
        return "; ".join(self._switched(write).switch_off() for write in writes)

    def _release_load(self, how: ModbusLoad) -> str:
        return self._switched(how.off).switch_off()

    def _is_off(self, how: ModbusSwitch) -> bool:
        return self._switched(how).is_off()

    def _switched(self, how: ModbusSwitch) -> SwitchPlace:
        return SwitchPlace(how, self.settings, self._connection)

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
        span = keys.span or range(keys.start, keys.start + keys.count)
        return RegisterPlace(channel.name, _unit_of(keys, self.settings), keys.function, span.start, len(span))

    def _fetch(self, block: RegisterBlock[str], request: ModbusPDU) -> dict[str, Registers | InstrumentError]:
        """Return the registers of one request by channel; if it is refused, each channel is requested alone."""
        try:
            found = self._query_once_more(request)
            return {place.key: _registers(found, block, place) for place in block.places}
        except InstrumentTimeout as problem:
            return dict.fromkeys((place.key for place in block.places), problem)
        except BadReply as problem:
            if len(block.places) == 1 or not _refuses_the_place(problem):
                return dict.fromkeys((place.key for place in block.places), problem)
        self._alone |= {place.key for place in block.places}
        self._plans.clear()
        answers: dict[str, Registers | InstrumentError] = {}
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

    def _value(
        self,
        channel: RegisterChannel,
        found: Registers | InstrumentError,
        before: Mapping[str, Registers | InstrumentError],
        after: Mapping[str, Registers | InstrumentError],
    ) -> float | InstrumentError:
        """Return a value, or why it alone has none."""
        keys = channel.settings
        if isinstance(found, InstrumentError):
            return found
        if keys.function in BITS:
            return float(found[0]) * keys.factor + keys.offset
        start = (keys.span or range(keys.start, keys.start + 1)).start
        registers = dict(enumerate(found, start))
        for place in self._beside[channel.name]:
            one, other = before[place.key], after[place.key]
            for problem in (one, other):
                if isinstance(problem, InstrumentError):
                    return problem
            if one != other:
                return BadReply("changed its sign or range while it was read")
            registers[place.register] = one[0]  # type: ignore[index]
        try:
            return self._number(channel, registers)
        except BadReply as problem:
            return problem

    def _number(self, channel: RegisterChannel, registers: Mapping[int, int]) -> float:
        keys = channel.settings
        raw = self._readers[channel.name]([registers[keys.start + at] for at in range(keys.count)])
        if keys.mask is not None:
            raw = float((int(raw) & keys.mask) // (keys.mask & -keys.mask))
        if keys.no_value and raw in keys.no_value:
            return math.nan
        is_negative = keys.sign is not None and bool(keys.sign.bits(registers[keys.sign.start]))
        if keys.overload and raw in keys.overload:
            return math.copysign(math.inf, (-raw if is_negative else raw) * keys.factor)
        raw = -raw if is_negative else raw
        if keys.exponent is not None:
            power = keys.exponent.power(registers[keys.exponent.start])
            raw = raw * 10.0**power if power >= 0 else raw / 10.0**-power
        return raw * keys.factor + keys.offset


Registers = Sequence[int]
"""Registers, or bits, of one place."""


def _registers(found: ModbusPDU, block: RegisterBlock[str], place: RegisterPlace[str]) -> Registers:
    """Return the registers or bits of a place. Raises `BadReply` where the whole answer is wrong."""
    start = place.register - block.register
    if place.function in BITS:
        if not block.count <= len(found.bits) < block.count + 8:
            raise BadReply(f"answered {len(found.bits)} bits instead of {block.count}")
        return [int(bit) for bit in found.bits[start : start + place.count]]
    if len(found.registers) != block.count:
        raise BadReply(f"answered {len(found.registers)} registers instead of {block.count}")
    return found.registers[start : start + place.count]


def _unit_of(keys: ModbusChannel, settings: ModbusSettings) -> int:
    return settings.unit if keys.unit is None else keys.unit


def _places_beside(channel: RegisterChannel, settings: ModbusSettings) -> list[RegisterPlace[str]]:
    """Return the registers of sign and exponent that are read apart from the number, none where all adjoin."""
    keys = channel.settings
    numbers = () if keys.span else keys.beside
    unit = _unit_of(keys, settings)
    return [RegisterPlace(f"{channel.name} {number}", unit, keys.function, number, 1) for number in numbers]


def _request(block: RegisterBlock[str]) -> ModbusPDU:
    return _REQUESTS[block.function](address=block.register, count=block.count, dev_id=block.unit)


def _reader(keys: ModbusChannel, settings: ModbusSettings) -> Callable[[Sequence[int]], float]:
    word_order, byte_order = keys.word_order or settings.word_order, keys.byte_order or settings.byte_order
    return reader(keys.type or "uint16", word_order, byte_order)


def _refuses_the_place(problem: BadReply) -> bool:
    return isinstance(problem, Refused) and problem.code in (_ILLEGAL_ADDRESS, _ILLEGAL_VALUE)
