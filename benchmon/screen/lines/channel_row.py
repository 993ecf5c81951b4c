"""A channel as one line of cells: the row of the channel table.

The columns share the width of the screen in blocks side by side; a block without content is blank. The band shows in
a few characters where a live value stands in its expected band:

├──●┼───┤      inside: the prediction's and the meter's uncertainty together cover the difference
  ├───┼───┤●   a little above
  ├───┼───┤  ▶ far above, off the scale

The status of a channel is a sign, words, and a style role.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Literal, NamedTuple

from benchmon.bench import Channel
from benchmon.screen.guessing import GUESS_FIRST
from benchmon.screen.lines.numbers import (
    EXPECTED_WIDTH,
    NUMBER_WIDTH,
    STATISTIC_WIDTH,
    UNCERTAINTY_WIDTH,
    Scale,
    difference,
    expected_parts,
    live_number,
    scale_of,
    statistic_of,
    usable,
)
from benchmon.screen.lines.row_annotations import Annotation
from benchmon.screen.lines.text import Cell, Line, fit, fit_name
from benchmon.screen.session_state import ChannelState, SessionState
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.watch.records import Flag, Judgement, Verdict
from benchmon.watch.wording import shown_unit, warned

LEAD = 3
GAP = 1
EXPECTED = EXPECTED_WIDTH + 3 + UNCERTAINTY_WIDTH
DIFFERENCE = 7
_LEAST_NAME, _NAME, _STATUS, _BAND, _TREND = 4, 12, 12, 9, 5
_IN_ORDER = (
    ("expected", EXPECTED),
    ("band", _BAND),
    ("difference", DIFFERENCE),
    ("statistic", STATISTIC_WIDTH),
    ("trend", _TREND),
)
_GROWTH = (("name", 16), ("status", 14), ("trend", 9), ("status", 21), ("band", 17), ("name", 40), ("trend", 24))


class RowBlocks(NamedTuple):
    """One line of a channel row, in blocks."""

    name: Line
    live: Line
    expected: Line
    comparison: Line
    end: Line


@dataclass(frozen=True, slots=True)
class Columns:
    """Widths of the columns, without the gaps between them; 0 where a column is left out.

    `unit` is part of `live`, and so is `statistic` (mean, rms, …) with a gap before it.
    """

    name: int
    live: int
    expected: int
    difference: int
    band: int
    trend: int
    status: int
    unit: int
    statistic: int = 0

    @property
    def total(self) -> int:
        """Return the width of a whole row."""
        return sum(self.block_widths)

    @property
    def block_widths(self) -> tuple[int, int, int, int, int]:
        """Return the widths of name, live value, expected value, comparison (difference and band) and end."""
        comparison = sum(width + GAP for width in (self.difference, self.band) if width)
        end = self.status + (self.trend + GAP if self.trend else 0)
        return (
            LEAD + self.name + GAP,
            self.live + GAP + (self.statistic + GAP if self.statistic else 0),
            self.expected + GAP if self.expected else 0,
            comparison,
            end,
        )


def joined(blocks: RowBlocks, columns: Columns) -> Line:
    """Return the blocks side by side as one line."""
    line: list[Cell] = []
    for number, block in enumerate(blocks):
        line += block or (Cell(" " * columns.block_widths[number]),)
    return tuple(line)


@lru_cache(maxsize=64)
def plan_columns(width: int, longest_name: int, unit: int) -> Columns:
    """Return the columns for a row of `width`.

    Where it is narrow the trend goes first, then rms or mean, the difference, the band, the expected value;
    name, live value and status stay. Room to spare goes to what is worth most: the name, then the words, then the
    pictures.
    """
    live = NUMBER_WIDTH + 1 + unit
    name = max(_LEAST_NAME, min(longest_name, _NAME, width - LEAD - live - _STATUS - 2 * GAP))
    columns = Columns(name, live, 0, 0, 0, 0, _STATUS, unit)
    for part, wanted in _IN_ORDER:
        wider = replace(columns, **{part: wanted})
        if wider.total > width:
            break
        columns = wider
    for part, most in _GROWTH:
        columns = _widen(columns, part, min(most, longest_name) if part == "name" else most, width)
    return columns


def _widen(columns: Columns, part: str, most: int, width: int) -> Columns:
    now = getattr(columns, part)
    wanted = min(most, now + width - columns.total)
    if part == "band" and wanted % 2 == 0:
        wanted -= 1
    return replace(columns, **{part: wanted}) if 0 < now < wanted else columns


@lru_cache(maxsize=64)
def column_titles(columns: Columns, symbols: SymbolSet) -> RowBlocks:
    """Return the line above the rows that names the columns."""

    def title(text: str, width: int, align: Literal["left", "right"] = "left") -> Line:
        return (Cell(fit(text, width, symbols, align) + " " * GAP, StyleRole.QUIET),) if width else ()

    return RowBlocks(
        title(" " * LEAD + "channel", LEAD + columns.name),
        title("live" + " " * (columns.unit + 1), columns.live, "right") + title("", columns.statistic),
        title("  expected", columns.expected),
        title("diff.", columns.difference, "right") + title(" band", columns.band),
        title("trend", columns.trend) + title("verdict", columns.status),
    )


QUESTIONABLE = 1.5
"""The |En| up to which a difference is questionable; the design's words, ISO 13528's number."""


def place_in_band(judgement: Judgement) -> float | None:
    """Return the difference in units of the band's half width: −1 and +1 are its ends, so it is En with its sign.

    None where there is no finite value, no expected value, or no uncertainty to make a band of.
    """
    value, expected = judgement.value, usable(judgement.expected)
    if value is None or math.isnan(value) or expected is None:
        return None
    if math.isinf(value):
        return value
    if judgement.en is not None and not math.isnan(judgement.en):
        return math.copysign(judgement.en, value - expected)
    half = math.hypot(usable(judgement.uncertainty) or 0.0, usable(judgement.expected_uncertainty) or 0.0)
    return (value - expected) / half if half > 0 else None


def draw_band(place: float | None, width: int, symbols: SymbolSet) -> str:
    """Return the band with `place` marked (see `place_in_band`), exactly `width` columns; blank where nothing is known.

    The marker is between or on the drawn ends where |place| ≤ 1, beside them up to 1.5 (questionable), and an arrow at
    the edge beyond that (disagrees).
    """
    if width < 7 or place is None or math.isnan(place):
        return " " * max(0, width)
    middle = (width - 1) // 2
    half = middle - max(1, width // 8)
    cells = [" "] * width
    cells[middle - half : middle + half + 1] = symbols.band_rail * (2 * half + 1)
    cells[middle - half], cells[middle], cells[middle + half] = (
        symbols.band_start,
        symbols.band_middle,
        symbols.band_end,
    )
    side = 1 if place > 0 else -1
    if abs(place) <= 1:
        cells[middle + side * round(abs(place) * half)] = symbols.marker
    elif abs(place) <= QUESTIONABLE:
        cells[middle + side * (half + 1)] = symbols.marker
    else:
        cells[middle + side * middle] = symbols.far_above if place > 0 else symbols.far_below
    return "".join(cells)


_FLAGS_BY_WEIGHT = (Flag.TRIPPED, Flag.HOT, Flag.DRIFTING, Flag.IMPLAUSIBLE, Flag.OVERRANGE, Flag.STALE)
_ROLES = {
    Verdict.AGREES: StyleRole.GOOD,
    Verdict.QUESTIONABLE: StyleRole.DOUBT,
    Verdict.DISAGREES: StyleRole.BAD,
    Verdict.UNPREDICTED: StyleRole.QUIET,
}


@dataclass(frozen=True, slots=True)
class ChannelStatus:
    """How a channel stands. `verdict_role` colours what shows the difference, `role` the sign and the words.

    `sign` is of what weighs most, `verdict_sign` of the verdict alone, "" where there is none.
    """

    sign: str
    verdict: str
    flags: tuple[str, ...]
    role: StyleRole
    verdict_role: StyleRole
    verdict_sign: str = ""

    @property
    def words(self) -> str:
        """Return the verdict and the flags, the heaviest first."""
        return " ".join(word for word in (self.verdict, *self.flags) if word)

    def words_within(self, room: int) -> str:
        """Return the same in `room` columns, in whole words: the heaviest flags, how many more, the verdict's sign."""
        if len(self.words) <= room:
            return self.words
        count = len(self.flags)
        for verdict in (self.verdict_sign, ""):
            for shown in range(count, 0, -1):
                more = f"+{count - shown}" if shown < count else ""
                text = " ".join(word for word in (*self.flags[:shown], more, verdict) if word)
                if len(text) <= room:
                    return text
        return " ".join(word for word in (*self.flags, self.verdict) if word)


