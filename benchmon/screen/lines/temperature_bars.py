"""A temperature against its limits: a bar from ambient to the trip limit, and in words.

▕███████████◇··◆····┊······▏ 62.3 of 105 °C → 71 °C

The bar ends at what is read now; ┊ is the warning, ◇ where the prediction lets it settle, ◆ where the readings head.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchmon.bench import Channel
from benchmon.quantities import is_temperature
from benchmon.screen.lines.channel_row import channel_status
from benchmon.screen.lines.numbers import usable
from benchmon.screen.lines.text import Cell, Line, fit, fit_name
from benchmon.screen.session_state import ChannelState, SessionState
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.text import coarse, countdown, with_minus


@dataclass(frozen=True, slots=True)
class TemperatureLimits:
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


@dataclass(frozen=True, slots=True)
class Course:
    """Where a temperature is heading: the final values expected and extrapolated, °C, and seconds to the limit."""

    expected: float | None = None
    final: float | None = None
    to_limit: float | None = None


def limits_of(channel: Channel, ambient: float) -> TemperatureLimits | None:
    """Return the upper limits of a temperature channel; None for another quantity, or where no limit is set."""
    if not is_temperature(channel.quantity):
        return None
    end = channel.trip_above if channel.trip_above is not None else channel.warn_above
    warning = channel.warn_above if channel.trip_above is not None else None
    return None if end is None else TemperatureLimits(ambient, warning, end)


def course_of(channel: ChannelState, state: SessionState) -> Course:
    """Return where the temperature of `channel` is heading, as far as that is known."""
    name = channel.channel.name
    forecast = state.outlooks.forecasts.get(name)
    settled = state.settled.quantities.get(channel.channel.quantity) if state.settled is not None else None
    return Course(
        None if settled is None or channel.is_hidden else usable(settled.value),
        None if forecast is None else usable(forecast.final),
        state.outlooks.seconds_to_limit(name),
    )


def draw_bar(
    value: float | None, limits: TemperatureLimits, width: int, symbols: SymbolSet, course: Course | None = None
) -> str:
    """Return the bar, exactly `width` columns; a value past the end fills it and breaks through with an arrow."""
    inner = width - 2
    if inner < 3:
        return " " * max(0, width)
    part = limits.part(value)
    cells = [symbols.bar_room] * inner
    filled = int(_between_ends(part) * inner)
    cells[:filled] = symbols.bar_full * filled
    ahead = course or Course()
    marks = (
        (limits.warning, symbols.bar_warning),
        (ahead.expected, symbols.bar_expected),
        (ahead.final, symbols.bar_final),
    )
    for at, sign in marks:
        mark = limits.part(at)
        if mark is not None:
            cells[min(inner - 1, int(_between_ends(mark) * inner))] = sign
    end = symbols.far_above if part is not None and part >= 1 else symbols.bar_end
    return symbols.bar_start + "".join(cells) + end


def _between_ends(part: float | None) -> float:
    return 0.0 if part is None else min(1.0, max(0.0, part))


def temperature_words(value: float | None, limits: TemperatureLimits) -> str:
    """Return the same in words: `62.3 of 105 °C`."""
    if value is not None and math.isinf(value):
        return with_minus(f"{'over' if value > 0 else 'under'} range ({limits.end:.4g} °C)")
    number = usable(value)
    live = "–" if number is None else f"{number:.1f}" if abs(number) < 1e5 else f"{number:.1e}"
    return with_minus(f"{live} of {limits.end:.4g} °C")


def course_words(course: Course) -> str:
    """Return where it leads, what is pressing first: `limit in 3:40`, or the extrapolated final value `→ 71 °C`."""
    if course.to_limit is not None:
        return f"limit in {countdown(coarse(course.to_limit))}"
    if course.final is not None and abs(course.final) < 1e4:
        return with_minus(f"→ {course.final:.0f} °C")
    return ""


_GAUGE, _SHORT_GAUGE = 56, 38
_APART = 2
_ROOMY = 70
_NAME = 12
_LONG_NAME = 16
_WORDS = 14
_COURSE = 13


def limited_channels(state: SessionState) -> list[tuple[ChannelState, TemperatureLimits]]:
    """Return the channels that have a bar, with their limits, in the order of the rows."""
    pairs = ((channel, limits_of(channel.channel, state.ambient)) for channel in state.channels)
    return [(channel, limits) for channel, limits in pairs if limits is not None]


def bar_lines_wanted(state: SessionState, width: int) -> tuple[int, int]:
    """Return the lines that the bars of all limited channels take at `width`: with room for words, and at least."""
    count = len(limited_channels(state))
    return math.ceil(count / _across(width, count, _GAUGE)), math.ceil(count / _across(width, count, _SHORT_GAUGE))


def draw_temperatures(state: SessionState, width: int, lines: int, symbols: SymbolSet) -> list[Line]:
    """Return `lines` lines of bars side by side. Where not all have room, those nearest to their limits stay."""
    channels = limited_channels(state)
    roomy = bar_lines_wanted(state, width)[0] <= lines
    across = _across(width, len(channels), _GAUGE if roomy else _SHORT_GAUGE)
    room = max(0, lines) * across
    if len(channels) > room:
        nearest = sorted(range(len(channels)), key=lambda index: -_urgency(*channels[index], state))[:room]
        channels = [channels[index] for index in sorted(nearest)]
    gauge = (width - 1 - _APART * (across - 1)) // across
    rows = [channels[start : start + across] for start in range(0, len(channels), across)]
    return [_side_by_side(row, gauge, state, symbols) for row in rows]


def _across(width: int, count: int, gauge: int) -> int:
    """Return how many bars stand side by side; a few of them take the whole width."""
    return max(1, min(count, (width + _APART) // (gauge + _APART)))


def _urgency(channel: ChannelState, limits: TemperatureLimits, state: SessionState) -> float:
    part = limits.part(channel.value)
    if part is None:
        return math.inf  # a limited channel that cannot be read belongs in sight
    return part + 10.0 * (state.outlooks.seconds_to_limit(channel.channel.name) is not None)


def _side_by_side(
    row: list[tuple[ChannelState, TemperatureLimits]], gauge: int, state: SessionState, symbols: SymbolSet
) -> Line:
    cells: list[Cell] = []
    for channel, limits in row:
        cells.append(Cell(" " * (_APART if cells else 1)))
        cells += _draw_gauge(channel, limits, gauge, state, symbols)
    return tuple(cells)


def _draw_gauge(
    channel: ChannelState, limits: TemperatureLimits, width: int, state: SessionState, symbols: SymbolSet
) -> list[Cell]:
    condition = channel_status(channel.shown, channel.channel, state.is_old(channel), symbols)
    course = Course() if state.old else course_of(channel, state)
    has_room = width >= _GAUGE - _APART
    words = temperature_words(channel.value, limits)
    if course.to_limit is not None and not has_room:
        words = f"{words.partition(' of ')[0]} {course_words(course).removesuffix(' min')}"
    words = symbols.plain(words)
    words = fit(words, max(_WORDS, len(words)), symbols, "right")
    ahead = fit(symbols.plain(course_words(course)), _COURSE, symbols) if has_room else ""
    name = max(0, min(_NAME if width < _ROOMY else _LONG_NAME, width - 2 - 1 - 6 - 1 - len(words) - len(ahead) - 1))
    bar = width - 2 - name - 1 - 1 - len(words) - (1 + len(ahead) if ahead else 0)
    return [
        Cell(f"{condition.sign} ", condition.role),
        Cell(fit_name(symbols.plain(channel.channel.name), name, symbols) + " "),
        Cell(draw_bar(channel.value, limits, bar, symbols, course) + " ", condition.role),
        Cell(words, StyleRole.STRONG),
        Cell(f" {ahead}" if ahead else "", StyleRole.BAD if course.to_limit is not None else StyleRole.PLAIN),
    ]
