"""The Modbus server: pymodbus's own server with the registers that the bench file's channels read.

The server listens on this machine. Its clients see a socket (Modbus TCP, UDP, TLS) or a pseudo-terminal (RTU) in front
of it, to which line faults are applied. `RegisterFormat` encodes a value into registers by the keys of a channel.
"""

from __future__ import annotations

import asyncio
import logging
import math
import re
import struct
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

from pymodbus import FramerType
from pymodbus.constants import ExcCodes
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from benchmon.bench import Bench, Instrument, Sweep
from benchmon.errors import BadInput
from benchmon_simulated.addresses import HOST
from benchmon_simulated.effects import Effects
from benchmon_simulated.electronic_load import ElectronicLoad
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import Keys, channels_of, keys_of
from benchmon_simulated.servers.own_certificate import is_encrypted
from benchmon_simulated.servers.server import Language, Medium, WiredServer
from benchmon_simulated.servers.transports import (
    DatagramTransport,
    PtyTransport,
    Relay,
    RequestHandler,
    TcpTransport,
    Write,
)
from benchmon_simulated.supply.supply import SupplyUnderTest

FORMATS = {
    "uint16": "H",
    "int16": "h",
    "uint32": "I",
    "int32": "i",
    "uint64": "Q",
    "int64": "q",
    "float32": "f",
    "float64": "d",
    "bcd16": "H",
    "bcd32": "I",
}
ORDERS = ("big", "little")


@dataclass(frozen=True)
class DecadeRegister:
    """A register with the power of ten of a number, in the bits of `mask`, less `plus`."""

    number: int
    mask: int
    kind: str
    plus: int

    @classmethod
    def from_keys(cls, keys: Keys) -> DecadeRegister:
        """Return it by the keys of the section exponent. Raises `BadInput` for invalid keys."""
        return cls(
            keys.integer("register", None, 0, 65_535),
            keys.integer("mask", 65_535, 1, 65_535),
            keys.choice("type", "int16", ("int16", "uint16", "decimals")),
            keys.integer("plus", 0, -30, 30),
        )

    def power_for(self, raw: float) -> int:
        """Return the power of ten that leaves four digits of `raw`, as far as the register can hold it."""
        wanted = math.floor(math.log10(abs(raw))) - 3 if raw and math.isfinite(raw) else 0
        most = self.mask // (self.mask & -self.mask)
        low, high = {"int16": (-30, 30), "uint16": (0, most), "decimals": (-most, 0)}[self.kind]
        return min(high + self.plus, max(low + self.plus, wanted))

    def register(self, power: int) -> int:
        """Return the register's bits that announce `power`."""
        announced = power - self.plus
        announced = -announced if self.kind == "decimals" else announced
        return (announced * (self.mask & -self.mask)) & self.mask