def channel_status(judgement: Judgement | None, channel: Channel, old: bool, symbols: SymbolSet) -> ChannelStatus:
    """Return how `channel` stands after `judgement`; `old` if the value is out of date.

    Without a value there is no verdict. A tripped channel is not called hot as well.
    """
    if judgement is None:
        return ChannelStatus(symbols.old, "never read" if old else "waiting", (), StyleRole.QUIET, StyleRole.QUIET)
    flags, value = judgement.flags, judgement.value
    past_warning = warned(channel, value) if Flag.HOT in flags else ""
    return _status(judgement.verdict, flags, value is not None, past_warning, old, symbols)


@lru_cache(maxsize=512)
def _status(  # noqa: PLR0917 - a key of the cache
    verdict: Verdict, found: frozenset[Flag], has_value: bool, past_warning: str, old: bool, symbols: SymbolSet
) -> ChannelStatus:
    """Return how a channel stands with this verdict and the flags `found`; most rows stand as others do."""
    flags = [flag for flag in _FLAGS_BY_WEIGHT if flag in found]
    if Flag.TRIPPED in flags and Flag.HOT in flags:
        flags.remove(Flag.HOT)
    words = _verdict(verdict, flags, has_value, old)
    verdict_sign = symbols.old if old else _verdict_sign(verdict, symbols) if words else ""
    return ChannelStatus(
        _sign(verdict, flags, has_value, old, symbols),
        words,
        tuple(past_warning if flag is Flag.HOT else str(flag) for flag in flags),
        _role(verdict, flags, has_value, old),
        StyleRole.QUIET if old else _ROLES[verdict],
        verdict_sign,
    )


