"""The twin of a meter with a text output: it streams lines, or sends one when it is asked."""

from __future__ import annotations

import asyncio
import math
import re

from benchmon.bench import Bench, Channel, Instrument
from benchmon.errors import BadInput
from benchmon.text import one_line
from benchmon_simulated.keys import channels_of, keys_of
from benchmon_simulated.meters import Meter
from benchmon_simulated.streaming import PLAIN_UNITS, LineFormat
from benchmon_simulated.supply import Snapshot, SupplyUnderTest
from benchmon_simulated.twin import Language, Medium, WiredTwin
from benchmon_simulated.wires import PtyWire

PLAIN_PATTERN = r"(?P<value>[+-]?[0-9.]+) (?P<unit>\w*)"
"""The line of a meter whose bench file has no pattern: a number and its unit."""

OVERLOAD = "OL"
"""What is shown over range where the bench file has no word of its own."""

CLOCK = "time"
"""The group of a pattern that is the seconds of the meter's own clock, where no channel reads it."""

_SHORTEST_PERIOD = 0.1
_LONGEST_QUESTION = 500


class TextTwin(WiredTwin):
    """A meter on a pseudo-terminal that sends a line for each pattern of its channels.

    It streams with the shortest period of its channels; if they have a `query`, it answers that instead.
    """

    speaks: Language = "text"
    medium: Medium = "serial"

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        self._supply = supply
        self._wire = PtyWire(self._hear, instrument.name)
        super().__init__(instrument.name, self._wire)
        self._half_question = b""
        channels, keys = channels_of(bench, instrument), keys_of(instrument)
        self._period = max(_SHORTEST_PERIOD, min((channel.period for channel in channels), default=1.0))
        overload = next(iter(keys.texts("overload")), OVERLOAD)
        common = keys.text("pattern", PLAIN_PATTERN)
        groups: dict[tuple[str, str], list[Channel]] = {}
        for channel in channels:
            keys = keys_of(channel)
            groups.setdefault((keys.text("query"), keys.text("pattern", common)), []).append(channel)
        self._lines = [
            (query.encode("ascii", "replace"), _Line(self.name, pattern, its_own, seed, overload))
            for (query, pattern), its_own in groups.items()
        ]
        self.meters = [meter for _, line in self._lines for meter in line.meters.values()]
        self.has_clock = any(line.has_clock for _, line in self._lines)

    async def open(self) -> str:
        """Open its line; return the device's path. Raises `InstrumentError`."""
        await self.open_wire()
        return self._wire.path

    async def run(self) -> None:
        """Send the lines that nobody need ask for, every period, for ever."""
        while True:
            for query, line in self._lines:
                if not query:
                    self._wire.send(self._said(line))
            await asyncio.sleep(self._period)

    def _said(self, line: _Line) -> bytes:
        ahead = sum(mishap.clock_ahead for mishap in self.mishaps)
        return line.say(self._supply.snapshot, ahead)

    def _hear(self, data: bytes) -> bytes:
        *questions, rest = re.split(rb"[\r\n]", self._half_question + data)
        self._half_question = rest[-_LONGEST_QUESTION:]
        asked = [line for question in questions for query, line in self._lines if query and query == question.strip()]
        return b"".join(self._said(line) for line in asked)


class _Line:
    """One kind of line, and the meter behind each of its numbers."""

    def __init__(self, instrument: str, pattern: str, channels: list[Channel], seed: int, overload: str) -> None:
        self._overload = overload
        groups = {keys_of(channel).text("group", "value"): channel for channel in channels}
        if len(groups) < len(channels):
            raise BadInput(f"instrument {instrument!r}: two of its channels read the same group of the same pattern")
        decimals = {name: 1 if channel.unit == "°C" else 4 for name, channel in groups.items()}
        try:
            self._format = LineFormat(pattern, decimals, _unit_texts(pattern, groups))
        except BadInput as problem:
            raise BadInput(f"instrument {instrument!r}: its {problem}") from problem
        unknown = next((group for group in groups if group not in self._format.numbers), None)
        if unknown is not None:
            where = f"channel {groups[unknown].name!r}: group = {one_line(unknown, 40)!r}"
            raise BadInput(f"{where} is not in its pattern; there is {', '.join(self._format.numbers)}")
        self.meters = {name: Meter(channel, seed) for name, channel in groups.items()}
        self.has_clock = CLOCK in self._format.numbers and CLOCK not in groups

    def say(self, snapshot: Snapshot, clock_ahead: float) -> bytes:
        """Return the line as it is now; nothing where one of its values is none, as such meters do."""
        shown = {name: meter.read(snapshot) for name, meter in self.meters.items()}
        if any(math.isnan(value) for value in shown.values()):
            return b""
        others = dict.fromkeys(self._format.numbers, 0.0)
        if self.has_clock:
            others[CLOCK] = snapshot.time + clock_ahead
        line = self._format.line(others | shown, self._overload)
        return f"{line}\r\n".encode()


def _unit_texts(pattern: str, channels: dict[str, Channel]) -> dict[str, str]:
    """Return what the groups `unit` and NAME_unit say: the unit of their channel, as the drivers read them."""
    texts = {}
    for name, channel in channels.items():
        unit = keys_of(channel).text("unit", channel.unit)
        for group in ("unit", f"{name}_unit"):
            if f"(?P<{group}>" in pattern:
                texts[group] = PLAIN_UNITS.get(unit, unit)
    return texts
