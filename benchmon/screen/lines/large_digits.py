"""Large figures of a few channels: which ones, how they share the screen, and the digits drawn with block characters.

The digits, units and few words are our own, five by seven dots.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from benchmon.screen.lines.channel_row import ChannelStatus, channel_status
from benchmon.screen.lines.numbers import Scale, difference, expected_parts, live_number, scale_of, usable
from benchmon.screen.lines.text import Cell, Line, fit, fit_name
from benchmon.screen.session_state import ChannelState, SessionState
from benchmon.screen.styles import LEVEL_ROLES, StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.text import coarse, countdown
from benchmon.watch.wording import shown_unit

DOTS_HIGH = 7
LARGEST = 8
_BETWEEN = 1

_SHAPES = {
    "0": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "1": ("  #  ", " ##  ", "# #  ", "  #  ", "  #  ", "  #  ", "#####"),
    "2": (" ### ", "#   #", "    #", "  ## ", " #   ", "#    ", "#####"),
    "3": ("#### ", "    #", "    #", " ### ", "    #", "    #", "#### "),
    "4": ("#   #", "#   #", "#   #", "#####", "    #", "    #", "    #"),
    "5": ("#####", "#    ", "#    ", "#### ", "    #", "    #", "#### "),
    "6": (" ### ", "#    ", "#    ", "#### ", "#   #", "#   #", " ### "),
    "7": ("#####", "    #", "   # ", "   # ", "  #  ", "  #  ", "  #  "),
    "8": (" ### ", "#   #", "#   #", " ### ", "#   #", "#   #", " ### "),
    "9": (" ### ", "#   #", "#   #", " ####", "    #", "    #", " ### "),
    ".": ("  ", "  ", "  ", "  ", "  ", "##", "##"),
    "-": ("   ", "   ", "   ", "###", "   ", "   ", "   "),
    "+": ("     ", "  #  ", "  #  ", "#####", "  #  ", "  #  ", "     "),
    " ": (" ",) * 7,
    "V": ("#   #", "#   #", "#   #", " # # ", " # # ", "  #  ", "  #  "),
    "A": ("  #  ", " # # ", "#   #", "#   #", "#####", "#   #", "#   #"),
    "W": ("#   #", "#   #", "#   #", "# # #", "# # #", "## ##", "#   #"),
    "C": (" ####", "#    ", "#    ", "#    ", "#    ", "#    ", " ####"),
    "H": ("#   #", "#   #", "#   #", "#####", "#   #", "#   #", "#   #"),
    "M": ("#   #", "## ##", "# # #", "# # #", "#   #", "#   #", "#   #"),
    "G": (" ####", "#    ", "#    ", "#  ##", "#   #", "#   #", " ####"),
    "z": ("     ", "     ", "#####", "   # ", "  #  ", " #   ", "#####"),
    "m": ("     ", "     ", "## # ", "# # #", "# # #", "# # #", "# # #"),
    "k": ("#   ", "#   ", "#  #", "# # ", "##  ", "# # ", "#  #"),
    "µ": ("    ", "    ", "#  #", "#  #", "#  #", "####", "#   "),
    "n": ("    ", "    ", "### ", "#  #", "#  #", "#  #", "#  #"),
    "p": ("    ", "    ", "### ", "#  #", "### ", "#   ", "#   "),
    "°": ("##", "##", "  ", "  ", "  ", "  ", "  "),
    "o": ("    ", "    ", " ## ", "#  #", "#  #", "#  #", " ## "),
    "v": ("     ", "     ", "#   #", "#   #", " # # ", " # # ", "  #  "),
    "e": ("    ", "    ", " ## ", "#  #", "####", "#   ", " ###"),
    "r": ("   ", "   ", "# #", "## ", "#  ", "#  ", "#  "),
    "u": ("    ", "    ", "#  #", "#  #", "#  #", "#  #", " ###"),
    "d": ("   #", "   #", " ###", "#  #", "#  #", "#  #", " ###"),
    "h": ("#   ", "#   ", "### ", "#  #", "#  #", "#  #", "#  #"),
    "B": ("#### ", "#   #", "#   #", "#### ", "#   #", "#   #", "#### "),
    "D": ("#### ", "#   #", "#   #", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "#    ", "###  ", "#    ", "#    ", "#####"),
    "I": ("###", " # ", " # ", " # ", " # ", " # ", "###"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#    ", "#    ", "#####"),
    "N": ("#   #", "##  #", "# # #", "# # #", "#  ##", "#   #", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#   #", "#### ", "#    ", "#    ", "#    "),
    "R": ("#### ", "#   #", "#   #", "#### ", "# #  ", "#  # ", "#   #"),
    "S": (" ####", "#    ", "#    ", " ### ", "    #", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#   #", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "X": ("#   #", "#   #", " # # ", "  #  ", " # # ", "#   #", "#   #"),
    ":": ("  ", "##", "##", "  ", "##", "##", "  "),
    "g": ("    ", "    ", " ###", "#  #", " ###", "   #", "### "),
}
_SAME = {"–": "-", "−": "-", "μ": "µ"}
_UNKNOWN = ("####", "#  #", "#  #", "#  #", "#  #", "#  #", "####")


@dataclass(frozen=True, slots=True)
class BlockCharacters:
    """The characters that fill a cell, its upper half and its lower half; halves are "" where there are none."""

    full: str
    upper: str = ""
    lower: str = ""


HALVES = BlockCharacters("█", "▀", "▄")
WHOLE = BlockCharacters("#")


def dots_wide(text: str) -> int:
    """Return how many dots `text` is wide."""
    return sum(len(_shape(char)[0]) + _BETWEEN for char in text)


def lines_high(scale: int, blocks: BlockCharacters) -> int:
    """Return how many lines a figure takes. A dot is `scale` columns wide and half as many lines high."""
    return -(-DOTS_HIGH * scale // 2) if blocks.upper else DOTS_HIGH * max(1, scale // 2)


@lru_cache(maxsize=200)
def draw_glyph(char: str, scale: int, blocks: BlockCharacters) -> tuple[str, ...]:
    """Return the lines of one character, with the gap behind it."""
    shape = _shape(char)
    lines = []
    for line in range(lines_high(scale, blocks)):
        upper, lower = _dots_of(line, scale, blocks)
        dots = zip(_row(shape, upper), _row(shape, lower), strict=True)
        lines.append("".join(_cell(*pair, blocks) * scale for pair in dots) + " " * (scale * _BETWEEN))
    return tuple(lines)


def _dots_of(line: int, scale: int, blocks: BlockCharacters) -> tuple[int, int]:
    """Return the rows of dots that the upper and the lower half of a line show."""
    if blocks.upper:
        return 2 * line // scale, (2 * line + 1) // scale
    row = line // max(1, scale // 2)
    return row, row


def _row(shape: tuple[str, ...], row: int) -> str:
    return shape[row] if row < len(shape) else " " * len(shape[0])


def _cell(upper: str, lower: str, blocks: BlockCharacters) -> str:
    if upper == lower:
        return blocks.full if upper == "#" else " "
    return blocks.upper if upper == "#" else blocks.lower


def _shape(char: str) -> tuple[str, ...]:
    return _SHAPES.get(_SAME.get(char, char), _UNKNOWN)


_ROOM_FOR_ONE_LINE = 60
_MARGIN = 3
_STEADY = "88.88"
_WORTHY = (
    "output.voltage.mean",
    "output.voltage.rms",
    "output_2.voltage.mean",
    "output_2.voltage.rms",
    "diode.temperature.case",
    "mains.voltage.rms",
    "mains.current.rms",
    "output.current.mean",
    "output.current.rms",
    "transformer.temperature",
    "mains.power.active",
)
_LEGIBLE = 2
_MOST_LEVEL_PART = 5
_LONGEST_COUNTDOWN = 3600.0
_READABLE = {StyleRole.DANGER: StyleRole.BAD, StyleRole.ALERT: StyleRole.DOUBT}
"""A large glyph in reversed colours could not be read."""


@dataclass(frozen=True, slots=True)
class DigitLayout:
    """How figures share a screen: columns and rows of tiles, their size, and the scale of the glyphs; 0: plain text."""

    across: int
    width: int
    height: int
    scale: int


def chosen_channels(state: SessionState, width: int, height: int, symbols: SymbolSet) -> list[ChannelState]:
    """Return the channels to show large: those marked; else what matters most, as many as stay legible from afar."""
    marked = [channel for channel in state.channels if channel.channel.name in state.marked]
    if marked:
        return marked
    worth = {quantity: place for place, quantity in enumerate(_WORTHY)}
    ranked = sorted(state.channels, key=lambda channel: worth.get(channel.channel.quantity, len(worth)))
    for count in range(min(4, len(ranked)), 1, -1):
        if plan_layout(ranked[:count], width, height, symbols).scale >= _LEGIBLE:
            return ranked[:count]
    return ranked[:1]


def plan_layout(channels: list[ChannelState], width: int, height: int, symbols: SymbolSet) -> DigitLayout:
    """Return the layout with the largest glyphs; of equals, the one with the fewest columns."""
    dots = max((dots_wide(f"{_STEADY} {_scale(channel).unit}") for channel in channels), default=1)
    dots = max([dots, *(dots_wide(_figure(channel)) for channel in channels)])
    best = DigitLayout(1, width, max(1, height // max(1, len(channels))), 0)
    for across in range(1, max(1, len(channels)) + 1):
        down = -(-len(channels) // across)
        wide, high = width // across, height // max(1, down)
        scale = min(LARGEST, (wide - _MARGIN) // dots, _tallest(high - _text_lines(wide), _blocks(symbols)))
        if scale > best.scale or (scale == best.scale == 0 and across == 1):
            best = DigitLayout(across, wide, high, max(0, scale))
    return best


def _text_lines(width: int) -> int:
    """Return the lines beside the figure of a tile: name and expected value in one where there is room."""
    return 1 if width >= _ROOM_FOR_ONE_LINE else 2


def _tallest(lines: int, blocks: BlockCharacters) -> int:
    fitting = [scale for scale in range(1, LARGEST + 1) if lines_high(scale, blocks) <= lines]
    return max(fitting, default=0)


def draw_large_digits(state: SessionState, width: int, height: int, symbols: SymbolSet) -> list[Line]:
    """Return `height` lines: how the bench stands in one large word, and below it the large figures."""
    lines = _draw_level(state, width, height, symbols)
    height -= len(lines)
    channels = chosen_channels(state, width, height, symbols)
    layout = plan_layout(channels, width, height, symbols)
    for start in range(0, len(channels), layout.across):
        tiles = [_draw_tile(channel, state, layout, symbols) for channel in channels[start : start + layout.across]]
        lines += [tuple(cell for line in row for cell in line) for row in zip(*tiles, strict=True)]
    return lines


def _draw_level(state: SessionState, width: int, height: int, symbols: SymbolSet) -> list[Line]:
    """Return the level of the glance in large letters, with the time to the limit where one will be passed."""
    word = str(state.status_line.level).upper()
    left = [state.outlooks.seconds_to_limit(channel.channel.name) for channel in state.channels]
    soonest = min((each for each in left if each is not None), default=None)
    if soonest is not None and soonest < _LONGEST_COUNTDOWN:
        word = f"{word} {countdown(coarse(soonest))}"
    blocks = _blocks(symbols)
    scales = [scale for scale in (2, 1) if _MARGIN + scale * dots_wide(word) <= width]
    scales = [scale for scale in scales if lines_high(scale, blocks) <= height // _MOST_LEVEL_PART]
    if not scales:
        return []
    role = LEVEL_ROLES.get(state.status_line.level, StyleRole.STRONG)
    return _glyph_lines(word, scales[0], width, symbols, _READABLE.get(role, role))


def _draw_tile(channel: ChannelState, state: SessionState, layout: DigitLayout, symbols: SymbolSet) -> list[Line]:
    condition = channel_status(channel.shown, channel.channel, state.is_old(channel), symbols)
    beside = _beside(channel, symbols)
    one_line = _text_lines(layout.width) == 1
    lines = [_title(channel, condition, layout.width, beside if one_line else "", symbols)]
    if layout.scale:
        role = StyleRole.BAD if condition.role in (StyleRole.BAD, StyleRole.DANGER) else StyleRole.STRONG
        lines += _glyph_lines(_figure(channel), layout.scale, layout.width, symbols, role)
    else:
        figure = symbols.plain(_figure(channel))
        lines.append((Cell(fit(f"   {figure}", layout.width, symbols), StyleRole.STRONG),))
    if not one_line:
        lines.append((Cell(fit(" " * _MARGIN + beside, layout.width, symbols), condition.verdict_role),))
    blank: Line = (Cell(" " * layout.width),)
    return [*lines, *[blank] * (layout.height - len(lines))][: layout.height]


def _title(channel: ChannelState, condition: ChannelStatus, width: int, aside: str, symbols: SymbolSet) -> Line:
    words = symbols.plain(condition.words)
    name = symbols.plain(channel.channel.name)
    room = max(0, width - _MARGIN - len(aside) - 1)
    name = fit_name(name, min(len(name), max(8, room - len(words) - 2)), symbols)
    rest = fit(f"  {words}", max(0, room - len(name)), symbols)
    return (
        Cell(f" {condition.sign} ", condition.role),
        Cell(name, StyleRole.STRONG),
        Cell(rest, condition.role),
        Cell(f"{aside} ", condition.verdict_role),
    )


def _glyph_lines(figure: str, scale: int, width: int, symbols: SymbolSet, role: StyleRole) -> list[Line]:
    """Return `figure` in large glyphs, a cell for each, so that only a digit that changes is sent."""
    blocks = _blocks(symbols)
    glyphs = [draw_glyph(char, scale, blocks) for char in figure]
    used = _MARGIN + scale * dots_wide(figure)
    lines: list[Line] = []
    for row in range(lines_high(scale, blocks)):
        cells = [Cell(" " * _MARGIN), *(Cell(glyph[row], role) for glyph in glyphs)]
        lines.append((*cells, Cell(" " * max(0, width - used))))
    return lines


def _beside(channel: ChannelState, symbols: SymbolSet) -> str:
    judgement, scale = channel.judgement, _scale(channel)
    if judgement is None:
        return ""
    value, around = expected_parts(judgement.expected, judgement.expected_uncertainty, scale)
    unit = "" if scale.of_expected else scale.unit
    expected = f"expected {value}{f' ± {around}' if around else ''} {unit}".rstrip() if value else ""
    away = difference(judgement.value, judgement.expected, channel.channel.unit, scale)
    return symbols.plain("   ".join(part for part in (expected, away) if part))


def _figure(channel: ChannelState) -> str:
    scale = _scale(channel)
    number = live_number(channel.value, scale)
    return f"{number} {scale.unit}".rstrip() if usable(channel.value) is not None else number


def _scale(channel: ChannelState) -> Scale:
    expected = None if channel.judgement is None else channel.judgement.expected
    return scale_of(shown_unit(channel.channel.quantity, channel.channel.unit), channel.value, expected)


def _blocks(symbols: SymbolSet) -> BlockCharacters:
    return WHOLE if symbols.ascii_only else HALVES
