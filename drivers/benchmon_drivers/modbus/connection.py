"""A Modbus line through pymodbus: TCP, or RTU over a serial port, one question at a time.

`tcp://host:port` speaks Modbus TCP; every other address is a serial port or a URL of pyserial's and speaks RTU.
"""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections.abc import Callable
from typing import Any
from urllib.parse import urlsplit

from pymodbus.client import ModbusSerialClient, ModbusTcpClient
from pymodbus.exceptions import ConnectionException, ModbusException
from pymodbus.pdu import ModbusPDU

from benchmon.errors import BadInput, BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.os_errors import explain
from benchmon.text import one_line
from benchmon_drivers.serial.port import SerialKeys, close_port, explain_port, open_port, read_until_quiet, severs

# Where nobody wants the library's log, it must not end up on standard error.
logging.getLogger("pymodbus").addHandler(logging.NullHandler())

_TICK = 0.05
_SLOWEST_OPENING, _QUICKEST_OPENING = 2.0, 1.0
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
_NOBODY_BEHIND_THE_GATEWAY = 11
_NOBODY_WAITS_FOR = 0xFFFF
"""A transaction number that pymodbus does not reach."""
_QUIET, _LONGEST_ANSWER = 0.005, 0.4
"""Seconds of silence after which a line is free, and the longest that an answer takes."""


class Refused(BadReply):
    """An exception response: the instrument is there and understood the question, but will not answer it."""

    def __init__(self, code: int) -> None:
        name = EXCEPTIONS.get(code, "an exception of its own")
        super().__init__(f"refuses with exception {code:02d}, {name}; {_REMEDIES.get(code, 'see its manual')}")
        self.code = code


def tcp_place(address: str) -> tuple[str, int] | None:
    """Return host and port of a `tcp://` address, None where it is a serial one. Raises `BadInput`."""
    if not address.lower().startswith("tcp:"):
        return None
    try:
        parts = urlsplit(address)
        place = parts.hostname, 502 if parts.port is None else parts.port
    except ValueError:
        place = None, 0
    if not place[0] or not place[1] or parts.path not in ("", "/") or not address.isprintable():
        raise BadInput('must be like "tcp://192.0.2.5:502"')
    return place[0], place[1]


class _GivesWay(Exception):
    """Somebody needs the line at once. No `OSError`: pymodbus would close the line for one."""


class _YieldingPort:
    """A serial port that a question waits at, until `needed` says that somebody needs it at once."""

    def __init__(self, port: Any, needed: Callable[[], bool]) -> None:
        self._port, self._needed = port, needed

    @property
    def in_waiting(self) -> int:
        if self._needed():
            raise _GivesWay
        return int(self._port.in_waiting)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._port, name)


