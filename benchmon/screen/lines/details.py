"""All that is known of one channel, as lines: reading, expectation, limits, instrument, trend and its own events."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

from benchmon.bench import Channel
from benchmon.quantities import is_temperature
from benchmon.screen.guessing import guess_in_words
from benchmon.screen.lines.channel_row import channel_status, draw_band, place_in_band
from benchmon.screen.lines.events import draw_event
from benchmon.screen.lines.numbers import (
    difference,
    scale_of,
    usable,
)
from benchmon.screen.lines.row_annotations import cause_words, explained_channel
from benchmon.screen.lines.text import Cell, Line, fit, rule, wrap
from benchmon.screen.session_state import ChannelState, SessionState
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.text import clock
from benchmon.watch.verdict import en_as_text
from benchmon.watch.wording import shown_unit, unspecified_sentence, value_in_words, value_with_uncertainty

if TYPE_CHECKING:
    from benchmon.prediction.explained.derivation import Derivation
    from benchmon.prediction.monte_carlo import Distribution

_TITLES = 16
_MOST_EVENTS = 200
_WIDEST_BAND = 41


def detail_lines(channel: ChannelState, state: SessionState, width: int, symbols: SymbolSet) -> list[Line]:
    """Return the lines on `channel`, wrapped to `width`; its events come last, the latest first."""
    condition = channel_status(channel.shown, channel.channel, state.is_old(channel), symbols)
    lines = [rule(f" {symbols.plain(channel.channel.name)}", width, symbols)]
    lines += _entry("state", f"{condition.sign} {condition.words}", width, symbols, condition.role)
    for title, text in [
        *_reading(channel),
        *_guess(channel, state),
        *_by_hand(channel, state),
        *_allowance(channel.channel, state),
        *_drawn(channel.channel, state),
        *_course(channel, state),
        *_causes(channel, state),
    ]:
        lines += _entry(title, text, width, symbols)
    for title, text in _setting(channel.channel, state):
        lines += _entry(title, text, width, symbols)
    lines += _pictures(channel, state, width, symbols)
    spread = state.distributions.get(channel.channel.quantity)
    if spread is not None and not channel.is_hidden:
        lines += _histogram(spread, channel, width, symbols)
    derivation = state.derivations.get(channel.channel.quantity)
    if derivation is not None and not channel.is_hidden:
        lines += _derivation(derivation, width, symbols)
    own = [event for event in reversed(state.events) if event.channel == channel.channel.name][:_MOST_EVENTS]
    lines += [(), rule(" its events, the latest first", width, symbols)]
    for event in own:
        lines += draw_event(event, width, symbols, wrapped=True)
    return lines if own else [*lines, (Cell(fit("  nothing yet", width, symbols), StyleRole.QUIET),)]


def _reading(channel: ChannelState) -> list[tuple[str, str]]:
    judgement, unit = channel.judgement, shown_unit(channel.channel.quantity, channel.channel.unit)
    if judgement is None:
        return [("reading", "none yet")]
    read = ("reading", f"{_with(judgement.value, judgement.uncertainty, unit)} at {clock(judgement.time)}")
    if channel.is_hidden:
        return [read, ("expected", "hidden until it is guessed (key g)")]
    away = difference(judgement.value, judgement.expected, unit, scale_of(unit, judgement.value, judgement.expected))
    en = usable(judgement.en)
    differs = channel.shown is not None and channel.shown.verdict is not judgement.verdict
    alone = f": {judgement.verdict} by itself" if differs else ""
    return [
        read,
        ("expected", _with(judgement.expected, judgement.expected_uncertainty, unit, "nothing is predicted here")),
        ("difference", f"{away}, En {en_as_text(en)}{alone}" if away and en is not None else away or "not known"),
    ]


def _guess(channel: ChannelState, state: SessionState) -> list[tuple[str, str]]:
    """Return the latest guess of a learner beside what is expected now."""
    guess, judgement = state.guesses.latest(channel.channel.name), channel.judgement
    if guess is None:
        return []
    expected = None if judgement is None else judgement.expected
    return [("guessed", guess_in_words(guess, channel.channel, expected))]


def _by_hand(channel: ChannelState, state: SessionState) -> list[tuple[str, str]]:
    """Return how old a typed value is, and that it no longer counts where that is so."""
    age = state.age_in_words(channel)
    if not age:
        return []
    old = ", which no longer counts: read it again" if state.is_old(channel) else ""
    return [("typed in", f"{age} ago{old}; r types in another")]


def _allowance(channel: Channel, state: SessionState) -> list[tuple[str, str]]:
    """Return that most of what is allowed for comes from what the bench file does not give, and what to give."""
    missing = state.settled.unspecified.get(channel.quantity, ()) if state.settled is not None else ()
    words = unspecified_sentence(missing)
    return [("allowance", words)] if words else []


def _drawn(channel: Channel, state: SessionState) -> list[tuple[str, str]]:
    """Return how the quantity is distributed over supplies within the tolerances, where that has been drawn."""
    spread = state.distributions.get(channel.quantity)
    if spread is None or state.guesses.hides(channel.quantity):
        return []
    unit = shown_unit(channel.quantity, channel.unit)
    low, high, mean = (value_in_words(value, unit) for value in (spread.low, spread.high, spread.mean))
    return [("10,000 supplies", f"mean {mean}, 95 of 100 from {low} to {high}")]


def _course(channel: ChannelState, state: SessionState) -> list[tuple[str, str]]:
    """Return where a temperature will settle, by the prediction and by its own course."""
    unit, name = channel.channel.unit, channel.channel.name
    settled = state.settled.quantities.get(channel.channel.quantity) if state.settled is not None else None
    rows = []
    if settled is not None and is_temperature(channel.channel.quantity) and not channel.is_hidden:
        rows.append(("expected final", _with(settled.value, settled.uncertainty, unit)))
    forecast = state.outlooks.forecasts.get(name)
    if forecast is not None:
        limit = state.outlooks.limit_words(channel.channel) or state.outlooks.may_pass_words(channel.channel)
        final = _with(forecast.final, forecast.uncertainty, unit, "not known yet where it settles")
        rows.append(("heading for", "; ".join(part for part in (final, forecast.state, limit) if part)))
    return rows


def _causes(channel: ChannelState, state: SessionState) -> list[tuple[str, str]]:
    """Return every cause that concerns this channel, the likeliest first."""
    name = channel.channel.name
    causes = [cause for cause in state.outlooks.causes if explained_channel(state, cause) == name]
    return [("cause" if not index else "or", cause_words(cause, name)) for index, cause in enumerate(causes)]


def _with(value: float | None, uncertainty: float | None, unit: str, otherwise: str = "none") -> str:
    return otherwise if value is None else value_with_uncertainty(value, uncertainty, unit)


def _setting(channel: Channel, state: SessionState) -> list[tuple[str, str]]:
    unit = shown_unit(channel.quantity, channel.unit)
    limits = (
        ("switch off below", channel.trip_below),
        ("warn below", channel.warn_below),
        ("warn above", channel.warn_above),
        ("switch off above", channel.trip_above),
    )
    rows = ", ".join(f"{what} {value_in_words(limit, unit)}" for what, limit in limits if limit is not None)
    identity = state.identities.get(channel.instrument, "")
    return [
        ("limits", rows or "none"),
        ("quantity", f"{channel.quantity}, read every {channel.period:g} s"),
        ("instrument", f"{channel.instrument}: {identity or 'no identification'}"),
        *([("meter", channel.meter_in_words)] if channel.meter_in_words else []),
        *([("corrections", f"{channel.corrections}, applied to every reading")] if channel.corrections else []),
    ]


def _pictures(channel: ChannelState, state: SessionState, width: int, symbols: SymbolSet) -> list[Line]:
    room = max(0, width - _TITLES - 2)
    place = None if channel.judgement is None else place_in_band(channel.judgement)
    trend = channel.trend.draw(state.now, min(room, 60), symbols)
    lines: list[Line] = []
    if place is not None:
        lines.append((_title("band"), Cell(draw_band(place, min(room, _WIDEST_BAND), symbols))))
    if trend.strip():
        lines.append((_title(f"trend, {channel.trend.span:g} s each"[: _TITLES - 1]), Cell(trend)))
    return lines


_HISTOGRAM_ROWS = 6
_HISTOGRAM_MARGIN = 2


def _histogram(spread: Distribution, channel: ChannelState, width: int, symbols: SymbolSet) -> list[Line]:
    """Return how a quantity is distributed over the supplies drawn, with the place of this unit among them.

    Under the columns stands the interval of 95 of 100 supplies, then the reading, an arrow at the edge where it is
    beyond all of them. Nothing where there is no room, or where all supplies are alike.
    """
    room = min(len(spread.counts), width - 2 * _HISTOGRAM_MARGIN)
    if room < 12 or not spread.greatest > spread.least:
        return []
    counts = _in_columns(spread.counts, room)

    def column(value: float) -> int:
        part = (value - spread.least) / (spread.greatest - spread.least)
        return min(room - 1, max(0, math.floor(part * room)))

    low, middle, high = column(spread.low), column(spread.mean), column(spread.high)
    base = [symbols.rule if low <= at <= high else " " for at in range(room)]
    base[middle], base[low], base[high] = symbols.band_middle, symbols.band_start, symbols.band_end
    rows = [
        Cell("".join(_bar(count * _HISTOGRAM_ROWS / max(counts) - row, symbols) for count in counts))
        for row in reversed(range(_HISTOGRAM_ROWS))
    ]
    margin = Cell(" " * _HISTOGRAM_MARGIN)
    lines: list[Line] = [(), rule(" how supplies within the tolerances spread", width, symbols)]
    lines += [(margin, row) for row in (*rows, Cell("".join(base)))]
    value = usable(channel.value)
    if value is not None:
        sign = symbols.up
        if not spread.least <= value <= spread.greatest:
            sign = symbols.far_below if value < spread.least else symbols.far_above
        lines.append((margin, Cell(" " * column(value) + sign, StyleRole.STRONG)))
        unit = shown_unit(channel.channel.quantity, channel.channel.unit)
        words = f"this unit: {value_in_words(value, unit)}, {_rank(spread, value)}"
        lines += [(margin, Cell(piece)) for piece in wrap(symbols.plain(words), max(1, width - _HISTOGRAM_MARGIN))]
    return lines


_NARROWEST = 60
"""Columns of the narrowest text that says where a value comes from; on a narrower screen its right end is cut off."""


def _derivation(derivation: Derivation, width: int, symbols: SymbolSet) -> list[Line]:
    """Return where the expected value comes from."""
    from benchmon.prediction.explained.wording import derivation_as_text  # noqa: PLC0415 - long to load

    text = derivation_as_text(derivation, max(_NARROWEST, min(width - 1, 100)))
    lines: list[Line] = [(), rule(" where the expected value comes from", width, symbols)]
    return lines + [(Cell(fit(f" {symbols.plain(line)}", width, symbols)),) for line in text.splitlines()]


def _in_columns(counts: Sequence[int], columns: int) -> list[float]:
    """Return counts spread over a number of columns, at most as many as there are counts."""
    ends = [len(counts) * at / columns for at in range(columns + 1)]
    return [
        sum(
            count * max(0.0, min(end, place + 1) - max(begin, place))
            for place, count in enumerate(counts[int(begin) : math.ceil(end)], int(begin))
        )
        for begin, end in pairwise(ends)
    ]


def _bar(filled: float, symbols: SymbolSet) -> str:
    """Return one cell of a column, of which a part is `filled`: all of it from 1 on."""
    if symbols.ascii_only:
        return symbols.bar_full if filled >= 0.5 else " "
    eighths = round(min(1.0, max(0.0, filled)) * len(symbols.trend))
    return symbols.trend[eighths - 1] if eighths else " "


def _rank(spread: Distribution, value: float) -> str:
    """Return in words where a value stands among the supplies drawn, to 1 in 100."""
    if value < spread.least:
        return "below all but 1 of 1000 supplies"
    if value > spread.greatest:
        return "above all but 1 of 1000 supplies"
    parts = (value - spread.least) / (spread.greatest - spread.least) * len(spread.counts)
    whole = int(parts)
    below = sum(spread.counts[:whole]) + (parts - whole) * sum(spread.counts[whole : whole + 1])
    share = min(99, max(1, round(100 * below / sum(spread.counts))))
    return f"above {share} of 100 supplies"


def _title(text: str) -> Cell:
    return Cell(f" {text:<{_TITLES}} ", StyleRole.QUIET)


def _entry(title: str, text: str, width: int, symbols: SymbolSet, role: StyleRole = StyleRole.PLAIN) -> list[Line]:
    pieces = wrap(symbols.plain(text), max(1, width - _TITLES - 3))
    return [(_title(title if not index else ""), Cell(piece, role)) for index, piece in enumerate(pieces)]
