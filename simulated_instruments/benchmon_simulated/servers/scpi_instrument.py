"""A SCPI instrument without a transport: status registers, error queue, headers, and a parser for each client.

`Status` has the registers and the error queue (IEEE 488.2 chapter 11, SCPI-1999 chapter 21). The functions after it
split program messages and know long and short forms of headers. `ScpiInstrument` has the headers that the instrument
answers; `ScpiSession` is one client's connection, bytes in and bytes out. Clients of one instrument share its registers
and its error queue, as on a real one.
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable, Iterator, Sequence

from benchmon.errors import BadInput

ERRORS = {
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
"""The standard's numbers and texts of the errors of this instrument."""

QUEUE_LENGTH = 20

OPERATION_COMPLETE = 1
QUERY_ERROR = 4
DEVICE_ERROR = 8
EXECUTION_ERROR = 16
COMMAND_ERROR = 32
POWER_ON = 128

ERROR_AVAILABLE = 4
MESSAGE_AVAILABLE = 16
EVENT_SUMMARY = 32
MASTER_SUMMARY = 64


class ScpiError(Exception):
    """One of the standard's errors, by its `number`."""

    def __init__(self, number: int) -> None:
        super().__init__(ERRORS[number])
        self.number = number


class Status:
    """Event and status registers with their enable masks, and the error queue. Bytes are 0 to 255."""

    def __init__(self) -> None:
        self.events = POWER_ON
        self.event_mask = self.request_mask = 0
        self._queue: deque[int] = deque()

    def add_error(self, number: int) -> None:
        """Queue the error `number` and set its event bit. The last entry of a full queue becomes −350."""
        self.events |= {1: COMMAND_ERROR, 2: EXECUTION_ERROR, 3: DEVICE_ERROR, 4: QUERY_ERROR}[-number // 100]
        if len(self._queue) < QUEUE_LENGTH:
            self._queue.append(number)
        else:
            self._queue[-1] = -350
            self.events |= DEVICE_ERROR

    def next_error(self) -> str:
        """Remove the oldest error from the queue and return it as the reply to SYSTem:ERRor?."""
        number = self._queue.popleft() if self._queue else 0
        return f'{number},"{ERRORS.get(number, "No error")}"'

    def read_events(self) -> int:
        """Return the standard event register; reading clears it."""
        events, self.events = self.events, 0
        return events

    def clear(self) -> None:
        """Clear events and queue, as *CLS does; masks stay."""
        self.events = 0
        self._queue.clear()

    def byte(self, *, message_available: bool) -> int:
        """Return the status byte, its bit 6 the master summary."""
        byte = ERROR_AVAILABLE if self._queue else 0
        byte |= MESSAGE_AVAILABLE if message_available else 0
        byte |= EVENT_SUMMARY if self.events & self.event_mask else 0
        return byte | (MASTER_SUMMARY if byte & self.request_mask else 0)


_VOWELS = "AEIOU"

_SPELLED = """
    ACTIVE APPARENT AVERAGE CHANNEL CONFIGURE CREST CURRENT DISPLACEMENT DISTORTION ERROR FACTOR FETCH FREQUENCY
    FUNDAMENTAL HARMONIC INPUT MAXIMUM MEAN MEASURE MINIMUM NEXT OUTPUT PEAK PERIOD PHASE POWER PTPEAK READ REACTIVE
    REAL RESISTANCE RIPPLE SCALAR SENSE STATE SYSTEM TEMPERATURE THERMOCOUPLE VERSION VOLTAGE
"""
LONG_FORMS = frozenset(_SPELLED.split())
"""Words whose long form is known where a bench file has only the short one."""

_WORD = re.compile(r"([A-Za-z][A-Za-z_]*)([0-9]*)")


def short_form(word: str) -> str:
    """Return the short form of a long word: four letters, or three where the fourth is a vowel (SCPI-1999, 6.2.1).

    >>> short_form("VOLTAGE"), short_form("POWER"), short_form("READ")
    ('VOLT', 'POW', 'READ')
    """
    word = word.upper()
    if len(word) <= 4:
        return word
    return word[:3] if word[3] in _VOWELS else word[:4]


_LONG_OF_SHORT = {short_form(word): word for word in sorted(LONG_FORMS)}


def split_suffix(node: str) -> tuple[str, str] | None:
    """Return a header node's letters, in upper case, and its numeric suffix ("" for 1); None if `node` is no node.

    >>> split_suffix("volt1"), split_suffix("CHAN2"), split_suffix("4th")
    (('VOLT', ''), ('CHAN', '2'), None)
    """
    match = _WORD.fullmatch(node)
    if match is None:
        return None
    return match[1].upper(), "" if match[2] == "1" else match[2]


def both_forms(word: str) -> tuple[str, str]:
    """Return the long and the short form of `word`, which is written as in a bench file or manual.

    >>> both_forms("VOLTage"), both_forms("volt"), both_forms("TEMPERATURE")
    (('VOLTAGE', 'VOLT'), ('VOLTAGE', 'VOLT'), ('TEMPERATURE', 'TEMP'))
    """
    upper = word.upper()
    if upper in LONG_FORMS:
        return upper, short_form(upper)
    if upper in _LONG_OF_SHORT:
        return _LONG_OF_SHORT[upper], upper
    marked = re.match(r"[A-Z]+(?=[a-z])", word)
    return upper, marked[0] if marked else short_form(upper)


def split_outside_quotes(text: str, separator: str) -> Iterator[str]:
    """Yield the parts of `text` between separators outside quotes and parentheses."""
    part, quote, depth = "", "", 0
    for char in text:
        if quote:
            quote = "" if char == quote else quote
        elif char in "\"'":
            quote = char
        elif char in "()":
            depth = max(0, depth + (1 if char == "(" else -1))
        if char == separator and not quote and not depth:
            yield part
            part = ""
        else:
            part += char
    yield part


def split_unit(unit: str) -> tuple[str, tuple[str, ...]]:
    """Return the header of one program message unit and its parameters, each stripped of blanks."""
    header, _, rest = unit.strip().partition(" ")
    if not rest.strip():
        return header, ()
    return header, tuple(part.strip() for part in split_outside_quotes(rest, ","))


OVERLOAD = 9.9e37
NOT_A_NUMBER = 9.91e37
"""The values of SCPI-1999 for an overload and for no number (volume 1, 7.2.1)."""

Header = tuple[str, ...]
Parameters = tuple[str, ...]
Reader = Callable[[], float]
Action = Callable[[], None]

_LEADS = ("MEASURE", "READ", "FETCH")


def real(value: float) -> str:
    """Return `value` as a SCPI instrument sends it: NR3 of IEEE 488.2.

    >>> real(22.14), real(-math.inf), real(math.nan)
    ('+2.214000E+01', '-9.900000E+37', '+9.910000E+37')
    """
    if math.isnan(value):
        value = NOT_A_NUMBER
    elif math.isinf(value):
        value = math.copysign(OVERLOAD, value)
    return f"{value + 0.0:+.6E}"


class ScpiInstrument:
    """A SCPI instrument that answers the headers added to it. `identity` has the four fields of *IDN?.

    Headers are added as a manual or a bench file writes them, and are answered in short and long form, in any case.
    """

    def __init__(self, identity: Sequence[str]) -> None:
        self.status = Status()
        self._identity = ",".join(re.sub(r"[^ -~]|[,;]", "_", field) for field in identity)
        self.identity_filter: Callable[[str], str] = lambda name: name
        """Returns the identity as a line fault changes it."""
        self.separator, self.decimal_comma = ",", False
        """What stands between several values, and whether their decimal point is a comma."""
        self._words = {form: word for word in LONG_FORMS for form in both_forms(word)}
        self._readers: dict[tuple[Header, Parameters], dict[int, Reader]] = {}
        self._actions: dict[tuple[Header, Parameters], Action] = {}
        self._numbers: dict[Header, Callable[[float], None]] = {}
        self._texts: dict[tuple[Header, Parameters], Callable[[], str]] = {}
        self._settings: set[str] = set()

    @property
    def identity(self) -> str:
        """Return the reply to *IDN?."""
        return self.identity_filter(self._identity)

    def add_query(self, query: str, reader: Reader, index: int = 0) -> None:
        """Answer `query` with the value of `reader`, at `index` (from 0) of a list.

        Raises `BadInput` with the reason where `query` is no query, or another channel has its value at `index`.
        """
        if not split_unit(query)[0].endswith("?"):
            raise BadInput("is no query; it must end its header with a question mark")
        values = self._readers.setdefault(self._add_header(query), {})
        if index in values:
            raise BadInput("is used by another channel of the same instrument")
        values[index] = reader

    def add_text_query(self, query: str, text: Callable[[], str]) -> None:
        """Answer `query` with the text that `text` returns; its characters are bytes (Latin-1). Raises `BadInput`."""
        self._texts[self._add_header(query)] = text

    def add_command(self, command: str, action: Action) -> None:
        """Call `action` when `command` arrives with exactly its parameters. Raises `BadInput` if it is no header."""
        self._actions[self._add_header(command)] = action

    def add_number_command(self, head: str, action: Callable[[float], None]) -> None:
        """Call `action` with the one number that follows the header `head`. Raises `BadInput` if it is no header."""
        self._numbers[self._add_header(head)[0]] = action

    def add_setting(self, message: str) -> None:
        """Accept the whole `message` as a setting without an effect on the measurement."""
        self._settings.add(_tidy(message))

    def is_setting(self, message: str) -> bool:
        """Return whether `message` is such a setting."""
        return _tidy(message) in self._settings

    def _add_header(self, text: str) -> tuple[Header, Parameters]:
        if len(list(split_outside_quotes(text.strip(), ";"))) > 1:
            raise BadInput("chains several messages; the simulated instrument takes one at a time")
        head, parameters = split_unit(text)
        nodes = [split_suffix(node) for node in head.removeprefix(":").removesuffix("?").split(":")]
        if None in nodes:
            raise BadInput("is no SCPI header such as MEASure:VOLTage:DC?")
        for node in head.removeprefix(":").removesuffix("?").split(":"):
            long, short = both_forms(node.rstrip("0123456789"))
            self._words[long] = self._words[short] = long
        return self.canonical(head), tuple(part.upper() for part in parameters)

    def canonical(self, head: str) -> Header:
        """Return a header's nodes in their long forms, the last with its question mark.

        Raises `ScpiError`: −102 for what is no header, −113 for a word that is in none of this instrument's.
        """
        query = "?" if head.endswith("?") else ""
        nodes = []
        for node in head.removeprefix(":").removesuffix("?").split(":"):
            parts = split_suffix(node)
            if parts is None:
                raise ScpiError(-102)
            if parts[0] not in self._words:
                raise ScpiError(-113)
            nodes.append(self._words[parts[0]] + parts[1])
        if len(nodes) > 2 and nodes[1] == "SCALAR":
            del nodes[1]
        nodes[-1] += query
        return tuple(nodes)

    def execute(self, head: str, parameters: Parameters) -> str | None:
        """Execute one message unit; return its reply, None for a command. Raises `ScpiError` for an unknown one."""
        header, given = self.canonical(head), tuple(part.upper() for part in parameters)
        action = self._actions.get((header, given))
        if action is not None:
            action()
            return None
        number = self._numbers.get(header)
        if number is not None and len(given) == 1:
            number(real_number(given[0]))
            return None
        text = self._texts.get((header, given))
        if text is not None:
            return text()
        # MEASure, READ and FETCh are the same here: the meter measures all the time.
        headers = [header, *((lead, *header[1:]) for lead in _LEADS if header[0] in _LEADS)]
        for asked in headers:
            values = self._readers.get((asked, given))
            if values is not None:
                numbers = (real(values[at]() if at in values else math.nan) for at in range(max(values) + 1))
                return self.separator.join(
                    number.replace(".", "," if self.decimal_comma else ".") for number in numbers
                )
        raise ScpiError(self._misfit(headers, given))

    def _misfit(self, headers: Sequence[Header], given: Parameters) -> int:
        """Return the error number of a message unit that is unknown with the parameters `given`."""
        known = [
            parameters for header, parameters in (*self._readers, *self._actions, *self._texts) if header in headers
        ]
        known += [("",) for header in self._numbers if header in headers]
        if not known:
            return -113
        if not given:
            return -109
        return -224 if any(known) else -108


def _tidy(message: str) -> str:
    return " ".join(message.upper().split())


LONGEST_MESSAGE = 4096
"""The most bytes of a program message; a longer one is an input buffer overrun."""

SCPI_VERSION = "1999.0"


def real_number(parameter: str) -> float:
    """Return a decimal parameter. Raises `ScpiError`: −104 if it is no number."""
    if not re.fullmatch(r"[+-]?(\d+\.?\d*|\.\d+)(E[+-]?\d+)?", parameter, re.IGNORECASE):
        raise ScpiError(-104)
    return float(parameter)


def integer(parameter: str, low: int, high: int) -> int:
    """Return a decimal parameter rounded to an integer.

    Raises `ScpiError`: −104 if it is no number, −222 outside `low` to `high`.
    """
    number = real_number(parameter)
    if not low <= number <= high:
        raise ScpiError(-222)
    return round(number)


class ScpiSession:
    """The parser of one connection. It keeps an incomplete message until its end arrives.

    A message ends with `message_end`, a line feed or a carriage return; a reply ends with `reply_end`. With `echo` each
    message is sent back before it is executed.
    """

    def __init__(
        self, instrument: ScpiInstrument, reply_end: str = "\n", message_end: str = "\n", *, echo: bool = False
    ) -> None:
        self._instrument = instrument
        self._echo = message_end.encode("latin-1", "replace") if echo else None
        self._reply_end = reply_end.encode("latin-1", "replace")
        self._ends = re.compile(b"[\r\n%b]" % re.escape(message_end.encode("latin-1", "replace")))
        self._status = instrument.status
        self._buffer = b""
        self._overrun = False
        self._replies: list[str] = []

    def feed(self, data: bytes) -> bytes:
        """Execute every complete message up to the end of `data`; return the replies. Never raises."""
        *messages, self._buffer = self._ends.split(self._buffer + data)
        replies = b"".join(self._echoed(message) + self._message(message) for message in messages)
        if len(self._buffer) > LONGEST_MESSAGE:
            self._buffer, self._overrun = b"", True
        return replies

    def _echoed(self, message: bytes) -> bytes:
        return message + self._echo if self._echo is not None and message else b""

    def _message(self, message: bytes) -> bytes:
        if self._overrun or len(message) > LONGEST_MESSAGE:
            self._overrun = False
            self._status.add_error(-363)
            return b""
        if re.search(rb"[^\t -~]", message):
            self._status.add_error(-101)
            return b""
        self._replies = []
        text = message.decode("ascii").replace("\t", " ")
        if self._instrument.is_setting(text):
            self._replies = ["0"] if "?" in text else []
        else:
            self._execute_units(text)
        return ";".join(self._replies).encode("latin-1") + self._reply_end if self._replies else b""

    def _execute_units(self, message: str) -> None:
        """Execute the units of a message; a command error ends it, as the rest may no longer make sense."""
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
                self._status.add_error(problem.number)
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
        return str(self._status.read_events())

    def _identity(self, _: Sequence[str]) -> str:
        return self._instrument.identity

    def _operation_complete(self, _: Sequence[str]) -> None:
        self._status.events |= OPERATION_COMPLETE

    def _nothing(self, _: Sequence[str]) -> None:
        """*RST and *WAI: there are no settings to restore and no overlapping commands."""

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
"""The mandatory commands: the number of parameters of each, and its method."""