@dataclass(frozen=True)
class RegisterFormat:
    """How registers hold a channel's value: type, orders, value = register × factor + offset, and special values."""

    kind: str
    word_order: str
    byte_order: str
    factor: float
    offset: float
    overload: float | None
    no_value: float | None
    mask: int = 0
    """Bits of the number, 0 where all belong to it."""
    sign: tuple[int, int] | None = None
    """The register of the sign, and its bits."""
    exponent: DecadeRegister | None = None

    @classmethod
    def from_keys(cls, channel: Keys, instrument: Keys) -> RegisterFormat:
        """Return the format by the keys of a channel and of its instrument. Raises `BadInput` for invalid keys."""
        overload, no_value = channel.reals("overload"), channel.reals("no_value")
        sign, exponent = channel.section("sign"), channel.section("exponent")
        return cls(
            channel.choice("type", "uint16", tuple(FORMATS)),
            channel.choice("word_order", instrument.choice("word_order", "big", ORDERS), ORDERS),
            channel.choice("byte_order", instrument.choice("byte_order", "big", ORDERS), ORDERS),
            channel.real("factor", 1.0) or 1.0,
            channel.real("offset", 0.0),
            overload[0] if overload else None,
            no_value[0] if no_value else None,
            channel.integer("mask", 0, 0, (1 << 32) - 1),
            None
            if sign is None
            else (sign.integer("register", None, 0, 65_535), sign.integer("mask", 65_535, 1, 65_535)),
            None if exponent is None else DecadeRegister.from_keys(exponent),
        )

    @property
    def count(self) -> int:
        """The number of registers of a value."""
        return struct.calcsize(FORMATS[self.kind]) // 2

    def numbers(self, start: int) -> set[int]:
        """Return the numbers of all registers of a value whose first is `start`."""
        beside = {self.sign[0]} if self.sign is not None else set()
        beside |= {self.exponent.number} if self.exponent is not None else set()
        return {*range(start, start + self.count)} | beside

    def encoded(self, value: float, start: int) -> dict[int, int]:
        """Return all registers that hold `value`, by number: those of the number, of its sign and of its exponent."""
        found = dict.fromkeys(self.numbers(start), 0)
        if self.sign is not None and value < 0:
            found[self.sign[0]] |= self.sign[1]
            value = -value
        if self.exponent is not None:
            power = self.exponent.power_for((value - self.offset) / self.factor)
            found[self.exponent.number] |= self.exponent.register(power)
            value = (value - self.offset) / 10.0**power + self.offset
        for number, register in enumerate(self.registers(value), start):
            found[number] |= register
        return found

    def registers(self, value: float) -> list[int]:
        """Return the registers, each 0 to 65535, that hold `value`.

        NaN and ±inf are encoded as `no_value` and `overload`; where the keys give none, as NaN or infinity in a float
        and as the largest magnitude in an integer.

        >>> RegisterFormat("int16", "big", "big", 0.1, 0.0, None, None).registers(-3.14)
        [65505]
        """
        special = self.no_value if math.isnan(value) else self.overload if math.isinf(value) else None
        raw = (value - self.offset) / self.factor if special is None else special
        data = struct.pack(f">{FORMATS[self.kind]}", raw if self.kind.startswith("float") else self._whole(raw))
        layout = [int.from_bytes(data[at : at + 2], self._byte_order) for at in range(0, len(data), 2)]
        return layout if self.word_order == "big" else layout[::-1]

    @property
    def _byte_order(self) -> Literal["big", "little"]:
        return "big" if self.byte_order == "big" else "little"

    def _whole(self, raw: float) -> int:
        if self.mask:
            lowest = self.mask & -self.mask
            most = self.mask // lowest
            return (min(most, max(0, round(raw))) if math.isfinite(raw) else most) * lowest
        if self.kind.startswith("bcd"):
            most = 10 ** (4 * self.count) - 1
            return int(str(min(most, max(0, round(raw))) if math.isfinite(raw) else most), 16)
        bits = 16 * self.count
        low, high = (0, (1 << bits) - 1) if self.kind.startswith("u") else (-(1 << bits - 1), (1 << bits - 1) - 1)
        if not math.isfinite(raw):
            return low if raw < 0 else high
        return min(high, max(low, round(raw)))


# Without a handler, the library's log would end up on standard error.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())

_FUNCTIONS = {"holding": 3, "input": 4}
_READ_BY = {"coil": 1, "discrete": 2} | _FUNCTIONS
_BITS = frozenset({1, 2})
"""Functions of single bits, of which the library keeps 16 in a register."""
_PLACEHOLDER_REGISTER = 65_520
"""The register of a block that would be empty, which pymodbus does not allow."""


@dataclass(frozen=True)
class MainsRelay:
    """A relay in the mains, operated by a coil or a register; `off` is its value that switches the mains off."""

    off: int
    supply: SupplyUnderTest

    def write(self, value: int) -> None:
        """Switch the mains off or on."""
        if value == self.off:
            self.supply.switch_off()
        else:
            self.supply.switch_on()