def _verdict(verdict: Verdict, flags: list[Flag], has_value: bool, old: bool) -> str:
    if old:
        return "old"
    if not has_value:
        return "" if flags else "no reading"
    if Flag.OVERRANGE in flags and verdict is Verdict.UNPREDICTED:
        return ""
    return str(verdict)


def _sign(verdict: Verdict, flags: list[Flag], has_value: bool, old: bool, symbols: SymbolSet) -> str:
    if Flag.TRIPPED in flags:
        return symbols.tripped
    if old or not has_value:
        return symbols.old
    if verdict is Verdict.DISAGREES:
        return symbols.disagrees
    if flags:
        return symbols.warning
    return _verdict_sign(verdict, symbols)


def _verdict_sign(verdict: Verdict, symbols: SymbolSet) -> str:
    return {
        Verdict.AGREES: symbols.agrees,
        Verdict.QUESTIONABLE: symbols.questionable,
        Verdict.DISAGREES: symbols.disagrees,
    }.get(verdict, symbols.unpredicted)


def _role(verdict: Verdict, flags: list[Flag], has_value: bool, old: bool) -> StyleRole:
    if Flag.TRIPPED in flags:
        return StyleRole.DANGER
    if old:
        return StyleRole.QUIET
    if Flag.HOT in flags or verdict is Verdict.DISAGREES:
        return StyleRole.BAD
    return StyleRole.DOUBT if flags or not has_value else _ROLES[verdict]


def draw_row(
    channel: ChannelState, state: SessionState, columns: Columns, symbols: SymbolSet, *, mark: str, chosen: bool
) -> RowBlocks:
    """Return the row of `channel`. `mark` is the sign before it: the cursor, or the bracket of its group."""
    is_old = state.is_old(channel)
    condition = channel_status(channel.shown, channel.channel, is_old, symbols)
    judgement = channel.judgement
    unit = shown_unit(channel.channel.quantity, channel.channel.unit)
    scale = scale_of(unit, channel.value, None if judgement is None else judgement.expected)
    name, is_marked = channel.channel.name, channel.channel.name in state.marked
    expected: Line = ()
    if columns.expected and judgement is not None:
        expected = _expected(judgement.expected, judgement.expected_uncertainty, scale, symbols)
    if columns.expected and channel.is_hidden:
        expected = (Cell(fit(GUESS_FIRST, EXPECTED, symbols) + " " * GAP, StyleRole.QUIET),)
    return RowBlocks(
        (
            Cell(mark),
            Cell(f"{condition.sign} ", condition.role),
            _name(name, is_marked, chosen, columns.name, symbols),
        ),
        (
            Cell(
                _live(channel.value, scale, columns, symbols),
                StyleRole.QUIET if is_old and channel.by_hand else StyleRole.STRONG,
            ),
            *_statistic(channel.channel.quantity, columns.statistic, symbols),
        ),
        expected,
        _comparison(channel, scale, columns, symbols, condition.verdict_role),
        _end(channel, state, columns, symbols, condition),
    )


