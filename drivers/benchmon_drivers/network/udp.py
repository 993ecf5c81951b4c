"""Meters that send datagrams (UDP) to this computer: lines of text, JSON, or binary frames.

Only datagrams of the sender that the bench file names are read. A datagram arrives whole or not at all, so its last
line needs no end.
"""

from __future__ import annotations

import errno
import re
import socket
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from ipaddress import ip_address
from select import select
from typing import Annotated, ClassVar, TypeVar
from urllib.parse import parse_qs, urlsplit

from pydantic import AfterValidator, Field

from benchmon.errors import BadInput, BadReply, InstrumentError
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon_drivers.network.messages import (
    LARGEST,
    MessageChannel,
    MessageSettings,
    message_numbers,
    pattern_cautions,
)
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

ANY = "any"
_MOST_AT_ONCE = 100
_MOST_LINES = 100
_HELD = 65_536
"""Bytes that the system may hold for a driver that is late; beyond, new datagrams are lost."""


@dataclass(frozen=True, slots=True)
class UdpAddress:
    """Where this computer listens, and whose datagrams it reads ("any" is everybody's)."""

    host: str
    port: int
    sender: str

    @property
    def cautions(self) -> list[str]:
        """What to know of it before a test."""
        if self.sender != ANY:
            return []
        return ["reads what any computer of the network sends to its port; name the meter's address: from=…"]


def read_udp_address(value: str) -> UdpAddress:
    """Return the parts of an address such as `udp://192.0.2.1:5005?from=192.0.2.7`. Raises `BadInput`."""
    try:
        parts = urlsplit(value)
        port, host, senders = parts.port, parts.hostname, parse_qs(parts.query).get("from", [])
        if parts.scheme != "udp" or host is None or not port or len(senders) != 1 or parts.path:
            raise ValueError
        return UdpAddress(str(ip_address(host)), port, ANY if senders[0] == ANY else str(ip_address(senders[0])))
    except ValueError as problem:
        raise BadInput(
            "must be this computer's address and port, and the meter's address, in numbers, such as "
            '"udp://192.168.1.2:5005?from=192.168.1.7"; from=any reads what anybody sends'
        ) from problem


def _checked(value: str) -> str:
    read_udp_address(value)
    return value


SenderAddress = Annotated[
    str,
    AfterValidator(_checked),
    Field(
        description="This computer's address and port, and the meter's address, in numbers: "
        '"udp://192.168.1.2:5005?from=192.168.1.7". What others send is not read.'
    ),
]


class UdpSettings(MessageSettings):
    """A meter that sends datagrams to a port of this computer."""

    address: SenderAddress


class UdpFramesSettings(InstrumentSettings, FrameKeys):
    """A meter that sends frames in datagrams to a port of this computer."""

    address: SenderAddress


class UdpSocket:
    """A socket that receives the datagrams of one sender."""

    def __init__(self, address: UdpAddress) -> None:
        self._address = address
        self._socket: socket.socket | None = None
        self.strangers = 0
        """The number of datagrams that came from others."""

    def open(self) -> None:
        """Listen. Raises `OSError`."""
        family = socket.AF_INET6 if ":" in self._address.host else socket.AF_INET
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _HELD)
        self._socket.bind((self._address.host, self._address.port))
        self.strangers = 0

    def close(self) -> None:
        """Stop listening."""
        listening, self._socket = self._socket, None
        if listening is not None:
            listening.close()

    def datagrams(self, seconds: float) -> Iterator[bytes]:
        """Yield the datagrams that have arrived, at most a hundred, waiting at most `seconds` for the first."""
        if self._socket is None or not select([self._socket], [], [], max(0.0, seconds))[0]:
            return
        for _ in range(_MOST_AT_ONCE):
            try:
                data, (sender, *_) = self._socket.recvfrom(LARGEST)
            except BlockingIOError:
                return
            if self._address.sender in (ANY, sender.partition("%")[0]):
                yield data
            else:
                self.strangers += 1

    def why_silent(self, seconds: float) -> str:
        """Return the message where nothing came for that long."""
        where, long = f"{self._address.host}:{self._address.port}", f"{seconds:.3g} s"
        if self.strangers:
            others = f"{self.strangers} datagrams of others"
            return f"{where}: nothing came from {self._address.sender} for {long}, but {others}; check from"
        return f"{where}: nothing came for {long}; is the meter on, and does it send to this address and port?"


Keys = TypeVar("Keys", bound=InstrumentSettings)
ChannelKeys = TypeVar("ChannelKeys", bound=ChannelSettings)


