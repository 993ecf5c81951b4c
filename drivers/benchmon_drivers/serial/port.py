"""Serial ports: the bench-file keys of a serial line, and opening, reading and closing a port or URL of pyserial."""

from __future__ import annotations

import errno
import fcntl
import os
import struct
import termios
import time
from collections.abc import Mapping
from contextlib import suppress
from typing import Annotated, Any, Final, Literal

import serial
from pydantic import AfterValidator, BaseModel, BeforeValidator, Field, PlainSerializer, model_validator

from benchmon.bench.fields import KeyedError
from benchmon.errors import BadInput, InstrumentError, InstrumentTimeout
from benchmon.text import one_line

Level = Literal["asserted", "released"]
HANDSHAKES_BY_LINE: Final = {"rts": "rts/cts", "dtr": "dtr/dsr"}
"""The handshake that needs each line of a port."""

Order = Literal["big", "little"]
"""Whether the byte or word with the highest bits comes first ("big"), or that with the lowest ("little")."""


def _one_of_three(value: float) -> float:
    if value not in (1, 1.5, 2):
        raise BadInput("must be 1, 1.5 or 2")
    return value


class SerialKeys(BaseModel):
    """Speed in bits per second, frame, handshake and lines of a serial port; 9600 8N1 without handshake by default."""

    baud: Annotated[int, Field(ge=50, le=4_000_000)] = Field(9600, description="Bits per second of the serial line.")
    data_bits: Annotated[int, Field(ge=5, le=8)] = Field(8, description="Data bits of a character.")
    parity: Literal["none", "even", "odd", "mark", "space"] = Field("none", description="Parity bit.")
    stop_bits: Annotated[float, AfterValidator(_one_of_three)] = Field(1, description="Stop bits: 1, 1.5 or 2.")
    handshake: Literal["none", "xon/xoff", "rts/cts", "dtr/dsr"] = Field("none", description="Handshake of the line.")
    rts: Level | None = Field(
        None,
        description='Level of RTS while the port is open, "asserted" or "released"; some cables are fed by it. '
        "Left out, it is asserted where the port has it.",
    )
    dtr: Level | None = Field(None, description="Level of DTR while the port is open, as for RTS.")

    @model_validator(mode="after")
    def _lines_are_free(self) -> SerialKeys:
        for line, handshake in HANDSHAKES_BY_LINE.items():
            if getattr(self, line) is not None and self.handshake == handshake:
                raise KeyedError(line, getattr(self, line), f"is taken by the handshake {handshake}")
        return self

    @property
    def levels(self) -> dict[str, bool]:
        """Whether "rts" and "dtr" are asserted, of those that the bench file gives."""
        given = {"rts": self.rts, "dtr": self.dtr}
        return {line: level == "asserted" for line, level in given.items() if level is not None}


def _from_hex(value: Any) -> Any:
    if not isinstance(value, str):
        raise BadInput('must be bytes in hexadecimal, such as "AA 55"')
    try:
        data = bytes.fromhex(value)
    except ValueError as problem:
        raise BadInput('is no text of bytes in hexadecimal, such as "AA 55"') from problem
    return data


HexBytes = Annotated[
    bytes,
    BeforeValidator(_from_hex),
    Field(max_length=64),
    PlainSerializer(lambda data: data.hex(" ").upper(), return_type=str, when_used="json"),
]
"""Bytes that a bench file has in hexadecimal."""

SERIAL_KEYS = frozenset(SerialKeys.model_fields)


def one_command(value: Any) -> Any:
    """Return a command. Raises `BadInput` for text that is not one printable ASCII line."""
    if isinstance(value, str) and (not value.isascii() or one_line(value, 500) != value):
        raise BadInput("must be one line of printable ASCII characters")
    return value


def any_command(value: Any) -> Any:
    """Return a command, which may hold control codes such as ENQ. Raises `BadInput` for a line end or other text."""
    if isinstance(value, str) and (not value.isascii() or len(value) > 500 or "\n" in value or "\r" in value):
        raise BadInput("must be ASCII characters without a line end, which write_termination gives")
    return value


def termination_or_none(value: str) -> str:
    """Return a line termination like `termination`, or "" for none."""
    return termination(value) if value else value


def termination(value: str) -> str:
    r"""Return a line termination. Raises `BadInput` unless it is `;`, or one or two control codes, such as "\n"."""
    if value == ";":
        return value
    if len(value) not in (1, 2) or not value.isascii() or value.isprintable() or len(set(value)) != len(value):
        raise BadInput(r'must be one or two control codes that end a line, such as "\n" or "\r\n", or ;')
    return value


_PARITIES: Final = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
    "mark": serial.PARITY_MARK,
    "space": serial.PARITY_SPACE,
}
_CHUNK = 4096
_TICK = 0.02