@dataclass(frozen=True)
class LoadRegister:
    """A register that sets an electronic load: its content is the value times `factor`."""

    factor: float
    load: ElectronicLoad
    off = 0

    def write(self, value: int) -> None:
        """Set the load."""
        self.load.set(value / self.factor)


@dataclass(frozen=True)
class LoadSwitch:
    """A coil or a register that switches an electronic load's input; `off` is its value that switches it off."""

    off: int
    load: ElectronicLoad

    def write(self, value: int) -> None:
        """Switch the input off or on."""
        if value == self.off:
            self.load.switch_off()
        else:
            self.load.switch_on()


Written = MainsRelay | LoadRegister | LoadSwitch
"""What a coil or a register does when it is written."""


@dataclass(frozen=True)
class ServedRegister:
    """The first register of a channel's value in a unit, and the meter that gives the value."""

    function: int
    start: int
    layout: RegisterFormat
    meter: Meter

    def read(self, supply: SupplyUnderTest, registers: list[int], first: int) -> None:
        """Write the present value into `registers`, of which the first has the number `first`."""
        for number, register in self.layout.encoded(self.meter.read(supply.snapshot), self.start).items():
            if 0 <= number - first < len(registers):
                registers[number - first] = register

    @property
    def numbers(self) -> set[int]:
        """The numbers of its registers."""
        return self.layout.numbers(self.start)


@dataclass(frozen=True)
class ReportedRelay:
    """A register, coil or discrete input that reports a relay's state: `off`, or another number when it is on."""

    function: int
    number: int
    off: int

    @property
    def numbers(self) -> set[int]:
        """Its number."""
        return {self.number}

    def read(self, supply: SupplyUnderTest, registers: list[int], first: int) -> None:
        """Write the present state into `registers`, of which the first has the number `first`."""
        content = (0 if self.off else 1) if supply.on else self.off
        if self.function in _BITS:
            at, bit = divmod(self.number, 16)
            registers[at - first] = registers[at - first] & ~(1 << bit) | bool(content) << bit
        else:
            registers[self.number - first] = content


@dataclass
class Unit:
    """One unit on a line: its channels' registers, where a relay reports, and the coils and registers that switch."""

    registers: list[ServedRegister | ReportedRelay] = field(default_factory=list)
    coils: dict[int, Written] = field(default_factory=dict)
    switching: dict[int, Written] = field(default_factory=dict)


