"""The large figures of a few channels: which are chosen, how they share the room, and how each is drawn."""

from __future__ import annotations

from dataclasses import dataclass

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Cell, Line, fit, fit_name
from benchmon.screen.condition import Condition, condition_of
from benchmon.screen.glyphs import HALVES, LARGEST, WHOLE, Blocks, dots_wide, draw_glyph, lines_high
from benchmon.screen.numbers import Scale, difference, expected_parts, live_number, scale_of, usable
from benchmon.screen.picture import ChannelPicture, Picture
from benchmon.screen.tones import LEVEL_TONES, Tone
from benchmon.text import coarse, countdown

_ROOM_FOR_ONE_LINE = 60
_MARGIN = 3
_STEADY = "88.88"
_WORTHY = (
    "output.voltage.mean",
    "output.voltage.rms",
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
_READABLE = {Tone.DANGER: Tone.BAD, Tone.ALERT: Tone.DOUBT}
"""A large glyph in reversed colours could not be read."""


@dataclass(frozen=True, slots=True)
class Layout:
    """How figures share a screen: columns and rows of tiles, their size, and the scale of the glyphs; 0: plain text."""

    across: int
    width: int
    height: int
    scale: int


def chosen_channels(picture: Picture, width: int, height: int, alphabet: Alphabet) -> list[ChannelPicture]:
    """Return the channels to show large: those marked; else what matters most, as many as stay legible from afar."""
    marked = [channel for channel in picture.channels if channel.channel.name in picture.marked]
    if marked:
        return marked
    worth = {quantity: place for place, quantity in enumerate(_WORTHY)}
    ranked = sorted(picture.channels, key=lambda channel: worth.get(channel.channel.quantity, len(worth)))
    for count in range(min(4, len(ranked)), 1, -1):
        if plan_layout(ranked[:count], width, height, alphabet).scale >= _LEGIBLE:
            return ranked[:count]
    return ranked[:1]


def plan_layout(channels: list[ChannelPicture], width: int, height: int, alphabet: Alphabet) -> Layout:
    """Return the layout with the largest glyphs; of equals, the one with the fewest columns."""
    dots = max((dots_wide(f"{_STEADY} {_scale(channel).unit}") for channel in channels), default=1)
    dots = max([dots, *(dots_wide(_figure(channel)) for channel in channels)])
    best = Layout(1, width, max(1, height // max(1, len(channels))), 0)
    for across in range(1, max(1, len(channels)) + 1):
        down = -(-len(channels) // across)
        wide, high = width // across, height // max(1, down)
        scale = min(LARGEST, (wide - _MARGIN) // dots, _tallest(high - _text_lines(wide), _blocks(alphabet)))
        if scale > best.scale or (scale == best.scale == 0 and across == 1):
            best = Layout(across, wide, high, max(0, scale))
    return best


def _text_lines(width: int) -> int:
    """Return the lines beside the figure of a tile: name and expected value in one where there is room."""
    return 1 if width >= _ROOM_FOR_ONE_LINE else 2


def _tallest(lines: int, blocks: Blocks) -> int:
    fitting = [scale for scale in range(1, LARGEST + 1) if lines_high(scale, blocks) <= lines]
    return max(fitting, default=0)


def draw_figures(picture: Picture, width: int, height: int, alphabet: Alphabet) -> list[Line]:
    """Return `height` lines: how the bench stands in one large word, and below it the large figures."""
    lines = _draw_level(picture, width, height, alphabet)
    height -= len(lines)
    channels = chosen_channels(picture, width, height, alphabet)
    layout = plan_layout(channels, width, height, alphabet)
    for start in range(0, len(channels), layout.across):
        tiles = [_draw_tile(channel, picture, layout, alphabet) for channel in channels[start : start + layout.across]]
        lines += [tuple(cell for line in row for cell in line) for row in zip(*tiles, strict=True)]
    return lines


def _draw_level(picture: Picture, width: int, height: int, alphabet: Alphabet) -> list[Line]:
    """Return the level of the glance in large letters, with the time to the limit where one will be passed."""
    word = str(picture.glance.level).upper()
    left = [picture.ahead.seconds_to_limit(channel.channel.name) for channel in picture.channels]
    soonest = min((each for each in left if each is not None), default=None)
    if soonest is not None and soonest < _LONGEST_COUNTDOWN:
        word = f"{word} {countdown(coarse(soonest))}"
    blocks = _blocks(alphabet)
    scales = [scale for scale in (2, 1) if _MARGIN + scale * dots_wide(word) <= width]
    scales = [scale for scale in scales if lines_high(scale, blocks) <= height // _MOST_LEVEL_PART]
    if not scales:
        return []
    tone = LEVEL_TONES.get(picture.glance.level, Tone.STRONG)
    return _glyph_lines(word, scales[0], width, alphabet, _READABLE.get(tone, tone))


def _draw_tile(channel: ChannelPicture, picture: Picture, layout: Layout, alphabet: Alphabet) -> list[Line]:
    condition = condition_of(channel.judgement, channel.channel, picture.old, alphabet)
    beside = _beside(channel, alphabet)
    one_line = _text_lines(layout.width) == 1
    lines = [_title(channel, condition, layout.width, beside if one_line else "", alphabet)]
    if layout.scale:
        tone = Tone.BAD if condition.tone in (Tone.BAD, Tone.DANGER) else Tone.STRONG
        lines += _glyph_lines(_figure(channel), layout.scale, layout.width, alphabet, tone)
    else:
        figure = alphabet.plain(_figure(channel))
        lines.append((Cell(fit(f"   {figure}", layout.width, alphabet), Tone.STRONG),))
    if not one_line:
        lines.append((Cell(fit(" " * _MARGIN + beside, layout.width, alphabet), condition.verdict_tone),))
    blank: Line = (Cell(" " * layout.width),)
    return [*lines, *[blank] * (layout.height - len(lines))][: layout.height]


def _title(channel: ChannelPicture, condition: Condition, width: int, aside: str, alphabet: Alphabet) -> Line:
    words = alphabet.plain(condition.words)
    name = alphabet.plain(channel.channel.name)
    room = max(0, width - _MARGIN - len(aside) - 1)
    name = fit_name(name, min(len(name), max(8, room - len(words) - 2)), alphabet)
    rest = fit(f"  {words}", max(0, room - len(name)), alphabet)
    return (
        Cell(f" {condition.sign} ", condition.tone),
        Cell(name, Tone.STRONG),
        Cell(rest, condition.tone),
        Cell(f"{aside} ", condition.verdict_tone),
    )


def _glyph_lines(figure: str, scale: int, width: int, alphabet: Alphabet, tone: Tone) -> list[Line]:
    """Return `figure` in large glyphs, a cell for each, so that only a digit that changes is sent."""
    blocks = _blocks(alphabet)
    glyphs = [draw_glyph(char, scale, blocks) for char in figure]
    used = _MARGIN + scale * dots_wide(figure)
    lines: list[Line] = []
    for row in range(lines_high(scale, blocks)):
        cells = [Cell(" " * _MARGIN), *(Cell(glyph[row], tone) for glyph in glyphs)]
        lines.append((*cells, Cell(" " * max(0, width - used))))
    return lines


def _beside(channel: ChannelPicture, alphabet: Alphabet) -> str:
    judgement, scale = channel.judgement, _scale(channel)
    if judgement is None:
        return ""
    value, around = expected_parts(judgement.expected, judgement.expected_uncertainty, scale)
    expected = f"expected {value}{f' ± {around}' if around else ''} {scale.unit}".rstrip() if value else ""
    away = difference(judgement.value, judgement.expected, channel.channel.unit, scale)
    return alphabet.plain("   ".join(part for part in (expected, away) if part))


def _figure(channel: ChannelPicture) -> str:
    scale = _scale(channel)
    number = live_number(channel.value, scale)
    return f"{number} {scale.unit}".rstrip() if usable(channel.value) is not None else number


def _scale(channel: ChannelPicture) -> Scale:
    expected = None if channel.judgement is None else channel.judgement.expected
    return scale_of(channel.channel.unit, channel.value, expected)


def _blocks(alphabet: Alphabet) -> Blocks:
    return WHOLE if alphabet.ascii_only else HALVES
