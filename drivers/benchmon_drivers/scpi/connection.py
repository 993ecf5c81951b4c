"""A connection for messages over PyVISA: opening, writing, reading with deadlines, discarding unread replies.

`ScpiConnection` handles how each kind of VISA resource ends a message and is resynchronised. The functions before it
adapt PyVISA: one resource manager for each backend, serial settings in VISA's terms, its LAN sockets. This
is the module that touches parts of PyVISA that are not public. `find_visa` lists the VISA resources of this computer.
"""

from __future__ import annotations

import errno
import socket
import threading
import time
import warnings
from collections.abc import Callable
from contextlib import ExitStack
from importlib.util import find_spec
from typing import Any, Final

from pyvisa import ResourceManager, VisaIOError, rname
from pyvisa.constants import BufferOperation, ControlFlow, InterfaceType, Parity, StatusCode, StopBits
from pyvisa.errors import Error as VisaError
from pyvisa.resources import MessageBasedResource, SerialInstrument

from benchmon.errors import BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.types import Port
from benchmon.text import one_line
from benchmon_drivers.number_parsing import shown
from benchmon_drivers.scpi.ieee488_block import LONGEST, BlockReply
from benchmon_drivers.scpi.lan_socket import LanSocket
from benchmon_drivers.scpi.settings import ScpiSettings
from benchmon_drivers.scpi.usbtmc import UsbTmcDevice, is_usbtmc
from benchmon_drivers.serial.port import SerialKeys, keep_others_out

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

_HISLIP, _PORT_MAPPER = 4880, 111
"""The ports of HiSLIP (IVI-6.1, from memory) and of the port mapper that VXI-11 asks (RFC 1833)."""

_managers: dict[str, ResourceManager] = {}
_managers_lock = threading.Lock()


def manager(backend: str) -> ResourceManager:
    """Return the resource manager of `backend`, which all threads share."""
    with _managers_lock:
        if backend not in _managers:
            with warnings.catch_warnings():
                # gpib-ctypes warns when it is loaded that the system has no driver, which `why_unusable` says.
                warnings.simplefilter("ignore", UserWarning)
                _managers[backend] = ResourceManager(backend)
        return _managers[backend]


def resolve(address: str) -> None:
    """Raise `socket.gaierror` if the host of a LAN socket has no address; pyvisa-py would leave a socket open."""
    parsed = rname.parse_resource_name(address)
    if isinstance(parsed, rname.TCPIPSocket):
        try:
            socket.getaddrinfo(parsed.host_address, parsed.port, socket.AF_INET, socket.SOCK_STREAM)
        except UnicodeError as problem:
            raise socket.gaierror(socket.EAI_NONAME, "no host name") from problem


def why_unusable(address: str, problem: Exception) -> str:
    """Return what a USB or GPIB instrument needs of this computer, in one line; "" where it is something else."""
    text = str(problem)
    is_denied = isinstance(problem, OSError) and problem.errno == errno.EACCES
    has_gpib = bool(find_spec("gpib_ctypes") or find_spec("gpib"))
    needs = {
        "USB": (
            (find_spec("usb") is None, "needs the libraries for USB: pip install '.[usb]' in the clone of benchmon"),
            ("properly installed" in text, "this computer has no libusb; pip install libusb-package brings it"),
            (
                is_denied,
                "no permission for the USB device; add a udev rule (see benchmon manual scpi)",
            ),
            ("No device found" in text, "there is no such USB device; is it plugged in and switched on?"),
        ),
        "GPI": (
            (
                not has_gpib,
                "needs Linux-GPIB, the driver of the adapter, and pip install '.[gpib]' in the clone of benchmon",
            ),
            ("locate the gpib library" in text, "this computer has no driver for a GPIB adapter; install Linux-GPIB"),
        ),
    }
    return next((need for applies, need in needs.get(address[:3].upper(), ()) if applies), "")


def why_unreachable(address: str) -> str:
    """Return why a LAN instrument cannot be opened, tried once more by a plain connection; "" where it is another."""
    if is_usbtmc(address):
        return ""
    parsed = rname.parse_resource_name(address)
    if isinstance(parsed, rname.TCPIPSocket):
        port = int(parsed.port)
    elif isinstance(parsed, rname.TCPIPInstr):
        device, _, given = parsed.lan_device_name.partition(",")
        port = (int(given) if given.isdecimal() else _HISLIP) if device.lower().startswith("hislip") else _PORT_MAPPER
    else:
        return ""
    try:
        socket.create_connection((parsed.host_address, port), 1.0).close()
    except TimeoutError:
        return f"does not answer at port {port}; check cable and address"
    except OSError as problem:
        return f"cannot be connected at port {port}: {problem.strerror or problem}"
    return f"answers at port {port}, but not as this kind of resource; check the address"