class ModbusServer(WiredServer):
    """A Modbus line with the units that its channels name."""

    speaks: Language = "modbus"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        self._supply, self._units = supply, units_of(instrument, bench, seed, supply.effects)
        if bench.switch_off is not None and bench.switch_off.instrument == instrument.name:
            _add_coil(self._units, Keys("switch_off", bench.switch_off.driver_keys), supply)
        for sweep in bench.sweep:
            if sweep.instrument == instrument.name:
                _add_load(self._units, sweep, ElectronicLoad(supply, sweep.over, seed))
        served = [register for unit in self._units.values() for register in unit.registers]
        self.meters: Sequence[Meter] = [one.meter for one in served if isinstance(one, ServedRegister)]
        self._framing = keys_of(instrument).choice("framing", "rtu", ("rtu", "ascii"))
        self._server: ModbusTcpServer | None = None
        self._port = 0
        self._serial_relay: Relay | None = None
        address = instrument.address
        scheme = re.match(r"(tcp|tls|udp)://", address, re.IGNORECASE)
        self._scheme = scheme[1].lower() if scheme is not None else ""
        self._transport: TcpTransport | DatagramTransport | PtyTransport
        if self._scheme == "udp":
            self._transport = DatagramTransport(self._session, _close_relay)
        elif self._scheme:
            here = re.match(r"...://(?:127\.0\.0\.1|localhost):(\d{1,5})/?$", address, re.IGNORECASE)
            port = int(here[1]) if here is not None and int(here[1]) <= 65_535 else 0
            self._transport = TcpTransport(self._session, port, _close_relay, encrypted=is_encrypted(address))
        else:
            self._transport = PtyTransport(self._receive, instrument.name)
        self.medium: Medium = "socket" if self._scheme else "serial"
        super().__init__(instrument.name, self._transport)

    async def open(self) -> str:
        """Open its line; return its address. Raises `InstrumentError` where it cannot be opened."""
        framer = FramerType.SOCKET if self.medium == "socket" else FramerType(self._framing)
        devices = [_device(number, unit, self._supply) for number, unit in self._units.items()]
        self._server = ModbusTcpServer(devices, framer=framer, address=(HOST, 0))
        await self._server.serve_forever(background=True)
        self._port = _port_of(self._server)
        await self.open_transport()
        if isinstance(self._transport, PtyTransport):
            self._serial_relay = Relay(self._port, self._transport.send)
            return self._transport.path
        return f"{self._scheme}://{HOST}:{self._transport.port}"

    async def run(self) -> None:
        """Wait until cancelled: the instrument only answers."""
        await asyncio.Event().wait()

    async def close(self) -> None:
        """Close its line and its server."""
        await super().close()
        if self._serial_relay is not None:
            self._serial_relay.close()
        if self._server is not None:
            await self._server.shutdown()  # type: ignore[no-untyped-call]

    def _session(self, write: Write) -> RequestHandler:
        return Relay(self._port, write)

    def _receive(self, data: bytes) -> bytes:
        return self._serial_relay(data) if self._serial_relay is not None else b""


def _port_of(server: ModbusTcpServer) -> int:
    assert isinstance(server.transport, asyncio.Server)  # noqa: S101 (set by pymodbus while it listens)
    return int(server.transport.sockets[0].getsockname()[1])


def _close_relay(handler: RequestHandler) -> None:
    if isinstance(handler, Relay):
        handler.close()


def units_of(instrument: Instrument, bench: Bench, seed: int, effects: Effects) -> dict[int, Unit]:
    """Return the units of the channels of `instrument`, by number. Raises `BadInput` for invalid keys."""
    common = keys_of(instrument)
    default = common.integer("unit", 1, 0, 255)
    units: dict[int, Unit] = {default: Unit()}
    for channel in channels_of(bench, instrument):
        keys = keys_of(channel)
        function = _FUNCTIONS[keys.choice("function", "holding", tuple(_FUNCTIONS))]
        start, layout = keys.integer("register", None, 0, 65_535), RegisterFormat.from_keys(keys, common)
        unit = units.setdefault(keys.integer("unit", default, 0, 255), Unit())
        register = ServedRegister(function, start, layout, Meter(channel, seed, effects))
        if any(_overlap(register, other) for other in unit.registers):
            raise BadInput(f"channel {channel.name!r}: register = {start}: another channel uses it already")
        unit.registers.append(register)
    return units


def _add_coil(units: dict[int, Unit], keys: Keys, supply: SupplyUnderTest) -> None:
    number = keys.integer("unit", next(iter(units)), 0, 255)
    off = keys.integer("value", None, 0, 65_535) if keys.is_integer("value") else int(keys.flag("value", default=True))
    unit = units.setdefault(number, Unit())
    if keys.has("register"):
        unit.switching[keys.integer("register", None, 0, 65_535)] = MainsRelay(off, supply)
    else:
        unit.coils[keys.integer("coil", None, 0, 65_535)] = MainsRelay(off, supply)
    if keys.has("confirm"):
        function, at, content = keys.register("confirm", tuple(_READ_BY))
        relay = ReportedRelay(_READ_BY[function], at, content)
        if (function, at) in {*(("coil", one) for one in unit.coils), *(("holding", one) for one in unit.switching)}:
            return
        if any(_overlap(relay, other) for other in unit.registers):
            raise BadInput(f"switch_off: confirm = {function} {at}: a channel uses it already")
        unit.registers.append(relay)