def _read_port(value: str) -> str:
    if not value or one_line(value) != value:
        raise BadInput('must be a serial port, such as "/dev/ttyUSB0"')
    return value


PortAddress = Annotated[str, AfterValidator(_read_port)]
"""A serial port (`/dev/ttyUSB0`), or a URL of pyserial's such as `socket://host:port`."""


def open_port(
    address: str, keys: SerialKeys, timeout: float, write_timeout: float, lines: Mapping[str, bool] | None = None
) -> Any:
    """Return the port at `address`, opened exclusively; a read waits at most `timeout` seconds.

    `lines` is whether "rts" and "dtr" are asserted from the beginning; of those not given, the keys say it. Raises
    `OSError` or an error of pyserial (see `explain_port`).
    """
    port = serial.serial_for_url(
        address,
        do_not_open=True,
        baudrate=keys.baud,
        bytesize=keys.data_bits,
        parity=_PARITIES[keys.parity],
        stopbits=keys.stop_bits,
        xonxoff=keys.handshake == "xon/xoff",
        rtscts=keys.handshake == "rts/cts",
        dsrdtr=keys.handshake == "dtr/dsr",
        timeout=timeout,
        # pyserial has none for a port over a network.
        write_timeout=None if address.startswith("rfc2217://") else write_timeout,
        exclusive=True,
    )
    for line, asserted in (keys.levels | dict(lines or {})).items():
        setattr(port, line, asserted)
    port.open()
    try:
        keep_others_out(port)
    except OSError:
        port.close()
        raise
    return port


def keep_others_out(port: Any) -> None:
    """Lock an open port for this process: two programs on one line read parts of each other's replies.

    The lock keeps out those who ask for it as well; TIOCEXCL all others, except root (Linux, ioctl_tty(2)), who finds
    out by TIOCGEXCL. A pseudo-terminal gets the lock alone: while the program at its other end holds it open too,
    TIOCEXCL outlives who set it, and nobody could open the line again. A port over a network has neither. Raises
    `OSError` where another program has the port.
    """
    if not isinstance(port, serial.Serial):
        return
    if not port.exclusive:
        port.exclusive = True
    if _is_exclusive(port.fileno()):
        raise OSError(errno.EBUSY, os.strerror(errno.EBUSY))
    if os.major(os.fstat(port.fileno()).st_rdev) not in _PSEUDO_TERMINALS:
        fcntl.ioctl(port.fileno(), termios.TIOCEXCL)


_TIOCGEXCL = 0x80045440
"""Whether a terminal is exclusive (Linux, asm-generic/ioctls.h); Python's termios has no name for it."""
_PSEUDO_TERMINALS = range(136, 144)
"""The major numbers of pseudo-terminals, the ends that programs open (Linux, admin-guide/devices.txt)."""


def _is_exclusive(descriptor: int) -> bool:
    """Return whether a program has made the port exclusive; False where the system cannot say it."""
    found = struct.pack("i", 0)
    with suppress(OSError):
        found = fcntl.ioctl(descriptor, _TIOCGEXCL, found)
    return found != struct.pack("i", 0)


def close_port(port: Any) -> None:
    """Close a port; do nothing for None."""
    if port is None:
        return
    # pyserial does not close a socket whose other end is gone.
    socket = getattr(port, "_socket", None)
    try:
        port.close()
    finally:
        if socket is not None:
            socket.close()


def arrived(port: Any) -> bytes:
    """Return the bytes that are waiting, or that arrive within the port's timeout."""
    data = bytearray(port.read(max(1, min(port.in_waiting, _CHUNK))))
    # For a socket, pyserial knows only whether bytes are waiting, not how many.
    while data and len(data) < _CHUNK and (waiting := port.in_waiting):
        data += port.read(min(waiting, _CHUNK))
    return bytes(data)


def read_until_quiet(port: Any, quiet: float, longest: float | None = None) -> None:
    """Discard bytes until none has arrived for `quiet` seconds, for at most `longest` (by default three times that)."""
    start = received = time.monotonic()
    give_up = start + (3 * quiet if longest is None else longest)
    while (now := time.monotonic()) - received < quiet and now < give_up:
        if port.in_waiting and arrived(port):
            received = now
        else:
            time.sleep(min(_TICK, quiet / 4))


def discards_on_close(address: str) -> bool:
    """Return whether closing the line discards every reply that is still on its way."""
    return address.startswith("socket://")


def explain_port(problem: Exception, address: str) -> InstrumentError | None:
    """Return the instrument error for an error of pyserial, None for any other exception."""
    if isinstance(problem, serial.SerialTimeoutException):
        return InstrumentTimeout(f"{address}: takes no more bytes; check the handshake")
    if type(problem) is ValueError:
        return InstrumentError(one_line(f"{address}: cannot be opened so: {problem}; check address and baud"))
    return None
