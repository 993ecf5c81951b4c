"""Opening and closing a serial port, or a URL of pyserial's, by the keys of a bench file."""

from __future__ import annotations

import time
from collections.abc import Mapping
from typing import Annotated, Any, Final

import serial
from pydantic import AfterValidator

from benchmon.errors import BadInput, InstrumentError, InstrumentTimeout
from benchmon.text import one_line
from benchmon_drivers.serial_keys import SerialKeys

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
    """Return the port at `address`, opened for this program alone; a read waits at most `timeout` seconds.

    `lines` says whether "rts" and "dtr" are to be asserted from the beginning; they are where it does not say.
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
        # pyserial has none for a port behind a network.
        write_timeout=None if address.startswith("rfc2217://") else write_timeout,
        exclusive=True,
    )
    for line, asserted in (lines or {}).items():
        setattr(port, line, asserted)
    port.open()
    return port


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


def read_until_quiet(port: Any, quiet: float, longest: float | None = None) -> None:
    """Throw away what comes until nothing came for `quiet` seconds, for at most `longest` (three times as long)."""
    start = heard = time.monotonic()
    give_up = start + (3 * quiet if longest is None else longest)
    while (now := time.monotonic()) - heard < quiet and now < give_up:
        if port.in_waiting and arrived(port):
            heard = now
        else:
            time.sleep(min(_TICK, quiet / 4))


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