def _add_load(units: dict[int, Unit], sweep: Sweep, load: ElectronicLoad) -> None:
    if not isinstance(sweep.set, dict) or not isinstance(sweep.off, dict):
        raise BadInput(f"sweep {sweep.name!r}: set and off must be tables that name registers or coils")
    place = f"sweep {sweep.name}"
    setting, release = Keys(f"{place}: set", sweep.set), Keys(f"{place}: off", sweep.off)
    unit = units.setdefault(release.integer("unit", next(iter(units)), 0, 255), Unit())
    by_value = LoadRegister(setting.real("factor", 1.0) or 1.0, load)
    unit.switching[setting.integer("register", None, 0, 65_535)] = by_value
    off = release.integer("value", 0, 0, 65_535)
    if setting.has("coil"):
        unit.coils[setting.integer("coil", None, 0, 65_535)] = LoadSwitch(0, load)
    else:
        load.is_on_when_set = True
    if release.has("register"):
        unit.switching[release.integer("register", None, 0, 65_535)] = LoadSwitch(off, load)
    else:
        unit.coils[release.integer("coil", None, 0, 65_535)] = LoadSwitch(off, load)


def _overlap(one: ServedRegister | ReportedRelay, other: ServedRegister | ReportedRelay) -> bool:
    return one.function == other.function and bool(one.numbers & other.numbers)


def _device(number: int, unit: Unit, supply: SupplyUnderTest) -> SimDevice:
    async def refresh(  # noqa: PLR0917 (pymodbus's signature)
        function: int,
        first: int,
        address: int,
        count: int,
        registers: list[int],
        written: list[int] | list[bool] | None,
    ) -> ExcCodes | None:
        if written is not None:
            return _write(unit, function, address, written)
        for register in unit.registers:
            asked = register.numbers if function in _BITS else set(range(address, address + count))
            if register.function == function and register.numbers & asked:
                register.read(supply, registers, first)
        return None

    held, inputs = (_register_blocks(unit, function) for function in _FUNCTIONS.values())
    blocks = (_bit_block(unit, "coil"), _bit_block(unit, "discrete"), held, inputs)
    return SimDevice(number, simdata=blocks, action=refresh)


def _write(unit: Unit, function: int, address: int, values: Sequence[int | bool]) -> ExcCodes | None:
    relays = {5: unit.coils, 15: unit.coils, 6: unit.switching, 16: unit.switching}.get(function, {})
    if any(address + at not in relays for at in range(len(values))):
        return ExcCodes.ILLEGAL_ADDRESS
    for at, value in enumerate(values):
        relays[address + at].write(int(value))
    return None


def _register_blocks(unit: Unit, function: int) -> list[SimData]:
    registers = [register for register in unit.registers if register.function == function]
    numbers = {number for register in registers for number in register.numbers}
    numbers |= set(unit.switching) if function == _FUNCTIONS["holding"] else set()
    return [SimData(at, values=0, datatype=DataType.REGISTERS) for at in sorted(numbers)] or _empty_block(
        DataType.REGISTERS
    )


def _bit_block(unit: Unit, function: str) -> list[SimData]:
    on = {at for at, relay in unit.coils.items() if relay.off == 0} if function == "coil" else set()
    numbers = {number for one in unit.registers if one.function == _READ_BY[function] for number in one.numbers}
    numbers |= set(unit.coils) if function == "coil" else set()
    return [SimData(at, values=at in on, datatype=DataType.BITS) for at in sorted(numbers)] or _empty_block(
        DataType.BITS
    )


def _empty_block(kind: DataType) -> list[SimData]:
    return [SimData(_PLACEHOLDER_REGISTER, values=False if kind is DataType.BITS else 0, datatype=kind)]
