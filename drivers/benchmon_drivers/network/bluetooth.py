"""Meters that send notifications over Bluetooth Low Energy: lines of text, JSON, or binary frames.

The library (bleak) speaks to the system's Bluetooth service by asyncio. All meters of a process share one thread
for it, which waits for nothing but the service; what a meter sends is collected there and read by its own thread.
"""

from __future__ import annotations

import asyncio
import logging
import re
import threading
from collections import deque
from collections.abc import Callable, Coroutine, Iterator, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Literal, TypeVar

from pydantic import AfterValidator, Field

from benchmon.errors import BadInput, BadReply, InstrumentError
from benchmon.instruments.driver import Driver, Stamped
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon.text import one_line
from benchmon_drivers.network.access import require_library
from benchmon_drivers.network.messages import MessageChannel, MessageSettings, message_numbers, pattern_cautions
from benchmon_drivers.number_parsing import shown
from benchmon_drivers.serial.frame_numbers import SerialFramesChannel, frame_value
from benchmon_drivers.serial.frames import (
    FrameKeys,
    FramesChannel,
    FrameSplitter,
    check_unasked,
    decade_cautions,
    joined_halves,
)
from benchmon_drivers.serial.lines import LineSplitter
from benchmon_drivers.serial.port import HexBytes

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.device import BLEDevice

_SHORTEST_SCAN = 10.0
"""Seconds to look for a meter: one that saves its battery sends an advertisement every few seconds (from memory)."""
_CONNECT, _LEAVE = 10.0, 3.0
"""Seconds to connect, and to leave."""
_SLICE = 0.1
"""Seconds after which a thread that waits looks whether the recording ends."""
_MOST_WAITING = 1000
_LONGEST_NOTIFICATION = 512
"""Bytes of an attribute's value (Bluetooth Core, volume 3 part F 3.2.9, from memory)."""
_SHORT_UUID = "0000{}-0000-1000-8000-00805f9b34fb"
"""A UUID of 16 bits in full (Bluetooth Core, volume 3 part B 2.5.1, from memory)."""
_HARDWARE_ADDRESS = re.compile(r"(?:[0-9A-Fa-f]{2}:){5}[0-9A-Fa-f]{2}")
_UUID = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{4}-[0-9a-f]{12}")


def _read_uuid(value: str) -> str:
    wanted = value.strip().lower()
    if re.fullmatch(r"[0-9a-f]{4}", wanted):
        return _SHORT_UUID.format(wanted)
    if not _UUID.fullmatch(wanted):
        raise BadInput('must be a UUID, such as "ffe1" or "0000ffe1-0000-1000-8000-00805f9b34fb"')
    return wanted


def _read_address(value: str) -> str:
    if not value.strip() or value != one_line(value, 100):
        raise BadInput('must be the meter\'s address, such as "AA:BB:CC:DD:EE:FF", or its name')
    return value


Uuid = Annotated[str, AfterValidator(_read_uuid)]
MeterAddress = Annotated[
    str,
    AfterValidator(_read_address),
    Field(description='The meter\'s Bluetooth address, such as "AA:BB:CC:DD:EE:FF", or the name that it advertises.'),
]


class NotifyingSettings(InstrumentSettings):
    """Which notifications of a meter are read, and what makes it send them."""

    address: MeterAddress
    characteristic: Uuid = Field(
        description='UUID of the characteristic that notifies: "ffe1" or all 36 characters. Where a meter has another, '
        "the error lists those it has."
    )
    setup: tuple[HexBytes, ...] = Field(
        (), description="Bytes that are written when the meter is connected, in hexadecimal."
    )
    setup_characteristic: Uuid | None = Field(
        None, description="UUID of the characteristic that setup is written to, where it is not the one that notifies."
    )


class BleSettings(NotifyingSettings, MessageSettings):
    """A meter that sends text by Bluetooth Low Energy."""

    message: Literal["line", "notification"] = Field(
        "line",
        description='What one message is: a line, which may come in several notifications, or one "notification".',
    )


class BleFramesSettings(NotifyingSettings, FrameKeys):
    """A meter that sends frames by Bluetooth Low Energy."""


_starting = threading.Lock()
_loops: list[asyncio.AbstractEventLoop] = []


def _bluetooth_loop() -> asyncio.AbstractEventLoop:
    """Return the event loop of all Bluetooth meters of this process, which runs in a thread of its own."""
    with _starting:
        if not _loops:
            # What the library would print to a terminal is in the errors that it raises.
            logging.getLogger("bleak").addHandler(logging.NullHandler())
            loop = asyncio.new_event_loop()
            loop.set_exception_handler(lambda _loop, _context: None)
            threading.Thread(target=loop.run_forever, name="Bluetooth", daemon=True).start()
            _loops.append(loop)
        return _loops[0]


_scanning = asyncio.Lock()
"""The system refuses a second scan of the same program."""