def take_lan_socket(resource: MessageBasedResource | UsbTmcDevice) -> LanSocket | None:
    """Return the LAN socket of `resource`, which pyvisa-py has opened; None where it has none."""
    if resource.resource_class != "SOCKET":
        return None
    session = getattr(resource.visalib, "sessions", {}).get(resource.session)
    interface = getattr(session, "interface", None)
    if session is None or not isinstance(interface, socket.socket):
        return None
    return LanSocket(interface, (resource.read_termination or "")[-1:].encode())


def lock_serial_port(resource: SerialInstrument) -> None:
    """Keep other programs from the serial port of `resource`. Raises `OSError` where one has it already."""
    session = getattr(resource.visalib, "sessions", {}).get(resource.session)
    keep_others_out(getattr(session, "interface", None))


def set_line(resource: SerialInstrument, keys: SerialKeys) -> None:
    """Set speed, frame and handshake of a serial resource.

    Raises `InstrumentError` where the bench file gives the level of a line that this kind of VISA cannot set.
    """
    resource.baud_rate = keys.baud
    resource.data_bits = keys.data_bits
    resource.parity = _PARITIES[keys.parity]
    resource.stop_bits = _STOP_BITS[keys.stop_bits]
    resource.flow_control = _HANDSHAKES[keys.handshake]
    # PyVISA-py cannot set these lines by VISA's attributes.
    session = getattr(resource.visalib, "sessions", {}).get(resource.session)
    for line, asserted in keys.levels.items():
        if session is None:
            raise InstrumentError(f'{resource.resource_name}: {line} can be set only with backend = "@py"')
        setattr(session.interface, line, asserted)


def discard_operation(resource: MessageBasedResource | UsbTmcDevice) -> BufferOperation | None:
    """Return the buffer operation that discards unread bytes, None where the backend or the line has none."""
    if isinstance(resource, SerialInstrument):
        way = BufferOperation.discard_read_buffer
    elif isinstance(resource, MessageBasedResource) and resource.resource_class == "SOCKET":
        way = BufferOperation.discard_read_buffer_no_io
    else:
        return None
    try:
        resource.flush(way)
    except (NotImplementedError, VisaIOError):
        return None
    return way


_LONGEST_REPLY = 1000
_QUIET = 0.05
"""Seconds without a byte after which no more is expected without a query."""
_QUIET_AFTER_BLOCK = 0.3
"""The same where the rest of a block may still be on its way and closing does not discard it."""
_PIECE, _PIECE_OF_A_SLOW_LINE = 65_536, 32
"""Bytes of a block that are read at once; a whole piece must arrive within the timeout."""
_END_OF_BLOCK = 0.2
"""Seconds allowed for the end of a message whose block is complete."""


