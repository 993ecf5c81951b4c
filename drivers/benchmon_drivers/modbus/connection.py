"""A Modbus connection through pymodbus: TCP, UDP, TLS, or RTU or ASCII over a serial port, one query at a time.

`tcp://host:port`, `udp://host:port` and `tls://host:port` speak as their names say; every other address is a serial
port or a URL of pyserial's. TLS is Modbus TCP inside an encrypted connection (MODBUS/TCP Security V21, port 802, from
memory), and certificates are verified.
"""

from __future__ import annotations

import logging
import socket
import ssl
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any, Literal
from urllib.parse import urlsplit

from pydantic import Field
from pymodbus import FramerType
from pymodbus.client import ModbusSerialClient, ModbusTcpClient, ModbusUdpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.pdu import ModbusPDU

from benchmon.errors import BadInput, BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.os_errors import explain
from benchmon.text import one_line
from benchmon_drivers.network.access import explain_tls, tls_context
from benchmon_drivers.serial.port import (
    SerialKeys,
    close_port,
    discards_on_close,
    explain_port,
    open_port,
    read_until_quiet,
)

# Without a handler, the library's log would end up on standard error.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())

_TICK = 0.05
_LONGEST_CONNECT, _SHORTEST_CONNECT = 2.0, 1.0
_BITS_A_CHARACTER = 11
_SHORTEST_GAP = 0.00175

EXCEPTIONS = {
    1: "illegal function",
    2: "illegal data address",
    3: "illegal data value",
    4: "server device failure",
    5: "acknowledge",
    6: "server device busy",
    8: "memory parity error",
    10: "gateway path unavailable",
    11: "gateway target device failed to respond",
}
"""The exception codes by name (MODBUS application protocol V1.1b3, chapter 7)."""
_REMEDIES = {
    1: "check the channel's function",
    2: "check register (counted from 0) and type",
    3: "check register (counted from 0) and type",
    10: "check unit, and the gateway's own settings",
}
_GATEWAY_TARGET_SILENT = 11
_UNUSED_TRANSACTION = 0xFFFF
"""A transaction number that pymodbus never reaches, so that its reply is skipped."""
_QUIET, _LONGEST_ANSWER = 0.005, 0.4
"""Seconds of silence after which a line is free, and the longest time of a reply."""


class Refused(BadReply):
    """An exception response: the instrument is there and understood the query, but refuses it."""

    def __init__(self, code: int) -> None:
        name = EXCEPTIONS.get(code, "an exception of its own")
        super().__init__(f"refuses with exception {code:02d}, {name}; {_REMEDIES.get(code, 'see its manual')}")
        self.code = code


_PORTS = {"tcp": 502, "udp": 502, "tls": 802}


@dataclass(frozen=True, slots=True)
class Endpoint:
    """Where a unit, or a gateway to several, is on the network; `scheme` is "tcp", "udp" or "tls"."""

    scheme: str
    host: str
    port: int


def endpoint(address: str) -> Endpoint | None:
    """Return the place on the network of an address, None for a serial one. Raises `BadInput` for an invalid one."""
    scheme = address.partition(":")[0].lower()
    if scheme not in _PORTS:
        return None
    try:
        parts = urlsplit(address)
        host, port = parts.hostname, _PORTS[scheme] if parts.port is None else parts.port
    except ValueError:
        host, port = None, 0
    if not host or not port or parts.path not in ("", "/") or not address.isprintable():
        raise BadInput(f'must be like "{scheme}://192.0.2.5:{_PORTS[scheme]}"')
    return Endpoint(scheme, host, port)


class LineKeys(SerialKeys):
    """How Modbus goes over the line: the framing of a serial one, the certificates of an encrypted one."""

    framing: Literal["rtu", "ascii"] = Field("rtu", description="Framing on a serial line.")
    ca: Annotated[str, Field(max_length=1000)] = Field(
        "",
        description="For tls://, file with the certificate of the authority that signed the unit's, where this "
        "computer does not know that authority.",
    )
    certificate: Annotated[str, Field(max_length=1000)] = Field(
        "", description="For tls://, file with this computer's own certificate and its key, where the unit wants one."
    )

    def tls(self) -> ssl.SSLContext:
        """Return a context that verifies the unit's certificate. Raises `InstrumentError` for an unusable file."""
        return tls_context(self.ca, self.certificate)


class _Interrupted(Exception):
    """The line is needed urgently. It is no `OSError`, for which pymodbus would close the line."""


class _InterruptiblePort:
    """A serial port that raises `_Interrupted` to a waiting query while `needed` returns True."""

    def __init__(self, port: Any, needed: Callable[[], bool]) -> None:
        self._port, self._needed = port, needed

    @property
    def in_waiting(self) -> int:
        if self._needed():
            raise _Interrupted
        return int(self._port.in_waiting)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._port, name)


