"""The benches of a lab as lines of cells."""

from __future__ import annotations

from collections.abc import Sequence

from benchmon.publish.overview import BenchInSight
from benchmon.publish.wording import count_in_words, state_in_words
from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Cell, Line, fit, fit_name, wrap
from benchmon.screen.tones import LEVEL_TONES, Tone
from benchmon.screen.widgets.head import level_sign
from benchmon.text import clock

_TITLE, _STATE, _CLOCK = 40, 10, 11
_MOST_LINES = 2


def heading(benches: Sequence[BenchInSight], where: str, connected: bool, width: int, alphabet: Alphabet) -> list[Line]:
    """Return the lines on top: how many benches stand how, and whether the broker is there."""
    words = f" {count_in_words(benches)}" if connected else " The broker is not reached: what is shown is old"
    tone = LEVEL_TONES.get(benches[0].level, Tone.PLAIN) if benches and connected else Tone.PLAIN
    first = Cell(fit(alphabet.plain(words), width, alphabet), tone if connected else Tone.ALERT)
    return [(first,), (Cell(fit(alphabet.plain(f" {where}"), width, alphabet), Tone.QUIET),)]


def bench_lines(benches: Sequence[BenchInSight], width: int, alphabet: Alphabet) -> list[Line]:
    """Return the lines on each bench: what it is and its state, and below that its sentence."""
    return [line for bench in benches for line in _lines(bench, width, alphabet)]


def _lines(bench: BenchInSight, width: int, alphabet: Alphabet) -> list[Line]:
    tone = LEVEL_TONES.get(bench.level, Tone.PLAIN)
    name = f"{bench.said.title}, {bench.said.host}" if bench.said.host else bench.said.title
    title = max(8, min(_TITLE, width - 3 - _STATE - _CLOCK))
    first = (
        Cell(f" {level_sign(bench.level, alphabet)} ", tone),
        Cell(fit_name(alphabet.plain(name), title, alphabet), Tone.STRONG),
        Cell(f"  {fit(state_in_words(bench), _STATE, alphabet)}", Tone.ALERT if bench.is_silent else Tone.PLAIN),
        Cell(fit(clock(bench.said.time), _CLOCK - 2, alphabet, "right")),
    )
    pieces = wrap(alphabet.plain(bench.sentence, 600), max(1, width - 4))[:_MOST_LINES]
    return [first, *((Cell(f"    {piece}"),) for piece in pieces)]
