"""The help: the keys of the view one is in, what to be careful of, the other keys, how to read the screen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from benchmon.screen.keys import EVERYWHERE, REPLAY, VIEWS, Key, ViewRecord
from benchmon.screen.lines.channel_row import draw_band
from benchmon.screen.lines.text import Cell, Line, wrap
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet

STORED_CHARGE = (
    "Stored charge: reservoir capacitors stay charged after switch-off. Bleed them through a resistor and measure "
    "before you touch."
)
CAUTIONS = (
    "benchmon is no protective device: it can be late, blind or wrong. Fuse, switch and your own eyes protect you.",
    "Local rules and licensed practice go first. Do not work alone, and know where to switch off.",
    (
        "Isolation: an earthed scope's ground clip is earth; on a live point it is a short circuit. Use an isolating "
        "transformer for the circuit or a differential probe, never a scope with its earth cut. Behind an isolating "
        "transformer a residual-current device does not protect you."
    ),
    STORED_CHARGE,
    "Hot parts: rectifiers, regulators, load resistors and transformers burn skin, and stay hot after switch-off.",
    "No reading is no proof: what is not measured is not watched.",
)


def help_lines(view: ViewRecord, width: int, symbols: SymbolSet, *, stores_charge: bool = True) -> list[Line]:
    """Return the whole help, wrapped to `width`; it begins with the keys of `view`, from which it was opened.

    The caution of stored charge is left out where the bench stores none.
    """
    lines = _section(f"Keys of {view.title}", StyleRole.STRONG)
    lines += _entries(_keys_of(view), width, symbols)
    lines += [(), *_section("Take care", StyleRole.DANGER)]
    for caution in (each for each in CAUTIONS if stores_charge or each is not STORED_CHARGE):
        lines += _item("!", caution, width, symbols)
    lines += [(), *_section("Keys of every view", StyleRole.STRONG), *_entries(_help_of(EVERYWHERE), width, symbols)]
    lines += [(), *_section("Keys of a replay", StyleRole.STRONG), *_entries(_help_of(REPLAY), width, symbols)]
    for other in VIEWS:
        if other is not view and other.own_keys:
            title = _section(f"Keys of {other.title}", StyleRole.STRONG)
            lines += [(), *title, *_entries(_help_of(other.own_keys), width, symbols)]
    return [
        *lines,
        (),
        *_section("How to read the screen", StyleRole.STRONG),
        *_entries(_reading(symbols), width, symbols),
    ]


def _keys_of(view: ViewRecord) -> Sequence[tuple[str, str]]:
    """Return the keys that are particular to a view, each with its explanation."""
    common = {key.name for key in EVERYWHERE}
    return _help_of(key for key in view.keys if key.name not in common)


def _help_of(keys: Iterable[Key]) -> list[tuple[str, str]]:
    return [(key.title, key.help) for key in keys if key.help]


def _entries(entries: Iterable[tuple[str, str]], width: int, symbols: SymbolSet) -> list[Line]:
    return [line for what, meaning in entries for line in _entry(what, meaning, width, symbols)]


def _reading(signs: SymbolSet) -> tuple[tuple[str, str], ...]:
    return (
        ("top line", "the answer at a glance, the worst first. It stays in sight whatever is open."),
        ("expected", "what the circuit should read at the measured mains, ± the expanded uncertainty (k = 2)."),
        ("diff.", "live less expected: per cent, or kelvins (K) for temperatures."),
        (draw_band(0.4, 9, signs), "inside: prediction and meter together cover the difference."),
        (draw_band(1.4, 9, signs), f"outside; {signs.far_below} and {signs.far_above}: far outside."),
        ("trend", "a mark is 5 s (more for slow meters); movement within the meter's uncertainty is drawn small."),
        (f"{signs.agrees} agrees", "the difference is within both uncertainties (|En| up to 1)."),
        (f"{signs.questionable} questionable", "up to 1.5 times that."),
        (f"{signs.disagrees} disagrees", "more: find out why before you go on."),
        (f"{signs.unpredicted} unpredicted", "there is nothing to compare it with."),
        (f"{signs.warning} hot, high, low", "past its warning. Drifting, overrange, implausible: look at it."),
        (f"{signs.tripped} tripped", "was past its limit; stays for the whole session."),
        (f"{signs.old} stale", "no reading for three periods. Old: nobody watches any more."),
        (
            f"implausible {signs.disagrees}",
            "where it is narrow a sign stands for the verdict, +1 for one more flag; Enter shows all.",
        ),
        (
            "temperature",
            (
                f"a bar from ambient to the limit: the warning at {signs.bar_warning}, {signs.bar_expected} where the "
                f"prediction lets it settle, {signs.bar_final} where the readings lead, and the minutes to the limit."
            ),
        ),
        (f"{signs.annotation} under a row", "the likely cause with its remedy, or when it will pass its limit."),
    )


def _section(title: str, role: StyleRole) -> list[Line]:
    return [(Cell(f" {title} ", role),)]


def _item(sign: str, text: str, width: int, symbols: SymbolSet) -> list[Line]:
    pieces = wrap(symbols.plain(text, 1000), max(1, width - 4))
    return [(Cell(f" {sign} " if not index else "   "), Cell(piece)) for index, piece in enumerate(pieces)]


def _entry(what: str, meaning: str, width: int, symbols: SymbolSet) -> list[Line]:
    start = f" {what:<14} "
    pieces = wrap(symbols.plain(meaning, 1000), max(1, width - len(start) - 1))
    return [
        (Cell(start if not index else " " * len(start), StyleRole.STRONG), Cell(piece))
        for index, piece in enumerate(pieces)
    ]
