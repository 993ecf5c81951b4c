"""All that is known of one channel, as lines: reading, expectation, limits, instrument, trend and its own events."""

from __future__ import annotations

from benchmon.bench import Channel
from benchmon.quantities import is_temperature
from benchmon.screen.lines.channel_row import channel_status, draw_band, place_in_band
from benchmon.screen.lines.events import draw_event
from benchmon.screen.lines.numbers import difference, scale_of, shown_unit, usable, value_in_words
from benchmon.screen.lines.row_annotations import cause_words, explained_channel
from benchmon.screen.lines.text import Cell, Line, fit, rule, wrap
from benchmon.screen.session_state import ChannelState, SessionState
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.text import clock
from benchmon.watch.verdict import en_as_text
from benchmon.watch.wording import unspecified_sentence

_TITLES = 16
_MOST_EVENTS = 200
_WIDEST_BAND = 41


def detail_lines(channel: ChannelState, state: SessionState, width: int, symbols: SymbolSet) -> list[Line]:
    """Return the lines on `channel`, wrapped to `width`; its events come last, the latest first."""
    condition = channel_status(channel.judgement, channel.channel, state.old, symbols)
    lines = [rule(f" {symbols.plain(channel.channel.name)}", width, symbols)]
    lines += _entry("state", f"{condition.sign} {condition.words}", width, symbols, condition.role)
    for title, text in [
        *_reading(channel),
        *_allowance(channel.channel, state),
        *_drawn(channel.channel, state),
        *_course(channel, state),
        *_causes(channel, state),
    ]:
        lines += _entry(title, text, width, symbols)
    for title, text in _setting(channel.channel, state):
        lines += _entry(title, text, width, symbols)
    lines += _pictures(channel, state, width, symbols)
    own = [event for event in reversed(state.events) if event.channel == channel.channel.name][:_MOST_EVENTS]
    lines += [(), rule(" its events, the latest first", width, symbols)]
    for event in own:
        lines += draw_event(event, width, symbols, wrapped=True)
    return lines if own else [*lines, (Cell(fit("  nothing yet", width, symbols), StyleRole.QUIET),)]


def _reading(channel: ChannelState) -> list[tuple[str, str]]:
    judgement, unit = channel.judgement, shown_unit(channel.channel.quantity, channel.channel.unit)
    if judgement is None:
        return [("reading", "none yet")]
    away = difference(judgement.value, judgement.expected, unit, scale_of(unit, judgement.value, judgement.expected))
    en = usable(judgement.en)
    return [
        ("reading", f"{_with(judgement.value, judgement.uncertainty, unit)} at {clock(judgement.time)}"),
        ("expected", _with(judgement.expected, judgement.expected_uncertainty, unit, "nothing is predicted here")),
        ("difference", f"{away}, En {en_as_text(en)}" if away and en is not None else away or "not known"),
    ]


def _allowance(channel: Channel, state: SessionState) -> list[tuple[str, str]]:
    """Return that most of what is allowed for comes from what the bench file does not give, and what to give."""
    missing = state.settled.unspecified.get(channel.quantity, ()) if state.settled is not None else ()
    words = unspecified_sentence(missing)
    return [("allowance", words)] if words else []


def _drawn(channel: Channel, state: SessionState) -> list[tuple[str, str]]:
    """Return how the quantity is distributed over supplies within the tolerances, where that has been drawn."""
    spread = state.distributions.get(channel.quantity)
    if spread is None:
        return []
    unit = shown_unit(channel.quantity, channel.unit)
    low, high, mean = (value_in_words(value, unit) for value in (spread.low, spread.high, spread.mean))
    return [("10,000 supplies", f"mean {mean}, 95 of 100 from {low} to {high}")]


def _course(channel: ChannelState, state: SessionState) -> list[tuple[str, str]]:
    """Return where a temperature will settle, by the prediction and by its own course."""
    unit, name = channel.channel.unit, channel.channel.name
    settled = state.settled.quantities.get(channel.channel.quantity) if state.settled is not None else None
    rows = []
    if settled is not None and is_temperature(channel.channel.quantity):
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
    return [("perhaps" if not index else "or", cause_words(cause, name)) for index, cause in enumerate(causes)]


def _with(value: float | None, uncertainty: float | None, unit: str, otherwise: str = "none") -> str:
    if value is None:
        return otherwise
    spread = usable(uncertainty)
    return value_in_words(value, unit) + (f" ± {value_in_words(spread, unit, 2)}" if spread is not None else "")


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


def _title(text: str) -> Cell:
    return Cell(f" {text:<{_TITLES}} ", StyleRole.QUIET)


def _entry(title: str, text: str, width: int, symbols: SymbolSet, role: StyleRole = StyleRole.PLAIN) -> list[Line]:
    pieces = wrap(symbols.plain(text), max(1, width - _TITLES - 3))
    return [(_title(title if not index else ""), Cell(piece, role)) for index, piece in enumerate(pieces)]
