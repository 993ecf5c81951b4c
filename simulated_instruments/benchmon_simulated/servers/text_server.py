"""The server of a meter with a text output: it streams lines, or sends one in reply to a query.

`LineFormat` makes the lines that the bench file's pattern matches.
"""

from __future__ import annotations

import asyncio
import math
import re
from collections.abc import Callable, Mapping
from functools import partial

from benchmon.bench import Bench, Channel, Instrument
from benchmon.errors import BadInput
from benchmon.text import one_line
from benchmon_simulated.meters.meter import MakeMeter, Meter
from benchmon_simulated.servers.driver_settings import Keys, Scaling, channels_of, keys_of
from benchmon_simulated.servers.server import Language, Medium, WiredServer
from benchmon_simulated.servers.transports import PtyTransport
from benchmon_simulated.supply.supply import Snapshot, SupplyUnderTest

PLAIN_UNITS = {"°C": "C", "": ""}
"""Plain spellings of units that such meters use."""

_GROUP = re.compile(r"\(\?P<(\w+)>((?:\\.|\[\^?\]?[^\]]*\]|\(\?:[^()]*\)|[^()\\\[])*)\)")
_TOKEN = re.compile(r"(?P<nothing>\\s\*|\^|\$|\\[bAZ])|(?P<blank>\\s\+?)|\\(?P<escaped>\W)|(?P<other>.)", re.DOTALL)
_SAMPLES = (20.0, 104.5, 0.0, 7.25)
_NONE: Mapping[str, str] = {}
_NO_DIGITS: Mapping[str, int] = {}
_MOST_BITS = 32
"""Bits of a hexadecimal number without a sign, at most."""


class LineFormat:
    """The line that `pattern`, a regular expression of literal text and named groups, describes.

    Groups are numbers, except those in `texts`, which have a fixed text. `decimals` is the preferred number of decimals
    of each group; others are tried where the pattern does not match it. `hexadecimal` gives the bits of groups whose
    digits are hexadecimal, 0 for a number without a sign. Raises `BadInput` with the reason where no line matches the
    pattern.
    """

    def __init__(
        self,
        pattern: str,
        decimals: Mapping[str, int],
        texts: Mapping[str, str],
        hexadecimal: Mapping[str, int] = _NO_DIGITS,
    ) -> None:
        try:
            self._pattern = re.compile(pattern)
        except (re.error, RecursionError, OverflowError) as problem:
            raise BadInput(f"pattern is no regular expression: {one_line(problem)}") from problem
        if not self._pattern.groupindex:
            raise BadInput("pattern has no named group such as (?P<value>[0-9.]+)")
        literals, names, bodies = (_GROUP.split(pattern)[part::3] for part in range(3))
        self._names, self._texts = names, dict(texts)
        self._literals = [_literal(text) for text in literals]
        self._bits = hexadecimal
        self._forms = {
            name: _hexadecimal_form(body, hexadecimal[name])
            if name in hexadecimal
            else _form(body, decimals.get(name, 1))
            for name, body in zip(names, bodies, strict=True)
        }
        self.numbers = tuple(name for name in names if name not in texts)
        if not all(self._is_understood(value) for value in _SAMPLES):
            raise BadInput("pattern is more than literal text and named number groups, so no line can be made for it")

    def line(self, values: Mapping[str, float], overload: str = "OL") -> str:
        """Return the line with `values`, one for each of `numbers`; `overload` stands for ±inf."""
        texts = [self._text_of(name, values, overload) for name in self._names]
        return self._literals[0] + "".join(
            text + literal for text, literal in zip(texts, self._literals[1:], strict=True)
        )

    def _text_of(self, name: str, values: Mapping[str, float], overload: str = "") -> str:
        if name in self._texts:
            return self._texts[name]
        if math.isinf(values[name]):
            return overload
        number = _whole(values[name], self._bits[name]) if name in self._bits else values[name]
        return format(number, self._forms[name])

    def _is_understood(self, value: float) -> bool:
        values = dict.fromkeys(self.numbers, value)
        match = self._pattern.fullmatch(self.line(values).strip())
        if match is None or self._pattern.groups != len(self._names):
            return False
        return all(match[name] == self._text_of(name, values) for name in self._names)


def line_format(pattern: str, texts: Mapping[str, str] = _NONE) -> LineFormat:
    """Return the format of a text in which `pattern` finds its first group; other groups have fixed `texts`.

    Raises `BadInput` if there is none.
    """
    named = pattern if "(?P<value>" in pattern else re.sub(r"\((?!\?)", "(?P<value>", pattern, count=1)
    # Parts that may match nothing are left out.
    return LineFormat(re.sub(r"\[\^[^\]]*\]\*|\.\*\??", "", named), {"value": 3}, texts)