class _Notifications:
    """What a meter has sent, from the thread of the library to the one that reads."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._condition = threading.Condition()
        self._waiting: deque[tuple[float, bytes]] = deque()
        self._is_broken = self._is_lost = False

    def put(self, data: bytes) -> None:
        """Keep a notification. Where too many wait, all are thrown away: no line is put together of two."""
        with self._condition:
            if len(self._waiting) >= _MOST_WAITING or len(data) > _LONGEST_NOTIFICATION:
                self._waiting.clear()
                self._is_broken = True
            else:
                self._waiting.append((self._clock(), data))
            self._condition.notify_all()

    def lose(self) -> None:
        """Note that the meter has disconnected."""
        with self._condition:
            self._is_lost = True
            self._condition.notify_all()

    def take(self, seconds: float) -> tuple[list[tuple[float, bytes]], bool, bool]:
        """Return what has come with its times, whether some before it is missing, and whether the meter is lost.

        Waits at most `seconds` for the first.
        """
        with self._condition:
            self._condition.wait_for(lambda: self._waiting or self._is_broken or self._is_lost, max(0.0, seconds))
            taken, is_broken = list(self._waiting), self._is_broken
            self._waiting.clear()
            self._is_broken = False
            return taken, is_broken, self._is_lost


Keys = TypeVar("Keys", bound=NotifyingSettings)
T = TypeVar("T")
ChannelKeys = TypeVar("ChannelKeys", bound=ChannelSettings)


class NotifiedDriver(Driver[Keys, ChannelKeys]):
    """Base of the drivers that read notifications."""

    streams = True

    def __init__(self, name: str, settings: Keys, channels: Sequence[DrivenChannel[ChannelKeys]]) -> None:
        super().__init__(name, settings, channels)
        require_library("bleak", "bleak", "bluetooth")
        self._client: BleakClient | None = None
        self._sent = _Notifications(self.clock)
        self._came = 0

    def cautions(self) -> list[str]:
        """Return what to know of the address before a test."""
        if _HARDWARE_ADDRESS.fullmatch(self.settings.address):
            return []
        return [f"reads any meter near here that calls itself {self.settings.address}; give its Bluetooth address"]

    def _open(self) -> str:
        self._close()
        self._sent, self._came = _Notifications(self.clock), 0
        self._start_again()
        scan = max(_SHORTEST_SCAN, self.timeout)
        # A scan may wait for that of another meter.
        return self._outcome(self._connected(self._sent, scan), 2 * scan + 2 * _CONNECT)

    def _close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            with suppress(InstrumentError):
                self._outcome(client.disconnect(), _LEAVE, is_leaving=True)

    def _start_again(self) -> None:
        """Forget the beginning of a line or frame."""
        raise NotImplementedError

    def _arrived(self, seconds: float) -> Iterator[tuple[float, bytes]]:
        """Yield the notifications with their times. Raises `InstrumentError` where the meter has disconnected."""
        taken, is_broken, is_lost = self._sent.take(seconds)
        if is_broken:
            self._start_again()
            self.complain("sent more than is read; some of it is lost")
        self._came += len(taken)
        yield from taken
        if is_lost and not taken:
            raise InstrumentError(f"{self.settings.address}: has disconnected; is it on, and near?")

    def _outcome(self, what: Coroutine[Any, Any, T], seconds: float, *, is_leaving: bool = False) -> T:
        """Return what a coroutine of the library returns. Raises `InstrumentError` after `seconds`, or at the end."""
        future = asyncio.run_coroutine_threadsafe(what, _bluetooth_loop())
        give_up = self.clock() + seconds
        while True:
            try:
                return future.result(_SLICE)
            except TimeoutError:
                if future.done():
                    raise  # it is the library's
                if self.clock() > give_up or (self.ending and not is_leaving):
                    future.cancel()
                    raise InstrumentError(f"{self.settings.address}: does not answer by Bluetooth") from None

    async def _connected(self, sent: _Notifications, seconds: float) -> str:
        """Connect, ask for notifications, and return the meter's name."""
        from bleak import BleakClient  # noqa: PLC0415 - an optional library

        keys = self.settings
        device = await self._found(seconds)
        client = BleakClient(device, disconnected_callback=lambda _: sent.lose(), timeout=_CONNECT)
        await client.connect()
        try:
            self._require_characteristics(client)
            await client.start_notify(keys.characteristic, lambda _, data: sent.put(bytes(data)))
            for command in keys.setup:
                await client.write_gatt_char(keys.setup_characteristic or keys.characteristic, command)
        except BaseException:
            with suppress(Exception):
                await asyncio.wait_for(client.disconnect(), _LEAVE)
            raise
        self._client = client
        return device.name or ""

    async def _found(self, seconds: float) -> BLEDevice:
        from bleak import BleakScanner  # noqa: PLC0415 - an optional library

        wanted = self.settings.address
        is_address = _HARDWARE_ADDRESS.fullmatch(wanted) is not None
        find = BleakScanner.find_device_by_address if is_address else BleakScanner.find_device_by_name
        async with _scanning:
            device = await find(wanted, timeout=seconds)
        if device is None:
            raise InstrumentError(
                f"{wanted}: no such meter was seen by Bluetooth in {seconds:.3g} s; is it on, near, and connected to "
                "nothing else, such as a phone?"
            )
        return device

    def _require_characteristics(self, client: BleakClient) -> None:
        there = {one.uuid: one.properties for service in client.services for one in service.characteristics}
        keys = self.settings
        wanted = [("characteristic", keys.characteristic, ("notify", "indicate"))]
        if keys.setup:
            writable = ("write", "write-without-response")
            wanted.append(("setup_characteristic", keys.setup_characteristic or keys.characteristic, writable))
        for key, uuid, ways in wanted:
            if not set(ways) & set(there.get(uuid, ())):
                fitting = ", ".join(sorted(one for one, has in there.items() if set(ways) & set(has))) or "none"
                does = "notifies" if key == "characteristic" else "takes bytes"
                raise InstrumentError(
                    one_line(f"{keys.address}: no characteristic {uuid} {does} here, only: {fitting}; check {key}")
                )

    def _explain(self, problem: Exception) -> InstrumentError | None:
        from bleak.exc import BleakBluetoothNotAvailableError, BleakError  # noqa: PLC0415 - an optional library

        where = self.settings.address
        if isinstance(problem, BleakBluetoothNotAvailableError | FileNotFoundError | ConnectionRefusedError):
            why = problem.strerror if isinstance(problem, OSError) else problem.args[0]
            return InstrumentError(
                one_line(f"{where}: Bluetooth is not available here ({why}); ")
                + "is there an adapter, is it on, and does the system's bluetooth service (BlueZ) run?"
            )
        if isinstance(problem, TimeoutError):
            return InstrumentError(f"{where}: was seen, but does not connect; is it connected to something else?")
        if isinstance(problem, BleakError | EOFError):
            return InstrumentError(one_line(f"{where}: Bluetooth fails ({problem or 'its service has ended'})"))
        return None

    def _timeout_message(self) -> str:
        where, long = f"{self.settings.address}", f"{self.timeout:.3g} s"
        if self._came:
            return f"{where}: {self._came} notifications, but no reading of them for {long}; check how they are read"
        return f"{where}: is connected, but sent nothing for {long}; does it need setup?"


