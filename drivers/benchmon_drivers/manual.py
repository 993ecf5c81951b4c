"""A meter without an interface: a person reads its display and types the value in."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from queue import Empty, SimpleQueue
from typing import ClassVar

from benchmon.errors import BadInput, BadReply
from benchmon.instruments.driver import Driver, Stamped
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon.quantities import KINDS_BY_UNIT, example
from benchmon.text import one_line
from benchmon_drivers.number_parsing import NUMBER_AND_UNIT, OVERLOAD, over_range, written_number

_OVERLOAD = frozenset(word.casefold() for word in OVERLOAD)


class HandDriver(Driver[InstrumentSettings, ChannelSettings]):
    """A display that a person reads. Entered values are queued until acquisition takes them."""

    settings_model: ClassVar[type[InstrumentSettings]] = InstrumentSettings
    channel_model: ClassVar[type[ChannelSettings]] = ChannelSettings
    streams = by_hand = True
    decimated = False

    def __init__(
        self, name: str, settings: InstrumentSettings, channels: Sequence[DrivenChannel[ChannelSettings]]
    ) -> None:
        super().__init__(name, settings, channels)
        self._entered: SimpleQueue[tuple[str, Stamped]] = SimpleQueue()
        self._last: dict[str, float] = {}

    @property
    def timeout(self) -> float:
        """Seconds without an entry after which one is requested."""
        longest = max((channel.period for channel in self.channels.values()), default=1.0)
        return 3 * longest if self.settings.timeout is None else self.settings.timeout

    def enter_manual(self, channel: str, text: str, time: float) -> None:
        """Enter the text of `channel`'s display, with its unit, read at a monotonic time.

        Raises `BadInput` where the text is no value of the channel's unit, or a newer reading was entered already.
        """
        value = _value(text, self.channels[channel].unit)
        if time < self._last.get(channel, time):
            raise BadInput(f"another reading of {channel} was typed in meanwhile; look again")
        self._last[channel] = time
        self._entered.put((channel, Stamped(value, time)))

    def _open(self) -> str:
        return ""

    def _close(self) -> None:
        """Do nothing: there is no line."""

    def _listen(self, seconds: float) -> Iterator[tuple[str, Stamped]]:
        try:
            yield self._entered.get(timeout=max(seconds, 0.001))
            while True:
                yield self._entered.get_nowait()
        except Empty:
            return

    def _timeout_message(self) -> str:
        return f"nothing was typed in for {self.timeout:.3g} s; type in what its display shows"


def _value(text: str, unit: str) -> float:
    beyond = over_range(text.strip(), _OVERLOAD)
    if beyond is not None:
        return beyond
    match = re.fullmatch(NUMBER_AND_UNIT, text.strip())
    kind = KINDS_BY_UNIT[unit]
    if match is None:
        raise BadInput(f'"{one_line(text, 40)}" is not {kind.name}; type it like {example(kind)}')
    if unit and not match["unit"]:
        raise BadInput(f'"{one_line(text, 40)}" has no unit; type it like {example(kind)}')
    try:
        return written_number(match["value"], match["unit"], unit)
    except BadReply as problem:
        raise BadInput(f'"{one_line(text, 40)}" is not {kind.name}; type it like {example(kind)}') from problem