def _literal(text: str) -> str:
    r"""Return the simplest text that a pattern without groups matches: a blank for `\\s`, escapes removed."""
    return _TOKEN.sub(lambda token: " " if token["blank"] else token["escaped"] or token["other"] or "", text)


def _form(body: str, decimals: int) -> str:
    """Return the first format of a number, signed or not, that the group `body` matches."""
    forms = [f"{sign}.{count}f" for count in (decimals, 1, 2, 3, 4, 0) for sign in "+-"]
    forms += [f"{sign}.{count}E" for count in (4, 3, 5, 6) for sign in "+-"]
    matcher = re.compile(body)
    return next((form for form in forms if all(matcher.fullmatch(format(value, form)) for value in _SAMPLES)), ".1f")


def _hexadecimal_form(body: str, bits: int) -> str:
    """Return the first format of hexadecimal digits that the group `body` matches."""
    widths = (-(-bits // 4),) if bits else (4, 8, 6, 2)
    forms = [f"0{width}{letter}" for width in widths for letter in "Xx"]
    matcher = re.compile(body)
    return next(
        (form for form in forms if all(matcher.fullmatch(format(one, form)) for one in (0, 20, 0xAB))), forms[0]
    )


def _whole(value: float, bits: int) -> int:
    """Return the nearest number of `bits` bits with a sign, as its bits are read without one; of 0 bits has no sign."""
    low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if bits else (0, (1 << _MOST_BITS) - 1)
    return min(high, max(low, round(value))) & ((1 << (bits or _MOST_BITS)) - 1)


PLAIN_PATTERN = r"(?P<value>[+-]?[0-9.]+) (?P<unit>\w*)"
"""The line where the bench file has no pattern: a number and its unit."""

OVERLOAD = "OL"
"""The text for an overload where the bench file gives none."""

CLOCK = "time"
"""The group of a pattern that holds the seconds of the meter's own clock, where no channel reads it."""

_SHORTEST_PERIOD = 0.1
_LONGEST_QUERY = 500
_DIGITS = ("decimal", "hexadecimal")


class TextServer(WiredServer):
    """A meter on a pseudo-terminal that sends a line for each pattern of its channels.

    It streams with the shortest period of its channels; channels with a `query` are sent in reply to it instead.
    """

    speaks: Language = "text"
    medium: Medium = "serial"

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        self._supply = supply
        self._transport = PtyTransport(self._receive, instrument.name)
        super().__init__(instrument.name, self._transport)
        self._incomplete = b""
        channels, keys = channels_of(bench, instrument), keys_of(instrument)
        self._period = max(_SHORTEST_PERIOD, min((channel.period for channel in channels), default=1.0))
        overload = next(iter(keys.texts("overload")), OVERLOAD)
        self._ends = keys.text("read_termination") or "\r\n"
        self._hears_lines = keys.text("write_termination", "\n") != ""
        common = keys.text("pattern", PLAIN_PATTERN)
        groups: dict[tuple[str, str], list[Channel]] = {}
        for channel in channels:
            keys = keys_of(channel)
            groups.setdefault((keys.text("query"), keys.text("pattern", common)), []).append(channel)
        meter = partial(Meter, seed=seed, effects=supply.effects)
        self._lines = [
            (query.encode("ascii", "replace"), _TextLine(self.name, pattern, its_own, meter, overload))
            for (query, pattern), its_own in groups.items()
        ]
        switch = bench.switch_off
        obeys = switch is not None and switch.instrument == instrument.name
        self._relay = _relay_board(Keys("switch_off", switch.driver_keys), supply) if switch and obeys else {}
        self.meters = [own for _, line in self._lines for own in line.meters.values()]
        self.has_clock = any(line.has_clock for _, line in self._lines)

    async def open(self) -> str:
        """Open its line; return the device's path. Raises `InstrumentError` where it cannot be opened."""
        await self.open_transport()
        return self._transport.path

    async def run(self) -> None:
        """Send the lines without a query every period, until cancelled."""
        while True:
            for query, line in self._lines:
                if not query:
                    self._transport.send(self._line_now(line))
            await asyncio.sleep(self._period)

    def _line_now(self, line: _TextLine) -> bytes:
        ahead = sum(effect.clock_ahead for effect in self.effects)
        text = line.line_now(self._supply.snapshot, ahead)
        return f"{text}{self._ends}".encode() if text else b""

    def _receive(self, data: bytes) -> bytes:
        received = self._incomplete + data
        obeyed = sorted((received.index(message), message) for message in self._relay if message in received)
        if obeyed:
            at, last = obeyed[-1]
            self._incomplete = received[at + len(last) :]
            return b"".join(self._relay[message]() for _, message in obeyed)
        if not self._hears_lines:
            # Queries such as ENQ have no end.
            heard = [line for query, line in self._lines if query and query in received]
            self._incomplete = b"" if heard else received[-_LONGEST_QUERY:]
            return b"".join(self._line_now(line) for line in heard)
        *requests, rest = re.split(rb"[\r\n]", received)
        self._incomplete = rest[-_LONGEST_QUERY:]
        queried = [line for request in requests for query, line in self._lines if query and query == request.strip()]
        return b"".join(self._line_now(line) for line in queried)


def _relay_board(keys: Keys, supply: SupplyUnderTest) -> dict[bytes, Callable[[], bytes]]:
    """Return what a relay board does and answers for each message that it obeys."""
    by_bytes, end = keys.has("bytes"), keys.text("end", "\n")

    def message(key: str) -> bytes:
        return keys.octets(key) if by_bytes else f"{keys.text(key)}{end}".encode("ascii", "replace")

    def switch() -> bytes:
        supply.switch_off()
        return b""

    off = message("off_answer")
    on = bytes([*off[:-1], off[-1] ^ 1]) if by_bytes and off else f"not {keys.text('off_answer')}{end}".encode()
    found: dict[bytes, Callable[[], bytes]] = {}
    if by_bytes or keys.has("text"):
        found[message("bytes" if by_bytes else "text")] = switch
    if keys.has("confirm"):
        found[message("confirm")] = lambda: on if supply.on else off
    return found


class _TextLine:
    """One kind of line, and the meter of each of its numbers."""

    def __init__(self, instrument: str, pattern: str, channels: list[Channel], meter: MakeMeter, overload: str) -> None:
        self._overload = overload
        groups = {keys_of(channel).text("group", "value"): channel for channel in channels}
        if len(groups) < len(channels):
            raise BadInput(f"instrument {instrument!r}: two of its channels read the same group of the same pattern")
        self._scales = {name: Scaling.from_keys(channel) for name, channel in groups.items()}
        decimals = {name: 1 if channel.unit == "°C" else 4 for name, channel in groups.items()}
        try:
            self._format = LineFormat(pattern, decimals, _unit_texts(pattern, groups), _hexadecimal(groups))
        except BadInput as problem:
            raise BadInput(f"instrument {instrument!r}: its {problem}") from problem
        unknown = next((group for group in groups if group not in self._format.numbers), None)
        if unknown is not None:
            where = f"channel {groups[unknown].name!r}: group = {one_line(unknown, 40)!r}"
            raise BadInput(f"{where} is not in its pattern; there is {', '.join(self._format.numbers)}")
        self.meters = {name: meter(channel) for name, channel in groups.items()}
        self.has_clock = CLOCK in self._format.numbers and CLOCK not in groups

    def line_now(self, snapshot: Snapshot, clock_ahead: float) -> str:
        """Return the line with the present values, without an end; "" where one is NaN, as such meters do."""
        shown = {name: meter.read(snapshot) for name, meter in self.meters.items()}
        if any(math.isnan(value) for value in shown.values()):
            return ""
        others = dict.fromkeys(self._format.numbers, 0.0)
        if self.has_clock:
            others[CLOCK] = snapshot.time + clock_ahead
        scaled = {name: self._scales[name].shown(value) for name, value in shown.items()}
        return self._format.line(others | scaled, self._overload)


def _hexadecimal(groups: Mapping[str, Channel]) -> dict[str, int]:
    """Return the bits of each group of hexadecimal digits, 0 where the number has no sign."""
    keys = {name: keys_of(channel) for name, channel in groups.items()}
    found = {name for name, own in keys.items() if own.choice("digits", "decimal", _DIGITS) == "hexadecimal"}
    return {name: own.integer("bits", 0, 0, 48) for name, own in keys.items() if name in found}


def _unit_texts(pattern: str, channels: dict[str, Channel]) -> dict[str, str]:
    """Return the texts of the groups `unit` and NAME_unit: the unit of their channel, as the drivers read it."""
    texts = {}
    for name, channel in channels.items():
        unit = keys_of(channel).text("unit", channel.unit)
        for group in ("unit", f"{name}_unit"):
            if f"(?P<{group}>" in pattern:
                texts[group] = PLAIN_UNITS.get(unit, unit)
    return texts
