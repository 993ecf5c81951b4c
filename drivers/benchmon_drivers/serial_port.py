"""Opening and closing a serial port, or a URL of pyserial's, by the keys of a bench file."""

from __future__ import annotations

import time
from typing import Annotated, Any, Final

import serial
from pydantic import AfterValidator

from benchmon.errors import BadInput, InstrumentError, InstrumentTimeout, one_line
from benchmon_drivers.serial_keys import SerialKeys

_PARITIES: Final = {
    "none": serial.PARITY_NONE,
    "even": serial.PARITY_EVEN,
    "odd": serial.PARITY_ODD,
    "mark": serial.PARITY_MARK,
    "space": serial.PARITY_SPACE,
}
_CHUNK = 4096


def _read_port(value: str) -> str:
    if not value or one_line(value) != value:
        raise BadInput('must be a serial port, such as "/dev/ttyUSB0"')
    return value


PortAddress = Annotated[str, AfterValidator(_read_port)]
"""A serial port (`/dev/ttyUSB0`), or a URL of pyserial's such as `socket://host:port`."""


def open_port(address: str, keys: SerialKeys, timeout: float, write_timeout: float) -> Any:
    """Return the port at `address`, opened for this program alone; a read waits at most `timeout` seconds."""
    return serial.serial_for_url(
        address,
        baudrate=keys.baud,
        bytesize=keys.data_bits,
        parity=_PARITIES[keys.parity],
        stopbits=keys.stop_bits,
        xonxoff=keys.handshake == "xon/xoff",
        rtscts=keys.handshake == "rts/cts",
        dsrdtr=keys.handshake == "dtr/dsr",
        timeout=timeout,
        write_timeout=write_timeout,
        exclusive=True,
    )


def close_port(port: Any) -> None:
    """Close a port; None is let pass."""
    if port is None:
        return
    # A pyserial socket whose other end is gone forgets to close itself.
    socket = getattr(port, "_socket", None)
    try:
        port.close()
    finally:
        if socket is not None:
            socket.close()


def arrived(port: Any) -> bytes:
    """Return what is waiting, or what comes within the port's timeout."""
    data = bytearray(port.read(max(1, min(port.in_waiting, _CHUNK))))
    # Of a socket pyserial knows only whether a byte is waiting, not how many.
    while data and len(data) < _CHUNK and (waiting := port.in_waiting):
        data += port.read(min(waiting, _CHUNK))
    return bytes(data)


def read_until_quiet(port: Any, quiet: float) -> None:
    """Throw away what comes until nothing came for `quiet` seconds, for at most three times as long."""
    start = heard = time.monotonic()
    while (now := time.monotonic()) - heard < quiet and now - start < 3 * quiet:
        if arrived(port):
            heard = now


def severs(address: str) -> bool:
    """Return whether closing the line cuts off every answer that is still on its way."""
    return address.startswith("socket://")


def explain_port(problem: Exception, address: str) -> InstrumentError | None:
    """Return what an error of pyserial's own means, None where it is none."""
    if isinstance(problem, serial.SerialTimeoutException):
        return InstrumentTimeout(f"{address}: takes no more bytes; check the handshake")
    if type(problem) is ValueError:
        return InstrumentError(one_line(f"{address}: cannot be opened so: {problem}; check address and baud"))
    return None