class BleDriver(NotifiedDriver[BleSettings, MessageChannel]):
    """Lines of text or JSON in notifications."""

    settings_model: ClassVar[type[InstrumentSettings]] = BleSettings
    channel_model: ClassVar[type[ChannelSettings]] = MessageChannel

    def __init__(self, name: str, settings: BleSettings, channels: Sequence[DrivenChannel[MessageChannel]]) -> None:
        super().__init__(name, settings, channels)
        self._numbers = message_numbers(channels, settings.overload)
        self._lines = LineSplitter()

    def cautions(self) -> list[str]:
        """Return what to know of the patterns and the address before a test."""
        return [*super().cautions(), *pattern_cautions(self._numbers.values())]

    def _start_again(self) -> None:
        self._lines.restart(self.clock(), in_step=False)

    def _listen(self, seconds: float) -> Iterator[tuple[str, Stamped | BadReply]]:
        is_line = self.settings.message == "line"
        for time, data in self._arrived(seconds):
            for message in self._lines.feed(data, time) if is_line else [data]:
                found = {name: number.find(message) for name, number in self._numbers.items()}
                for name, value in found.items():
                    if value is not None:
                        yield name, value if isinstance(value, BadReply) else Stamped(value, time)
                if all(value is None for value in found.values()):
                    self.complain(f'sent "{shown(message[:200])}", which is about no channel; check pattern and json')


class BleFramesDriver(NotifiedDriver[BleFramesSettings, SerialFramesChannel]):
    """Frames in notifications. The constructor raises `BadInput` where a channel is queried or looks outside of one."""

    settings_model: ClassVar[type[InstrumentSettings]] = BleFramesSettings
    channel_model: ClassVar[type[ChannelSettings]] = SerialFramesChannel

    def __init__(self, name: str, settings: BleFramesSettings, channels: Sequence[FramesChannel]) -> None:
        super().__init__(name, settings, channels)
        check_unasked(channels, settings)
        self._frames = FrameSplitter(settings.layout)

    def cautions(self) -> list[str]:
        """Return what to know of the address and of the meter's range before a test."""
        return [*super().cautions(), *decade_cautions(self.channels.values())]

    def _start_again(self) -> None:
        self._frames.restart(in_step=False)

    def _listen(self, seconds: float) -> Iterator[tuple[str, Stamped | BadReply]]:
        for time, data in self._arrived(seconds):
            for frame in self._frames.feed(data, time):
                whole = joined_halves(frame) if self.settings.halves else frame
                for name, channel in self.channels.items():
                    value = frame_value(channel.settings, whole)
                    if value is not None:
                        yield name, value if isinstance(value, BadReply) else Stamped(value, time)