def _live(value: float | None, scale: Scale, columns: Columns, symbols: SymbolSet) -> str:
    number = fit(symbols.plain(live_number(value, scale)), NUMBER_WIDTH, symbols, "right")
    return number + _unit("" if usable(value) is None else scale.unit, columns.unit, symbols)


@lru_cache(maxsize=512)
def _unit(unit: str, width: int, symbols: SymbolSet) -> str:
    """Return what follows a number: its unit in its column, between two gaps."""
    return " " + fit(symbols.plain(unit), width, symbols) + " " * GAP


@lru_cache(maxsize=512)
def _statistic(quantity: str, width: int, symbols: SymbolSet) -> Line:
    if not width:
        return ()
    words = fit(statistic_of(quantity), width, symbols)
    return (Cell(words + " " * GAP, StyleRole.QUIET),)


@lru_cache(maxsize=512)
def _name(name: str, is_marked: bool, chosen: bool, width: int, symbols: SymbolSet) -> Cell:
    shown = fit_name(symbols.plain(name), width, symbols) + (symbols.marked if is_marked else " " * GAP)
    return Cell(shown, StyleRole.CHOSEN if chosen else StyleRole.PLAIN)


@lru_cache(maxsize=512)
def _expected(expected: float | None, uncertainty: float | None, scale: Scale, symbols: SymbolSet) -> Line:
    value, around = expected_parts(expected, uncertainty, scale)
    between = ("+/-" if symbols.ascii_only else " ± ") if around else "   "
    if scale.of_expected is not None:
        return (Cell(fit(symbols.plain(value), EXPECTED, symbols) + " " * GAP),)
    text = (
        fit(symbols.plain(value), EXPECTED_WIDTH, symbols, "right") + between + fit(around, UNCERTAINTY_WIDTH, symbols)
    )
    return (Cell(text + " " * GAP),)


def _comparison(channel: ChannelState, scale: Scale, columns: Columns, symbols: SymbolSet, role: StyleRole) -> Line:
    judgement = channel.judgement
    if judgement is None:
        return ()
    cells = []
    if columns.difference:
        text = difference(judgement.value, judgement.expected, channel.channel.unit, scale)
        shown = fit(symbols.plain(text), columns.difference, symbols, "right")
        cells.append(Cell(shown + " " * GAP, role))
    if columns.band:
        cells.append(Cell(draw_band(place_in_band(judgement), columns.band, symbols) + " " * GAP, role))
    return tuple(cells)


def _end(
    channel: ChannelState, state: SessionState, columns: Columns, symbols: SymbolSet, condition: ChannelStatus
) -> Line:
    """Return trend and status; words that need more than their column take the room of the trend.

    A meter that a person reads has the age of its value in place of the trend, or behind the words.
    """
    words, age = condition.words, state.age_in_words(channel)
    if age and not columns.trend and len(words) + GAP + len(age) <= columns.status:
        return (Cell(fit(f"{words} {age}", columns.status, symbols), condition.role),)
    if not columns.trend or len(words) > columns.status:
        room = columns.status + (columns.trend + GAP if columns.trend else 0)
        return (Cell(fit(condition.words_within(room), room, symbols), condition.role),)
    if age:
        ago = f"{age} ago" if len(age) + 4 <= columns.trend else age
        trend = Cell(fit(ago, columns.trend, symbols) + " " * GAP, StyleRole.QUIET)
    else:
        trend = Cell(channel.trend.draw(state.now, columns.trend, symbols) + " " * GAP)
    return trend, Cell(fit(words, columns.status, symbols), condition.role)


def draw_annotation(annotation: Annotation, width: int, symbols: SymbolSet, *, mark: str) -> Line:
    """Return a line under a row."""
    lead = f"  {symbols.annotation} " if annotation.leads else "    "
    return (Cell(fit(mark + lead + annotation.text, width, symbols), annotation.role),)
