"""A SCPI instrument: its registers, and the headers that it has learnt to answer."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence

from benchmon.errors import BadInput
from benchmon_simulated.scpi_status import ScpiError, Status
from benchmon_simulated.scpi_words import LONG_FORMS, both_forms, split_outside_quotes, split_suffix, split_unit

OVERLOAD = 9.9e37
NOT_A_NUMBER = 9.91e37
"""What SCPI-1999 says for an overload, and where there is no number (volume 1, 7.2.1)."""

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
    """A SCPI instrument that measures what it is taught. `identity` has the four fields of *IDN?.

    Headers are learnt as a manual or a bench file writes them, and answered in short and long form, in any case.
    """

    def __init__(self, identity: Sequence[str]) -> None:
        self.status = Status()
        self._identity = ",".join(re.sub(r"[^ -~]|[,;]", "_", field) for field in identity)
        self.rename: Callable[[str], str] = lambda name: name
        """What a mishap makes of its identity."""
        self._words = {form: word for word in LONG_FORMS for form in both_forms(word)}
        self._readers: dict[tuple[Header, Parameters], dict[int, Reader]] = {}
        self._actions: dict[tuple[Header, Parameters], Action] = {}
        self._texts: dict[tuple[Header, Parameters], Callable[[], str]] = {}
        self._settings: set[str] = set()

    @property
    def identity(self) -> str:
        """Return the reply to *IDN?."""
        return self.rename(self._identity)

    def learn_query(self, query: str, reader: Reader, index: int = 0) -> None:
        """Answer `query` with what `reader` returns, as the value at `index` (from 0) of a list.

        Raises `BadInput` with the reason where `query` is no query, or its value at `index` is taken.
        """
        if not split_unit(query)[0].endswith("?"):
            raise BadInput("is no query; it must end its header with a question mark")
        values = self._readers.setdefault(self._learn(query), {})
        if index in values:
            raise BadInput("is asked by another channel of the same instrument")
        values[index] = reader

    def learn_text(self, query: str, teller: Callable[[], str]) -> None:
        """Answer `query` with the text that `teller` returns, whose characters are bytes (Latin-1)."""
        self._texts[self._learn(query)] = teller

    def learn_command(self, command: str, action: Action) -> None:
        """Do `action` when `command` comes with just its parameters. Raises `BadInput` where it is no command."""
        self._actions[self._learn(command)] = action

    def learn_setting(self, message: str) -> None:
        """Take the whole `message` as a setting that has no effect on what is measured."""
        self._settings.add(_tidy(message))

    def is_setting(self, message: str) -> bool:
        """Return whether `message` is such a setting."""
        return _tidy(message) in self._settings

    def _learn(self, text: str) -> tuple[Header, Parameters]:
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
        """Do one learnt message unit; return its reply, None for a command. Raises `ScpiError`."""
        header, given = self.canonical(head), tuple(part.upper() for part in parameters)
        action = self._actions.get((header, given))
        if action is not None:
            action()
            return None
        teller = self._texts.get((header, given))
        if teller is not None:
            return teller()
        # MEASure, READ and FETCh ask for the same: this meter measures all the time.
        headers = [header, *((lead, *header[1:]) for lead in _LEADS if header[0] in _LEADS)]
        for asked in headers:
            values = self._readers.get((asked, given))
            if values is not None:
                return ",".join(real(values[at]() if at in values else math.nan) for at in range(max(values) + 1))
        raise ScpiError(self._misfit(headers, given))

    def _misfit(self, headers: Sequence[Header], given: Parameters) -> int:
        """Return what is wrong with a message unit that is not known with the parameters `given`."""
        known = [
            parameters for header, parameters in (*self._readers, *self._actions, *self._texts) if header in headers
        ]
        if not known:
            return -113
        if not given:
            return -109
        return -224 if any(known) else -108


def _tidy(message: str) -> str:
    return " ".join(message.upper().split())