class ModbusConnection:
    """One connection, closed at first. `timeout` is the seconds to wait for a reply."""

    def __init__(self, address: str, keys: LineKeys, timeout: float) -> None:
        self._address, self._keys, self._timeout = address, keys, timeout
        self._network = endpoint(address)
        self._client: ModbusTcpClient | ModbusUdpClient | ModbusSerialClient | None = None
        self._lock = threading.Lock()
        self._urgent_thread: int | None = None
        """The thread that needs a serial line urgently."""
        self._received_bytes = 0
        self._sent_at = 0.0
        self._late_reply_possible = False
        """Whether a reply to an earlier query may still arrive; an RTU frame does not identify its query."""
        self._out_of_step = False
        """Whether the last bytes were no valid reply, so that more may follow."""
        self._last_frame = 0.0
        is_rtu = self._network is None and keys.framing == "rtu"
        self._gap = max(_SHORTEST_GAP, 3.5 * _BITS_A_CHARACTER / keys.baud) if is_rtu else 0.0
        """Seconds of silence between two RTU frames (MODBUS over serial line V1.02, 2.5.1.1)."""

    def open(self, *, late: bool) -> None:
        """Open the connection. `late` is whether a reply to an earlier query may still arrive.

        Raises `OSError`, or an error of TLS or pyserial (see `explain`).
        """
        self._out_of_step = False
        if self._network:
            self._client = self._network_client(self._network)
            return
        self._client = self._serial_client()
        self._late_reply_possible = late and not discards_on_close(self._address)

    def close(self) -> None:
        """Close the connection; may be called at any time."""
        client, self._client = self._client, None
        if client is not None:
            port: Any = client.socket
            client.socket = None
            if self._network:
                _close_socket(port)
            else:
                close_port(port)

    @property
    def is_open(self) -> bool:
        """Whether it is open."""
        return self._client is not None

    def query(self, request: ModbusPDU) -> ModbusPDU:
        """Return the reply to `request`.

        Raises `Refused` for an exception response, `InstrumentTimeout` for no reply, `BadReply` for bytes that are no
        reply to this query, and the errors of pymodbus where the line breaks.
        """
        with self._lock:
            try:
                return self._query(request)
            except _Interrupted:
                self._out_of_step = True
                raise BadReply("was interrupted to switch off") from None

    def query_urgently(self, request: ModbusPDU) -> ModbusPDU:
        """Return the reply to `request` like `query`, from another thread, interrupting a pending query.

        A reply that is just arriving is read first, since no device receives a request while another one is sending.
        Raises `InstrumentTimeout` where the line does not become free in time, else what `query` raises.
        """
        self._urgent_thread = threading.get_ident()
        try:
            if not self._lock.acquire(timeout=_LONGEST_ANSWER):
                raise InstrumentTimeout(f"{self._address}: the line is not free")
            try:
                self._late_reply_possible, self._out_of_step = False, False
                if self._client is not None and self._network is None:
                    read_until_quiet(self._client.socket, max(_QUIET, self._gap), _LONGEST_ANSWER)
                return self._query(request)
            finally:
                self._out_of_step = True
                self._lock.release()
        finally:
            self._urgent_thread = None

    def send_unacknowledged(self, request: ModbusPDU) -> bool:
        """Send `request` on an open TCP or UDP connection, even while a query is pending; return whether it was sent.

        The reply has a transaction number that no query waits for, so it is skipped. An encrypted connection cannot be
        written by one thread while another one reads it.
        """
        client = self._client
        is_plain = self._network is not None and self._network.scheme != "tls"
        connection: Any = client.socket if is_plain and client is not None else None
        if client is None or connection is None:
            return False
        request.transaction_id = _UNUSED_TRANSACTION
        try:
            connection.send(client.framer.buildFrame(request))
        except OSError:
            return False
        return True

    def _query(self, request: ModbusPDU) -> ModbusPDU:
        if self._late_reply_possible or self._out_of_step:
            self._resynchronise()
        if self._client is None:
            raise InstrumentError(f"{self._address}: the line is not open")
        if self._gap:
            time.sleep(max(0.0, self._last_frame + self._gap - time.monotonic()))
        self._received_bytes, self._sent_at = 0, time.monotonic()
        try:
            response = self._client.execute(False, request)
        except ConnectionException:
            raise
        except ModbusException as problem:
            raise self._no_valid_reply() from problem
        finally:
            if self._gap:
                self._last_frame = time.monotonic()
        return self._checked(request, response)

    def explain(self, problem: Exception) -> InstrumentError | None:
        """Return the instrument error for an error of TLS, pymodbus or pyserial, None for any other exception."""
        if not isinstance(problem, ModbusException):
            of_tls = explain_tls(problem, self._address, "port and certificate")
            return of_tls or explain_port(problem, self._address)
        # pymodbus reports that the line broke, but not why.
        cause = problem.__context__
        known = explain(cause, self._address) if isinstance(cause, OSError) else None
        return known or InstrumentError(f"{self._address}: the instrument closed the connection; is it switched on?")

    def _resynchronise(self) -> None:
        """Discard bytes that may be on the line after a query without a valid reply."""
        owed, dirty = self._late_reply_possible, self._out_of_step
        self._late_reply_possible = self._out_of_step = False
        if dirty and self._network:
            self.close()
            self.open(late=False)
        elif owed or dirty:
            port: Any = self._client.socket if self._client is not None else None
            read_until_quiet(port, 2 * self._timeout if owed else _TICK)

    def _network_client(self, place: Endpoint) -> ModbusTcpClient | ModbusUdpClient:
        keys: dict[str, Any] = {"port": place.port, "timeout": self._timeout, "retries": 0, "trace_packet": self._trace}
        within = min(max(self._timeout, _SHORTEST_CONNECT), _LONGEST_CONNECT)
        try:
            # pymodbus's own connect logs the reason of a failure but does not raise it.
            if place.scheme == "udp":
                datagrams = ModbusUdpClient(place.host, **keys)
                datagrams.socket = self._datagram_socket(place)
                return datagrams
            client = ModbusTcpClient(place.host, **keys)
            connection = socket.create_connection((place.host, place.port), timeout=within)
        except UnicodeError as problem:
            raise socket.gaierror(socket.EAI_NONAME, "no host name") from problem
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        client.socket = self._encrypted(connection, place.host) if place.scheme == "tls" else connection
        return client

    def _datagram_socket(self, place: Endpoint) -> socket.socket:
        """Return a socket that takes datagrams of that unit alone."""
        [(family, kind, protocol, _, where), *_] = socket.getaddrinfo(
            place.host, place.port, socket.AF_INET, socket.SOCK_DGRAM
        )
        found = socket.socket(family, kind, protocol)
        found.settimeout(self._timeout)
        try:
            found.connect(where)
        except OSError:
            found.close()
            raise
        return found

    def _encrypted(self, connection: socket.socket, host: str) -> ssl.SSLSocket:
        try:
            return self._keys.tls().wrap_socket(connection, server_hostname=host)
        finally:
            # Where it was wrapped, the plain socket is detached, and closing it does nothing.
            connection.close()

    def _serial_client(self) -> ModbusSerialClient:
        keys = self._keys
        client = ModbusSerialClient(
            self._address,
            framer=FramerType(keys.framing),
            baudrate=keys.baud,
            bytesize=keys.data_bits,
            timeout=self._timeout,
            retries=0,
            trace_packet=self._trace,
        )
        port: Any = _InterruptiblePort(open_port(self._address, keys, _TICK, self._timeout), self._is_interrupted)
        client.socket = port
        return client

    def _is_interrupted(self) -> bool:
        return self._urgent_thread not in (None, threading.get_ident())

    def _trace(self, sending: bool, data: bytes) -> bytes:
        """Count received bytes, and end a reply that trickles in without end, which not every pymodbus does."""
        if not sending:
            self._received_bytes = max(self._received_bytes, len(data))
            if time.monotonic() > self._sent_at + 2 * self._timeout:
                raise self._no_valid_reply()
        return data

    def _no_valid_reply(self) -> InstrumentError:
        if not self._received_bytes:
            self._late_reply_possible = self._network is None
            return InstrumentTimeout(f"{self._address}: no answer within {self._timeout:.3g} s; is it switched on?")
        self._out_of_step = True
        where = "address" if self._network else "baud, parity and stop_bits"
        return BadReply(f"answered {self._received_bytes} bytes that are no reply to the query; check unit and {where}")

    def _checked(self, request: ModbusPDU, response: ModbusPDU) -> ModbusPDU:
        if response.function_code == request.function_code:
            return response
        if response.function_code != request.function_code | 0x80:
            raise BadReply(f"answered another query (function {response.function_code}, not {request.function_code})")
        code = response.exception_code
        if code == _GATEWAY_TARGET_SILENT:
            raise InstrumentTimeout(one_line(f"{self._address}: unit {request.dev_id}: {EXCEPTIONS[code]}"))
        raise Refused(code)


def _close_socket(connection: socket.socket | None) -> None:
    if connection is not None:
        connection.close()
