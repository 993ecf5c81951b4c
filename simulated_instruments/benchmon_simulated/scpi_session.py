"""One client's line to a SCPI instrument, without a transport: bytes in, bytes out.

Several clients of one instrument share its registers and its error queue, as they do on a real one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence

from benchmon_simulated.scpi import ScpiInstrument
from benchmon_simulated.scpi_status import OPERATION_COMPLETE, ScpiError
from benchmon_simulated.scpi_words import split_outside_quotes, split_unit

LONGEST_MESSAGE = 4096
"""Bytes of a program message; a longer one is an input buffer overrun."""

SCPI_VERSION = "1999.0"


def integer(parameter: str, low: int, high: int) -> int:
    """Return a decimal parameter rounded to an integer; −104 if it is no number, −222 outside `low` to `high`."""
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)(E[+-]?\d+)?", parameter, re.IGNORECASE):
        raise ScpiError(-104)
    number = float(parameter)
    if not low <= number <= high:
        raise ScpiError(-222)
    return round(number)


class ScpiSession:
    """The parser of one connection. It holds half a message until its end comes.

    A message ends with `message_end`, a line feed or a carriage return; a reply with `reply_end`.
    """

    def __init__(self, instrument: ScpiInstrument, reply_end: str = "\n", message_end: str = "\n") -> None:
        self._instrument = instrument
        self._reply_end = reply_end.encode("latin-1", "replace")
        self._ends = re.compile(b"[\r\n%b]" % re.escape(message_end.encode("latin-1", "replace")))
        self._status = instrument.status
        self._buffer = b""
        self._overrun = False
        self._replies: list[str] = []

    def feed(self, data: bytes) -> bytes:
        """Take what came, execute every complete message in it, return the replies. Never raises."""
        *messages, self._buffer = self._ends.split(self._buffer + data)
        replies = b"".join(self._message(message) for message in messages)
        if len(self._buffer) > LONGEST_MESSAGE:
            self._buffer, self._overrun = b"", True
        return replies

    def _message(self, message: bytes) -> bytes:
        if self._overrun or len(message) > LONGEST_MESSAGE:
            self._overrun = False
            self._status.complain(-363)
            return b""
        if re.search(rb"[^\t -~]", message):
            self._status.complain(-101)
            return b""
        self._replies = []
        text = message.decode("ascii").replace("\t", " ")
        if self._instrument.is_setting(text):
            self._replies = ["0"] if "?" in text else []
        else:
            self._execute_units(text)
        return ";".join(self._replies).encode("latin-1") + self._reply_end if self._replies else b""

    def _execute_units(self, message: str) -> None:
        """Execute the units of a message; a command error ends it, since what follows may have lost its sense."""
        path = ""
        for unit in split_outside_quotes(message, ";"):
            if not unit.strip():
                continue
            head, parameters = split_unit(unit)
            if not head.startswith((":", "*")):
                head = path + head
            try:
                reply = self._execute(head, parameters)
            except ScpiError as problem:
                self._status.complain(problem.number)
                if problem.number > -200:
                    return
                reply = None
            if reply is not None:
                self._replies.append(reply)
            if not head.startswith("*"):
                path = head[: head.rfind(":") + 1]

    def _execute(self, head: str, parameters: tuple[str, ...]) -> str | None:
        name = head.upper() if head.startswith("*") else ":".join(self._instrument.canonical(head))
        if name not in _COMMANDS:
            if name.startswith("*"):
                raise ScpiError(-113)
            return self._instrument.execute(head, parameters)
        count, command = _COMMANDS[name]
        if len(parameters) != count:
            raise ScpiError(-109 if len(parameters) < count else -108)
        return command(self, parameters)

    def _clear(self, _: Sequence[str]) -> None:
        self._status.clear()

    def _set_event_mask(self, parameters: Sequence[str]) -> None:
        self._status.event_mask = integer(parameters[0], 0, 255)

    def _event_mask(self, _: Sequence[str]) -> str:
        return str(self._status.event_mask)

    def _events(self, _: Sequence[str]) -> str:
        return str(self._status.take_events())

    def _identity(self, _: Sequence[str]) -> str:
        return self._instrument.identity

    def _operation_complete(self, _: Sequence[str]) -> None:
        self._status.events |= OPERATION_COMPLETE

    def _nothing(self, _: Sequence[str]) -> None:
        """*RST and *WAI: there is no setting to put back and nothing that overlaps."""

    def _one(self, _: Sequence[str]) -> str:
        return "1"

    def _passed(self, _: Sequence[str]) -> str:
        return "0"

    def _set_request_mask(self, parameters: Sequence[str]) -> None:
        self._status.request_mask = integer(parameters[0], 0, 255) & ~64

    def _request_mask(self, _: Sequence[str]) -> str:
        return str(self._status.request_mask)

    def _status_byte(self, _: Sequence[str]) -> str:
        return str(self._status.byte(message_available=bool(self._replies)))

    def _next_error(self, _: Sequence[str]) -> str:
        return self._status.next_error()

    def _version(self, _: Sequence[str]) -> str:
        return SCPI_VERSION


_COMMANDS: dict[str, tuple[int, Callable[[ScpiSession, Sequence[str]], str | None]]] = {
    "*CLS": (0, ScpiSession._clear),
    "*ESE": (1, ScpiSession._set_event_mask),
    "*ESE?": (0, ScpiSession._event_mask),
    "*ESR?": (0, ScpiSession._events),
    "*IDN?": (0, ScpiSession._identity),
    "*OPC": (0, ScpiSession._operation_complete),
    "*OPC?": (0, ScpiSession._one),
    "*RST": (0, ScpiSession._nothing),
    "*SRE": (1, ScpiSession._set_request_mask),
    "*SRE?": (0, ScpiSession._request_mask),
    "*STB?": (0, ScpiSession._status_byte),
    "*TST?": (0, ScpiSession._passed),
    "*WAI": (0, ScpiSession._nothing),
    "SYSTEM:ERROR?": (0, ScpiSession._next_error),
    "SYSTEM:ERROR:NEXT?": (0, ScpiSession._next_error),
    "SYSTEM:VERSION?": (0, ScpiSession._version),
}
"""The mandatory commands: how many parameters each takes, and what it does."""
