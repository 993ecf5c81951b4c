"""A channel as one line of cells: the row of the channel table."""

from __future__ import annotations

from functools import lru_cache

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.band import draw_band, place_in_band
from benchmon.screen.cells import Cell, Line, fit, fit_name
from benchmon.screen.columns import GAP, Blocks, Columns
from benchmon.screen.condition import Condition, condition_of
from benchmon.screen.numbers import (
    EXPECTED_WIDTH,
    NUMBER_WIDTH,
    UNCERTAINTY_WIDTH,
    Scale,
    difference,
    expected_parts,
    live_number,
    scale_of,
    usable,
)
from benchmon.screen.picture import ChannelPicture, Picture
from benchmon.screen.remarks import Remark
from benchmon.screen.tones import Tone


def draw_row(
    channel: ChannelPicture, picture: Picture, columns: Columns, alphabet: Alphabet, *, mark: str, chosen: bool
) -> Blocks:
    """Return the row of `channel`. `mark` is the sign before it: the cursor, or the bracket of its group."""
    condition = condition_of(channel.judgement, channel.channel, picture.old, alphabet)
    judgement = channel.judgement
    scale = scale_of(channel.channel.unit, channel.value, None if judgement is None else judgement.expected)
    name, is_marked = channel.channel.name, channel.channel.name in picture.marked
    expected: Line = ()
    if columns.expected and judgement is not None:
        expected = _expected(judgement.expected, judgement.expected_uncertainty, scale, alphabet)
    return Blocks(
        (
            Cell(mark),
            Cell(f"{condition.sign} ", condition.tone),
            _name(name, is_marked, chosen, columns.name, alphabet),
        ),
        (Cell(_live(channel.value, scale, columns, alphabet), Tone.STRONG),),
        expected,
        _comparison(channel, scale, columns, alphabet, condition.verdict_tone),
        _end(channel, picture.now, columns, alphabet, condition),
    )


def _live(value: float | None, scale: Scale, columns: Columns, alphabet: Alphabet) -> str:
    number = fit(alphabet.plain(live_number(value, scale)), NUMBER_WIDTH, alphabet, "right")
    unit = "" if usable(value) is None else alphabet.plain(scale.unit)
    return number + " " + fit(unit, columns.unit, alphabet) + " " * GAP


@lru_cache(maxsize=512)
def _name(name: str, is_marked: bool, chosen: bool, width: int, alphabet: Alphabet) -> Cell:
    shown = fit_name(alphabet.plain(name), width, alphabet) + (alphabet.marked if is_marked else " " * GAP)
    return Cell(shown, Tone.CHOSEN if chosen else Tone.PLAIN)


@lru_cache(maxsize=512)
def _expected(expected: float | None, uncertainty: float | None, scale: Scale, alphabet: Alphabet) -> Line:
    value, around = expected_parts(expected, uncertainty, scale)
    between = ("+/-" if alphabet.ascii_only else " ± ") if around else "   "
    text = fit(value, EXPECTED_WIDTH, alphabet, "right") + between + fit(around, UNCERTAINTY_WIDTH, alphabet)
    return (Cell(text + " " * GAP),)


def _comparison(channel: ChannelPicture, scale: Scale, columns: Columns, alphabet: Alphabet, tone: Tone) -> Line:
    judgement = channel.judgement
    if judgement is None:
        return ()
    cells = []
    if columns.difference:
        text = difference(judgement.value, judgement.expected, channel.channel.unit, scale)
        cells.append(Cell(fit(text, columns.difference, alphabet, "right") + " " * GAP, tone))
    if columns.band:
        cells.append(Cell(draw_band(place_in_band(judgement), columns.band, alphabet) + " " * GAP, tone))
    return tuple(cells)


def _end(channel: ChannelPicture, now: float, columns: Columns, alphabet: Alphabet, condition: Condition) -> Line:
    """Return trend and status; words that need more than their column take the room of the trend."""
    words = condition.words
    if not columns.trend or len(words) > columns.status:
        room = columns.status + (columns.trend + GAP if columns.trend else 0)
        return (Cell(fit(condition.words_within(room), room, alphabet), condition.tone),)
    trend = channel.trend.draw(now, columns.trend, alphabet)
    return Cell(trend + " " * GAP), Cell(fit(words, columns.status, alphabet), condition.tone)


def draw_remark(remark: Remark, width: int, alphabet: Alphabet, *, mark: str) -> Line:
    """Return a line under a row."""
    lead = f"  {alphabet.remark} " if remark.leads else "    "
    return (Cell(fit(mark + lead + remark.text, width, alphabet), remark.tone),)