class ScpiConnection:
    """The connection to the address of `settings`, closed until `connect`.

    Its methods raise PyVISA's errors and `OSError`. `discards_on_close` is whether closing it discards every reply that
    is still on its way.
    """

    def __init__(self, settings: ScpiSettings) -> None:
        self._settings = settings
        self._resource: MessageBasedResource | UsbTmcDevice | None = None
        self._visalib: Any = None
        self._session: Any = None
        self._discard: BufferOperation | None = None
        """How unread bytes are discarded before a query; None where a device clear does it."""
        self._lan_socket: LanSocket | None = None
        self._opened = ExitStack()
        self._piece = _PIECE
        self._reply_timeout = 0.0
        """The present timeout in seconds."""
        self.discards_on_close = False
        self.in_block = False
        """Whether a block was not read to its end."""

    @property
    def is_open(self) -> bool:
        """Whether it is connected."""
        return self._resource is not None

    def connect(self, timeout: float) -> None:
        """Open it within `timeout` seconds. Raises `InstrumentError` if the resource takes no messages."""
        settings = self._settings
        if is_usbtmc(settings.address):
            self._take(UsbTmcDevice(settings.address))
            return
        if settings.backend == "@py":
            resolve(settings.address)
        resource = manager(settings.backend).open_resource(settings.address, open_timeout=round(1000 * timeout))
        if isinstance(resource, SerialInstrument):
            try:
                lock_serial_port(resource)
            except OSError:
                resource.close()
                raise
        if not isinstance(resource, MessageBasedResource):
            resource.close()
            raise InstrumentError(f"{settings.address}: is no instrument that takes messages; check the address")
        self._take(resource)

    def _take(self, resource: MessageBasedResource | UsbTmcDevice) -> None:
        settings = self._settings
        self._resource, self._visalib, self._session = resource, resource.visalib, resource.session
        # A reply longer than allowed is checked here; the library need not warn about it.
        self._opened.enter_context(resource.ignore_warning(StatusCode.success_max_count_read))
        resource.read_termination = settings.read_termination
        self._lan_socket = take_lan_socket(resource)
        self.discards_on_close = resource.interface_type == InterfaceType.tcpip
        self._discard = discard_operation(resource)
        if self._lan_socket is not None:
            self._visalib = self._lan_socket
        if isinstance(resource, SerialInstrument):
            set_line(resource, settings)
            self._piece = _PIECE_OF_A_SLOW_LINE

    def close(self) -> None:
        """Close it if it is open."""
        resource, self._resource, self._visalib, self._session = self._resource, None, None, None
        self._lan_socket = None
        try:
            self._opened.close()
        finally:
            if resource is not None:
                resource.close()

    def set_timeout(self, seconds: float) -> None:
        """Set the timeout for replies."""
        self._reply_timeout = seconds
        if self._lan_socket is not None:
            self._lan_socket.set_timeout(max(0.001, seconds))
        elif self._resource is not None:
            self._resource.timeout = max(1, round(1000 * seconds))

    def discard(self) -> None:
        """Discard bytes that have arrived, without waiting."""
        if self._discard is not None:
            self._visalib.flush(self._session, self._discard)

    def empty(self, late_answer_within: float | None = None) -> None:
        """Discard unrequested bytes: a greeting, or the late reply to an earlier query.

        That reply may take `late_answer_within` seconds; None where the connection is resynchronised by other means
        too.
        """
        if self._discard is None:
            try:
                self._visalib.clear(self._session)
            except (NotImplementedError, VisaIOError):
                self._read_until_quiet(_QUIET)
            return
        quiet = _QUIET_AFTER_BLOCK if self.in_block and not self.discards_on_close else _QUIET
        self._read_until_quiet(quiet if late_answer_within is None else late_answer_within)
        self.in_block = False

    def write(self, message: bytes) -> None:
        """Send a whole message. Raises `VisaIOError`."""
        _, status = self._visalib.write(self._session, message)
        if status < 0:
            raise VisaIOError(status)
        if self._settings.echo and (echo := self._read_echo(message)).strip() != message.strip():
            raise BadReply(f'sent "{shown(echo)}" back, not the command; is it right that it has an echo?')

    def _read_echo(self, message: bytes) -> bytes:
        """Return what is sent back of `message`, as a line or, where answers are no lines, as many bytes."""
        end = self._settings.read_termination
        if end and not end.strip("\r\n"):
            return self.read()
        self._set_deadline(time.monotonic() + self._reply_timeout)
        echo = b""
        while len(echo) < len(message) and message.startswith(echo):
            echo += self._read_piece(len(message) - len(echo))[0]
        return echo

    def write_concurrently(self, message: bytes) -> bool:
        """Send a message from another thread, where sockets and serial lines allow it; return whether it was sent.

        A new message interrupts a query that is being answered (IEEE 488.2), so it need not wait for the reply.
        """
        resource, visalib, session = self._resource, self._visalib, self._session
        if resource is None or self._settings.backend != "@py" or self._discard is None:
            return False
        try:
            return int(visalib.write(session, message)[1]) >= 0
        except (VisaError, OSError, AttributeError):
            # The reading thread has just closed it.
            return False

    def read(self) -> bytes:
        """Return one message. Raises `BadReply` if it has no end."""
        self._set_deadline(time.monotonic() + self._reply_timeout)
        if self._ends_by_silence:
            return self._read_to_silence()
        reply, status = self._visalib.read(self._session, _LONGEST_REPLY)
        if status == StatusCode.success_max_count_read:
            raise BadReply(f"answered more than {_LONGEST_REPLY} characters without an end; check the termination")
        if status < 0:
            raise VisaIOError(status)
        return bytes(reply).removesuffix(self._settings.read_termination.encode())

    @property
    def _ends_by_silence(self) -> bool:
        """Whether nothing but silence ends a message: no termination, on a line that has no other end of a message."""
        return not self._settings.read_termination and self._discard is not None

    def _read_to_silence(self) -> bytes:
        """Return what arrives until nothing has for `end_after` seconds. Raises `BadReply` if that never happens."""
        reply, _ = self._read_piece(1)
        patience, give_up = self._reply_timeout, time.monotonic() + self._reply_timeout
        self.set_timeout(self._settings.end_after)
        self._set_deadline(give_up + self._settings.end_after)
        try:
            while len(reply) <= _LONGEST_REPLY and time.monotonic() < give_up:
                reply += self._read_piece(1)[0]
        except VisaIOError as problem:
            if problem.error_code != StatusCode.error_timeout:
                raise
            return reply
        finally:
            self.set_timeout(patience)
        raise BadReply("answers without a pause; check the termination, or lower end_after")

    def read_block(self, text: bool, within: float, give_up: Callable[[], bool]) -> bytes:
        """Return the data of a block (IEEE 488.2, 8.7.9 and 8.7.10), or of samples in `text`.

        Raises `InstrumentTimeout` if it takes more than `within` seconds or `give_up` returns True, and `BadReply` if
        it is not complete.
        """
        block = BlockReply(text=text)
        deadline = time.monotonic() + within
        self._set_deadline(deadline)
        self.in_block, ended = True, False
        while block.missing and not ended:
            if give_up() or time.monotonic() > deadline:
                raise InstrumentTimeout(
                    f"{self._settings.address}: its wave takes longer than allowed; raise its timeout"
                )
            piece, status = self._read_piece(self._size_of_next(block))
            block.take(piece)
            ended = self._ends(block, piece, status)
        if block.ends_itself and not ended:
            self._read_the_end(block)
        self.in_block = False
        return block.data()

    def _read_until_quiet(self, quiet: float) -> None:
        self.set_timeout(quiet)
        give_up = time.monotonic() + 10 * quiet
        self._set_deadline(give_up)
        while time.monotonic() < give_up:
            try:
                self._visalib.read(self._session, _LONGEST_REPLY)
            except VisaIOError as problem:
                if problem.error_code == StatusCode.error_timeout:
                    return
                raise

    def _set_deadline(self, deadline: float) -> None:
        if self._lan_socket is not None:
            self._lan_socket.accept_until(deadline)

    def _read_piece(self, most: int) -> tuple[bytes, StatusCode]:
        piece, status = self._visalib.read(self._session, most)
        if status < 0:
            raise VisaIOError(status)
        return bytes(piece), status

    def _size_of_next(self, block: BlockReply) -> int:
        if self._discard is None:
            return LONGEST
        # Of a piece that does not arrive whole, pyvisa-py returns nothing.
        unknown_end = self._ends_by_silence and block.begun and not block.ends_itself
        return 1 if unknown_end else min(block.missing, self._piece)

    def _ends(self, block: BlockReply, piece: bytes, status: StatusCode) -> bool:
        """Return whether a message ends with `piece`: by the status of the read, or in text by its termination.

        Where the status does not show it, the termination may also be a sample of a block without a length: the message
        ends there if nothing follows.
        """
        if self._discard is None and status == StatusCode.success:
            return True
        if block.ends_itself or not block.begun:
            return False
        if self._ends_by_silence:
            return not self._read_the_end(block)
        last = self._settings.read_termination[-1:].encode()
        while piece.endswith(last) and not block.is_text:
            piece = self._read_the_end(block)
            if not piece:
                return True
        return piece.endswith(last)

    def _read_the_end(self, block: BlockReply) -> bytes:
        """Read what follows a block, usually its termination; return it, b"" if nothing arrives."""
        patience = self._reply_timeout
        self.set_timeout(_END_OF_BLOCK)
        try:
            piece, _ = self._read_piece(_LONGEST_REPLY if block.ends_itself else 1)
            block.take(piece)
        except VisaIOError as problem:
            if problem.error_code != StatusCode.error_timeout:
                raise
            return b""
        finally:
            self.set_timeout(patience)
        return piece


