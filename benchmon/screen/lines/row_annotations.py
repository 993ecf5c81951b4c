"""What stands under a row: why its channel reads what it reads, and where it is heading."""

from __future__ import annotations

from dataclasses import dataclass

from benchmon.screen.lines.text import wrap
from benchmon.screen.session_state import SessionState
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.text import with_minus
from benchmon.watch.records import Explanation, Verdict
from benchmon.watch.status import LIKELY, NONE_OF_THESE, NOTHING_WRONG
from benchmon.watch.wording import likelihood_in_words

_MOST_CAUSES = 2
_LEAST_LIKELIHOOD = 0.1
_MOST_LINES = 2
_INDENT = 7


@dataclass(frozen=True, slots=True)
class Annotation:
    """One line under the row of `channel`. `leads` is whether a sentence begins here."""

    channel: str
    point: str
    text: str
    role: StyleRole
    leads: bool


def annotations_of(state: SessionState, width: int, symbols: SymbolSet) -> dict[str, list[Annotation]]:
    """Return the annotations of each channel that has any, wrapped to rows of `width`."""
    ahead = state.outlooks
    if not ahead.forecasts and not ahead.causes:
        return {}
    sentences: dict[str, list[tuple[str, StyleRole]]] = {}
    for channel in (each.channel for each in state.channels):
        words = ahead.limit_words(channel)
        if words:
            sentences.setdefault(channel.name, []).append((_course(state, channel.name, words), StyleRole.BAD))
    for cause in likely_causes(state):
        name = explained_channel(state, cause)
        if name:
            sentences.setdefault(name, []).append((cause_words(cause, name), StyleRole.DOUBT))
    return {name: _lines(state, name, said, width, symbols) for name, said in sentences.items()}


def likely_causes(state: SessionState) -> list[Explanation]:
    """Return the causes that are worth a line: the likeliest two, as long as they are not far-fetched."""
    causes = state.outlooks.causes
    if not causes or causes[0].cause == NOTHING_WRONG:
        return []
    likely = [cause for cause in causes if cause.likelihood >= _LEAST_LIKELIHOOD and cause.cause != NOTHING_WRONG]
    return likely[:_MOST_CAUSES]


def cause_words(cause: Explanation, channel: str) -> str:
    """Return a cause and its remedy; the reading is left out where the row above, that of `channel`, shows it."""
    words = cause.advice if cause.advice and cause.evidence == channel else cause.message
    if cause.cause == NONE_OF_THESE and cause.likelihood >= LIKELY:
        return words
    return f"{likelihood_in_words(cause.likelihood)} likely: {words}"


def explained_channel(state: SessionState, cause: Explanation) -> str:
    """Return the channel whose row a cause belongs under, "" where there is none.

    That is one the cause concerns; else the one whose reading is its evidence; else the one that is farthest off.
    """
    names = [channel.channel.name for channel in state.channels]
    concerned = [name for name in names if name in cause.channels]
    evidence = [name for name in names if name == cause.evidence]
    return next(iter([*concerned, *evidence]), "") or _farthest_off(state)


def _farthest_off(state: SessionState) -> str:
    judged = [channel.shown for channel in state.channels if channel.shown is not None]
    off = [each for each in judged if each.verdict in (Verdict.DISAGREES, Verdict.QUESTIONABLE) and each.en is not None]
    return max(off, key=lambda each: abs(each.en or 0.0)).channel if off else ""


def _course(state: SessionState, channel: str, words: str) -> str:
    forecast = state.outlooks.forecasts[channel]
    if forecast.final is None:
        return words
    around = f" ± {max(1.0, forecast.uncertainty):.0f}" if forecast.uncertainty is not None else ""
    return with_minus(f"{words}; it would settle at {forecast.final:.0f}{around} °C")


def _lines(
    state: SessionState, name: str, said: list[tuple[str, StyleRole]], width: int, symbols: SymbolSet
) -> list[Annotation]:
    channel = state.channel(name)
    if channel is None:
        return []
    found = []
    for sentence, role in said:
        pieces = wrap(symbols.plain(sentence, 600), max(1, width - _INDENT))
        if len(pieces) > _MOST_LINES:
            pieces[_MOST_LINES - 1] = " ".join(pieces[_MOST_LINES - 1 :])
        for index, piece in enumerate(pieces[:_MOST_LINES]):
            found.append(
                Annotation(name, channel.point, piece, StyleRole.QUIET if state.old else role, leads=not index)
            )
    return found
