"""A temperature against its limits: a bar from ambient to the trip limit with a mark at the warning, and in words."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchmon.bench import Channel
from benchmon.quantities import is_temperature
from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Cell, Line, fit, fit_name
from benchmon.screen.condition import condition_of
from benchmon.screen.numbers import usable
from benchmon.screen.picture import ChannelPicture, Picture
from benchmon.screen.tones import Tone


@dataclass(frozen=True, slots=True)
class Limits:
    """Where a temperature starts, warns and ends, in °C. `end` is the trip limit, or the warning where no trip is."""

    ambient: float
    warning: float | None
    end: float

    def part(self, value: float | None) -> float | None:
        """Return how much of the way from ambient to the end is used: 0 at ambient, 1 at the end."""
        if value is None or math.isnan(value):
            return None
        way = self.end - self.ambient
        if math.isinf(value) or way <= 0:
            return math.inf if value >= self.end else 0.0
        return (value - self.ambient) / way


def limits_of(channel: Channel, ambient: float) -> Limits | None:
    """Return the upper limits of a temperature channel; None for another quantity, or where no limit is set."""
    if not is_temperature(channel.quantity):
        return None
    end = channel.trip_above if channel.trip_above is not None else channel.warn_above
    warning = channel.warn_above if channel.trip_above is not None else None
    return None if end is None else Limits(ambient, warning, end)


def draw_bar(value: float | None, limits: Limits, width: int, alphabet: Alphabet) -> str:
    """Return the bar, exactly `width` columns; a value past the end fills it and breaks through with an arrow."""
    inner = width - 2
    if inner < 3:
        return " " * max(0, width)
    part = limits.part(value)
    cells = [alphabet.bar_room] * inner
    filled = int(_between_ends(part) * inner)
    cells[:filled] = alphabet.bar_full * filled
    mark = limits.part(limits.warning)
    if mark is not None:
        cells[min(inner - 1, int(_between_ends(mark) * inner))] = alphabet.bar_warning
    end = alphabet.far_above if part is not None and part >= 1 else alphabet.bar_end
    return alphabet.bar_start + "".join(cells) + end


def _between_ends(part: float | None) -> float:
    return 0.0 if part is None else min(1.0, max(0.0, part))


def heat_words(value: float | None, limits: Limits) -> str:
    """Return the same in words: `62.3 of 105 °C`."""
    if value is not None and math.isinf(value):
        return f"{'over' if value > 0 else 'under'} range ({limits.end:.4g} °C)"
    number = usable(value)
    live = "–" if number is None else f"{number:.1f}" if abs(number) < 1e5 else f"{number:.1e}"
    return f"{live} of {limits.end:.4g} °C"


_GAUGE = 38
_APART = 2
_ROOMY = 50
_NAME = 12
_LONG_NAME = 16
_WORDS = 14


def limited_channels(picture: Picture) -> list[tuple[ChannelPicture, Limits]]:
    """Return the channels that have a bar, with their limits, in the order of the rows."""
    pairs = ((channel, limits_of(channel.channel, picture.ambient)) for channel in picture.channels)
    return [(channel, limits) for channel, limits in pairs if limits is not None]


def heat_lines_wanted(picture: Picture, width: int) -> int:
    """Return the lines that the bars of all limited channels take at `width`."""
    count = len(limited_channels(picture))
    return math.ceil(count / _across(width, count))


def draw_heat(picture: Picture, width: int, lines: int, alphabet: Alphabet) -> list[Line]:
    """Return `lines` lines of bars side by side. Where not all have room, those nearest to their limits stay."""
    channels = limited_channels(picture)
    across = _across(width, len(channels))
    room = max(0, lines) * across
    if len(channels) > room:
        nearest = sorted(range(len(channels)), key=lambda index: -_urgency(*channels[index]))[:room]
        channels = [channels[index] for index in sorted(nearest)]
    gauge = (width - 1 - _APART * (across - 1)) // across
    rows = [channels[start : start + across] for start in range(0, len(channels), across)]
    return [_side_by_side(row, gauge, picture, alphabet) for row in rows]


def _across(width: int, count: int) -> int:
    """Return how many bars stand side by side; a few of them take the whole width."""
    return max(1, min(count, (width + _APART) // (_GAUGE + _APART)))


def _urgency(channel: ChannelPicture, limits: Limits) -> float:
    part = limits.part(channel.value)
    return math.inf if part is None else part  # a limited channel that cannot be read belongs in sight


def _side_by_side(row: list[tuple[ChannelPicture, Limits]], gauge: int, picture: Picture, alphabet: Alphabet) -> Line:
    cells: list[Cell] = []
    for channel, limits in row:
        cells.append(Cell(" " * (_APART if cells else 1)))
        cells += _draw_gauge(channel, limits, gauge, picture, alphabet)
    return tuple(cells)


def _draw_gauge(
    channel: ChannelPicture, limits: Limits, width: int, picture: Picture, alphabet: Alphabet
) -> list[Cell]:
    condition = condition_of(channel.judgement, picture.old, alphabet)
    words = alphabet.plain(heat_words(channel.value, limits))
    words = fit(words, max(_WORDS, len(words)), alphabet, "right")
    name = max(0, min(_NAME if width < _ROOMY else _LONG_NAME, width - 2 - 1 - 6 - 1 - len(words)))
    bar = width - 2 - name - 1 - 1 - len(words)
    return [
        Cell(f"{condition.sign} ", condition.tone),
        Cell(fit_name(alphabet.plain(channel.channel.name), name, alphabet) + " "),
        Cell(draw_bar(channel.value, limits, bar, alphabet) + " ", condition.tone),
        Cell(words, Tone.STRONG),
    ]