def find_visa(report: Callable[[Port], None], timeout: float, ask_serial: bool, backend: str = "@py") -> None:
    """Report the resources of `backend`, first without and then with their reply to `*IDN?`.

    All are queried at the same time, each for at most `timeout` seconds. Serial lines are left out unless `ask_serial`.
    """
    with warnings.catch_warnings():
        # pyvisa-py warns that optional libraries would improve its search of the network.
        warnings.filterwarnings("ignore", category=UserWarning, module=r"pyvisa_py\..*")
        try:
            names = manager(backend).list_resources("?*")
        except VisaIOError:
            names = ()
    found = [Port("scpi", name) for name in names if ask_serial or not name.upper().startswith("ASRL")]
    threads = []
    for port in found:
        report(port)
        thread = threading.Thread(target=_query, args=(report, port, timeout, backend), name=port.address, daemon=True)
        thread.start()
        threads.append(thread)
    deadline = time.monotonic() + timeout
    for thread in threads:
        thread.join(max(0.0, deadline - time.monotonic()))


def _query(report: Callable[[Port], None], port: Port, timeout: float, backend: str) -> None:
    milliseconds = max(1, round(500 * timeout))
    try:
        resource = manager(backend).open_resource(port.address, open_timeout=milliseconds)
    except Exception as problem:  # noqa: BLE001  whatever the library raises is the reason for no reply
        report(Port(port.driver, port.address, problem=one_line(problem)))
        return
    try:
        if not isinstance(resource, MessageBasedResource):
            return
        resource.timeout = milliseconds
        resource.read_termination = resource.write_termination = "\n"
        report(Port(port.driver, port.address, identity=one_line(resource.query("*IDN?").strip(), 200)))
    except Exception as problem:  # noqa: BLE001  as above
        report(Port(port.driver, port.address, problem=one_line(problem)))
    finally:
        resource.close()