class DatagramDriver(Driver[Keys, ChannelKeys]):
    """Base of the drivers that read datagrams: a socket that receives those of the bench file's sender."""

    streams = True

    def __init__(self, name: str, settings: Keys, channels: Sequence[DrivenChannel[ChannelKeys]]) -> None:
        super().__init__(name, settings, channels)
        self._where = read_udp_address(settings.address)
        self._socket = UdpSocket(self._where)

    def cautions(self) -> list[str]:
        """Return what to know of the address before a test."""
        return self._where.cautions

    def _open(self) -> str:
        self._socket.open()
        return ""

    def _close(self) -> None:
        self._socket.close()

    def _explain(self, problem: Exception) -> InstrumentError | None:
        number = problem.errno if isinstance(problem, OSError) else None
        where = self._where
        if number == errno.EADDRINUSE:
            return InstrumentError(f"port {where.port} of {where.host} is taken by another program; close that one")
        if number == errno.EADDRNOTAVAIL:
            return InstrumentError(f"{where.host} is no address of this computer; `ip address` lists them")
        if number == errno.EACCES:
            return InstrumentError(f"port {where.port} is for the system only; choose one above 1023")
        return None

    def _timeout_message(self) -> str:
        return self._socket.why_silent(self.timeout)


class UdpDriver(DatagramDriver[UdpSettings, MessageChannel]):
    """Lines of text or JSON in datagrams."""

    settings_model: ClassVar[type[InstrumentSettings]] = UdpSettings
    channel_model: ClassVar[type[ChannelSettings]] = MessageChannel

    def __init__(self, name: str, settings: UdpSettings, channels: Sequence[DrivenChannel[MessageChannel]]) -> None:
        super().__init__(name, settings, channels)
        self._numbers = message_numbers(channels, settings.overload)
        self._sends_both = len({number.is_in_json for number in self._numbers.values()}) > 1

    def cautions(self) -> list[str]:
        """Return what to know of the patterns and the address before a test."""
        return [*super().cautions(), *pattern_cautions(self._numbers.values())]

    def _listen(self, seconds: float) -> Iterator[tuple[str, float | BadReply]]:
        for datagram in self._socket.datagrams(seconds):
            fits = False
            for name, value in self._values(datagram):
                fits = True
                yield name, value
            if not fits:
                self.complain(f'sent "{shown(datagram[:200])}", which is about no channel; check pattern and json')

    def _values(self, datagram: bytes) -> Iterator[tuple[str, float | BadReply]]:
        lines = [line for line in re.split(rb"[\r\n]+", datagram) if line.strip()][:_MOST_LINES]
        # A meter that sends both: an object or a list is JSON, everything else is lines.
        is_json = datagram.lstrip()[:1] in (b"{", b"[") if self._sends_both else None
        for name, number in self._numbers.items():
            if is_json is not None and is_json is not number.is_in_json:
                continue
            for message in [datagram] if number.is_in_json else lines:
                value = number.find(message)
                if value is not None:
                    yield name, value


class UdpFramesDriver(DatagramDriver[UdpFramesSettings, SerialFramesChannel]):
    """Frames in datagrams. The constructor raises `BadInput` where a channel is queried or looks outside of a frame."""

    settings_model: ClassVar[type[InstrumentSettings]] = UdpFramesSettings
    channel_model: ClassVar[type[ChannelSettings]] = SerialFramesChannel

    def __init__(self, name: str, settings: UdpFramesSettings, channels: Sequence[FramesChannel]) -> None:
        super().__init__(name, settings, channels)
        check_unasked(channels, settings)

    def cautions(self) -> list[str]:
        """Return what to know of the address and of the meter's range before a test."""
        return [*super().cautions(), *decade_cautions(self.channels.values())]

    def _listen(self, seconds: float) -> Iterator[tuple[str, float | BadReply]]:
        for datagram in self._socket.datagrams(seconds):
            # Each datagram begins with a frame, and nothing of it continues in the next.
            frames = FrameSplitter(self.settings.layout)
            frames.restart(in_step=True)
            whole = frames.feed(datagram, self.clock())
            for frame in whole:
                yield from self._values(joined_halves(frame) if self.settings.halves else frame)
            if not whole:
                self.complain(f"sent {len(datagram)} bytes that are no whole frame; check sync, length and checksum")

    def _values(self, frame: bytes) -> Iterator[tuple[str, float | BadReply]]:
        for name, channel in self.channels.items():
            value = frame_value(channel.settings, frame)
            if value is not None:
                yield name, value