class ModbusLine:
    """One line, closed at first. `timeout` is the seconds to wait for an answer."""

    def __init__(self, address: str, keys: SerialKeys, timeout: float) -> None:
        self._address, self._keys, self._timeout = address, keys, timeout
        self._tcp = tcp_place(address)
        self._client: ModbusTcpClient | ModbusSerialClient | None = None
        self._talking = threading.Lock()
        self._needed_by: int | None = None
        """The thread that needs a serial line at once."""
        self._heard = 0
        self._asked = 0.0
        self._owed = False
        """Whether an answer to an earlier question may still come; an RTU frame does not tell which it answers."""
        self._dirty = False
        """Whether what came last was no answer, so that more of its kind may follow."""
        self._last_frame = 0.0
        self._gap = 0.0 if self._tcp else max(_SHORTEST_GAP, 3.5 * _BITS_A_CHARACTER / keys.baud)
        """Seconds of silence that part two RTU frames (MODBUS over serial line V1.02, 2.5.1.1)."""

    def open(self, *, late: bool) -> None:
        """Open the line anew. `late` says that an answer to an earlier question may still come."""
        self._dirty = False
        if self._tcp:
            self._client = self._tcp_client(*self._tcp)
            return
        self._client = self._serial_client()
        self._owed = late and not severs(self._address)

    def close(self) -> None:
        """Close the line; may be called at any time."""
        client, self._client = self._client, None
        if client is not None:
            port: Any = client.socket
            client.socket = None
            if self._tcp:
                _close_socket(port)
            else:
                close_port(port)

    @property
    def is_open(self) -> bool:
        """Whether it is open."""
        return self._client is not None

    def ask(self, request: ModbusPDU) -> ModbusPDU:
        """Return the answer to `request`.

        Raises `Refused` for an exception response, `InstrumentTimeout` where nothing came, `BadReply` where no answer
        to this question came, and whatever pymodbus raises where the line breaks.
        """
        with self._talking:
            try:
                return self._ask(request)
            except _GivesWay:
                self._dirty = True
                raise BadReply("gave way to switching off") from None

    def ask_at_once(self, request: ModbusPDU) -> ModbusPDU:
        """Return the answer to `request` as `ask` does, from another thread: a question on its way is broken off.

        An answer that is just coming in is let come, since nobody hears anything on a line while another talks.
        """
        self._needed_by = threading.get_ident()
        try:
            if not self._talking.acquire(timeout=_LONGEST_ANSWER):
                raise InstrumentTimeout(f"{self._address}: the line is not free")
            try:
                self._owed, self._dirty = False, False
                if self._client is not None and not self._tcp:
                    read_until_quiet(self._client.socket, max(_QUIET, self._gap), _LONGEST_ANSWER)
                return self._ask(request)
            finally:
                self._dirty = True
                self._talking.release()
        finally:
            self._needed_by = None

    def tell(self, request: ModbusPDU) -> bool:
        """Send `request` on an open TCP line, whatever else is on its way there; return whether it was sent.

        The answer bears a number that nobody waits for, so it is passed over.
        """
        client = self._client
        connection = client.socket if isinstance(client, ModbusTcpClient) else None
        if client is None or connection is None:
            return False
        request.transaction_id = _NOBODY_WAITS_FOR
        try:
            connection.send(client.framer.buildFrame(request))
        except OSError:
            return False
        return True

    def _ask(self, request: ModbusPDU) -> ModbusPDU:
        if self._owed or self._dirty:
            self._come_into_step()
        if self._client is None:
            raise InstrumentError(f"{self._address}: the line is not open")
        if self._gap:
            time.sleep(max(0.0, self._last_frame + self._gap - time.monotonic()))
        self._heard, self._asked = 0, time.monotonic()
        try:
            response = self._client.execute(False, request)
        except ConnectionException:
            raise
        except ModbusException as problem:
            raise self._nothing_fit() from problem
        finally:
            if self._gap:
                self._last_frame = time.monotonic()
        return self._fitting(request, response)

    def explain(self, problem: Exception) -> InstrumentError | None:
        """Return what an error of pymodbus or pyserial means, None where it is none of theirs."""
        if not isinstance(problem, ModbusException):
            return explain_port(problem, self._address)
        # pymodbus tells that the line broke, and hides why.
        cause = problem.__context__
        known = explain(cause, self._address) if isinstance(cause, OSError) else None
        return known or InstrumentError(f"{self._address}: the instrument closed the connection; is it switched on?")

    def _come_into_step(self) -> None:
        """Throw away what may stand on the line after a question that got no answer, or none that was one."""
        owed, dirty = self._owed, self._dirty
        self._owed = self._dirty = False
        if dirty and self._tcp:
            self.close()
            self.open(late=False)
        elif owed or dirty:
            port: Any = self._client.socket if self._client is not None else None
            read_until_quiet(port, 2 * self._timeout if owed else _TICK)

    def _tcp_client(self, host: str, port: int) -> ModbusTcpClient:
        client = ModbusTcpClient(host, port=port, timeout=self._timeout, retries=0, trace_packet=self._trace)
        within = min(max(self._timeout, _QUICKEST_OPENING), _SLOWEST_OPENING)
        try:
            # pymodbus's own way of connecting logs the reason of a failure and does not tell it.
            client.socket = socket.create_connection((host, port), timeout=within)
        except UnicodeError as problem:
            raise socket.gaierror(socket.EAI_NONAME, "no host name") from problem
        client.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return client

    def _serial_client(self) -> ModbusSerialClient:
        keys = self._keys
        client = ModbusSerialClient(
            self._address,
            baudrate=keys.baud,
            bytesize=keys.data_bits,
            timeout=self._timeout,
            retries=0,
            trace_packet=self._trace,
        )
        port: Any = _YieldingPort(open_port(self._address, keys, _TICK, self._timeout), self._is_needed)
        client.socket = port
        return client

    def _is_needed(self) -> bool:
        return self._needed_by not in (None, threading.get_ident())

    def _trace(self, sending: bool, data: bytes) -> bytes:
        """Count what arrives, and end an answer that drips in and never ends, which not every pymodbus does."""
        if not sending:
            self._heard = max(self._heard, len(data))
            if time.monotonic() > self._asked + 2 * self._timeout:
                raise self._nothing_fit()
        return data

    def _nothing_fit(self) -> InstrumentError:
        if not self._heard:
            self._owed = self._tcp is None
            return InstrumentTimeout(f"{self._address}: no answer within {self._timeout:.3g} s; is it switched on?")
        self._dirty = True
        where = "address" if self._tcp else "baud, parity and stop_bits"
        return BadReply(f"answered {self._heard} bytes that are no answer to the question; check unit and {where}")

    def _fitting(self, request: ModbusPDU, response: ModbusPDU) -> ModbusPDU:
        if response.function_code == request.function_code:
            return response
        if response.function_code != request.function_code | 0x80:
            raise BadReply(
                f"answered another question (function {response.function_code}, not {request.function_code})"
            )
        code = response.exception_code
        if code == _NOBODY_BEHIND_THE_GATEWAY:
            raise InstrumentTimeout(one_line(f"{self._address}: unit {request.dev_id}: {EXCEPTIONS[code]}"))
        raise Refused(code)


def _close_socket(connection: socket.socket | None) -> None:
    if connection is not None:
        connection.close()
