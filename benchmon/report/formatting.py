"""How a report says times, values, verdicts and conditions."""

from __future__ import annotations

import math
from datetime import timedelta

from benchmon.bench import Channel, SetLoad, load_in_words
from benchmon.quantities import Expected, format_value
from benchmon.report.document import Cell, Emphasis, Toned
from benchmon.report.evaluation import ChannelResult
from benchmon.report.session_reader import RecordedSession
from benchmon.text import NOTHING, clock
from benchmon.watch.records import Flag, Verdict
from benchmon.watch.verdict import en_as_text
from benchmon.watch.wording import flag_words, shown_unit, value_in_words, value_with_uncertainty

_TONES = {
    Verdict.AGREES: Emphasis.GOOD,
    Verdict.QUESTIONABLE: Emphasis.DOUBT,
    Verdict.DISAGREES: Emphasis.BAD,
    Verdict.UNPREDICTED: Emphasis.PLAIN,
}


def wall(session: RecordedSession, seconds: float = 0.0) -> str:
    """Return the wall time of a session time, UTC."""
    return f"{session.started + timedelta(seconds=seconds):%Y-%m-%d %H:%M:%S} UTC"


def wall_in_session(session: RecordedSession, seconds: float) -> str:
    """Return the wall time of a session time, UTC: without the date where it is that on which the session began."""
    then = session.started + timedelta(seconds=seconds)
    return f"{then:%H:%M:%S}" if then.date() == session.started.date() else f"{then:%Y-%m-%d %H:%M:%S}"


def measured(value: float, uncertainty: float, unit: str) -> str:
    """Return a measured value with its uncertainty; a dash where there is none.

    The unit may be the one that it is shown in.
    """
    if not math.isfinite(value):
        return NOTHING
    return value_with_uncertainty(value, uncertainty, unit)


def reading_of(one: ChannelResult) -> Cell:
    """Return what a channel read at the end of a time, and when a person typed it; set off if it may be so no more."""
    words = measured(one.value, one.uncertainty, one.shown_unit)
    if one.typed_at is None or not one.is_measured:
        return words
    typed = f"{words}, typed at {clock(one.typed_at)}"
    return Toned(f"{typed}, before the supply changed", Emphasis.DOUBT) if one.is_lapsed else typed


def expected(value: Expected | None, quantity: str) -> str:
    """Return what is expected of a `quantity` with its uncertainty, a dash where nothing is."""
    if value is None:
        return NOTHING
    return value_with_uncertainty(value.value, value.uncertainty, shown_unit(quantity, value.unit))


def en(value: float | None) -> str:
    """Return an En number, with as many decimals as its verdict needs; a dash where there is none."""
    return NOTHING if value is None or not math.isfinite(value) else en_as_text(value)


def verdict(found: Verdict) -> Cell:
    """Return a verdict, set off."""
    return Toned(str(found), _TONES[found])


def flags(found: frozenset[Flag], channel: Channel) -> Cell:
    """Return the flags of `channel`, set off where they matter."""
    text = ", ".join(flag_words(found, channel))
    if Flag.TRIPPED in found:
        return Toned(text, Emphasis.BAD)
    return Toned(text, Emphasis.DOUBT) if found else ""


def number(value: float | None, unit: str) -> str:
    """Return a value with its unit, a dash where there is none; the unit may be the one that it is shown in."""
    return NOTHING if value is None or not math.isfinite(value) else value_in_words(value, unit)


def conditions(mains: float | None, ambient: float | None, load: SetLoad) -> str:
    """Return the conditions that a prediction was made for, in words."""
    parts = [
        "the bench file's mains" if mains is None else f"a mains of {format_value(mains, 'V')} as measured",
        "the bench file's ambient" if ambient is None else f"{format_value(ambient, '°C')} of air as measured",
        load_in_words(load, of="a load of "),
    ]
    return ", ".join(parts)


def plural(count: int, one: str, many: str = "") -> str:
    """Return a count with its noun.

    >>> plural(1, "channel"), plural(3, "channel"), plural(2, "has", "have")
    ('1 channel', '3 channels', '2 have')
    """
    return f"{count} {one if count == 1 else many or one + 's'}"
