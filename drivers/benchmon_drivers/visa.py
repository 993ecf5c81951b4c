"""What PyVISA needs said once: one resource manager a backend, and the words of a serial line in VISA's."""

from __future__ import annotations

import errno
import math
import socket
import threading
import time
from typing import Final

from pyvisa import ResourceManager, VisaIOError, rname
from pyvisa.constants import BufferOperation, ControlFlow, Parity, StopBits
from pyvisa.resources import MessageBasedResource, SerialInstrument

from benchmon.errors import BadReply
from benchmon_drivers.serial_keys import SerialKeys

_PARITIES: Final = {
    "none": Parity.none,
    "even": Parity.even,
    "odd": Parity.odd,
    "mark": Parity.mark,
    "space": Parity.space,
}
_STOP_BITS: Final = {1: StopBits.one, 1.5: StopBits.one_and_a_half, 2: StopBits.two}
_HANDSHAKES: Final = {
    "none": ControlFlow.none,
    "xon/xoff": ControlFlow.xon_xoff,
    "rts/cts": ControlFlow.rts_cts,
    "dtr/dsr": ControlFlow.dtr_dsr,
}

_managers: dict[str, ResourceManager] = {}
_managers_lock = threading.Lock()


def manager(backend: str) -> ResourceManager:
    """Return the one resource manager of `backend`, shared by all threads."""
    with _managers_lock:
        if backend not in _managers:
            _managers[backend] = ResourceManager(backend)
        return _managers[backend]


def resolve(address: str) -> None:
    """Raise `socket.gaierror` where the host of a LAN socket has no address; pyvisa-py would leave a socket open."""
    parsed = rname.parse_resource_name(address)
    if isinstance(parsed, rname.TCPIPSocket):
        try:
            socket.getaddrinfo(parsed.host_address, parsed.port, socket.AF_INET, socket.SOCK_STREAM)
        except UnicodeError as problem:
            raise socket.gaierror(socket.EAI_NONAME, "no host name") from problem


class GuardedSocket(socket.socket):
    """A LAN socket under pyvisa-py, which waits busily for one that closed, and for ever while bytes drip."""

    deadline = math.inf
    """The monotonic time after which no further byte is taken."""

    def recv(self, size: int, flags: int = 0) -> bytes:
        """Return what has come. Raises `ConnectionResetError` where nothing will, `BadReply` past the deadline."""
        data = super().recv(size, flags)
        if not data:
            raise ConnectionResetError(errno.ECONNRESET, "closed by the other end")
        if time.monotonic() > self.deadline:
            raise BadReply("answers without an end in time; check the termination, or raise the timeout")
        return data


def guard(resource: MessageBasedResource) -> GuardedSocket | None:
    """Put a guard in the place of the LAN socket of `resource`; None where pyvisa-py has none there."""
    session = getattr(resource.visalib, "sessions", {}).get(resource.session)
    interface = getattr(session, "interface", None)
    if session is None or not isinstance(interface, socket.socket):
        return None
    guarded = session.interface = GuardedSocket(fileno=interface.detach())
    return guarded


def set_line(resource: SerialInstrument, keys: SerialKeys) -> None:
    """Set speed, frame and handshake of a serial resource."""
    resource.baud_rate = keys.baud
    resource.data_bits = keys.data_bits
    resource.parity = _PARITIES[keys.parity]
    resource.stop_bits = _STOP_BITS[keys.stop_bits]
    resource.flow_control = _HANDSHAKES[keys.handshake]


def way_to_discard(resource: MessageBasedResource) -> BufferOperation | None:
    """Return the buffer operation that forgets unread bytes, None where the backend or the line has none."""
    if isinstance(resource, SerialInstrument):
        way = BufferOperation.discard_read_buffer
    elif resource.resource_class == "SOCKET":
        way = BufferOperation.discard_read_buffer_no_io
    else:
        return None
    try:
        resource.flush(way)
    except (NotImplementedError, VisaIOError):
        return None
    return way
