"""The help: what to be careful of, how to read the screen, and the keys."""

from __future__ import annotations

from benchmon.screen.lines.channel_row import draw_band
from benchmon.screen.lines.text import Cell, Line, wrap
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet

CAUTIONS = (
    "benchmon is no protective device: it can be late, blind or wrong. Fuse, switch and your own eyes protect you.",
    "Local rules and licensed practice go first. Do not work alone, and know where to switch off.",
    (
        "Isolation: an earthed scope's ground clip is earth; on a live point it is a short circuit. Use an isolating "
        "transformer for the circuit or a differential probe, never a scope with its earth cut. Behind an isolating "
        "transformer a residual-current device does not protect you."
    ),
    (
        "Stored charge: reservoir capacitors stay charged after switch-off. Bleed them through a resistor and measure "
        "before you touch."
    ),
    "Hot parts: rectifiers, regulators, load resistors and transformers burn skin, and stay hot after switch-off.",
    "No reading is no proof: what is not measured is not watched.",
)


def help_lines(width: int, symbols: SymbolSet) -> list[Line]:
    """Return the whole help, wrapped to `width`."""
    lines = _section("Take care", StyleRole.DANGER)
    for caution in CAUTIONS:
        lines += _item("!", caution, width, symbols)
    for title, items in (("Read it", _reading(symbols)), ("Keys", _KEYS)):
        lines += [(), *_section(title, StyleRole.STRONG)]
        for what, meaning in items:
            lines += _entry(what, meaning, width, symbols)
    return lines


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
            "where it is narrow a sign stands for the verdict, +1 for one more flag; Enter tells all.",
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


_KEYS = (
    ("o", "switch off, in every view (Ctrl-O where a line is written); the word OFF must be typed"),
    ("a", "alarm seen: the bell ends, the words stay; m turns the bell off or on"),
    ("r", "type in what a meter without an interface shows; its time is that of this key"),
    ("arrows, Tab", "move in the rows; Tab goes to the events and back"),
    ("Enter", "all about the channel under the cursor"),
    ("p", "the plan: Enter begins it or confirms a step, s skips with a reason, x stops it, the arrows look around"),
    ("t", "trend of the channel under the cursor: + and - change the span, PgUp goes back, End returns to now"),
    ("w", "its wave over the expected one; h turns to the harmonics of the line current and their limits"),
    ("b", "large figures, to be read from afar: the marked channels, or those that matter most"),
    ("Space", "mark a channel for the large figures; again takes the mark away"),
    ("e", "all events"),
    ("n", "write a note; its time is that of this key"),
    ("l", "load the bench file that was edited meanwhile; it says first what would change"),
    ("d", "write the readings to a file: .csv, .json or .sqlite; it is written beside the screen"),
    ("u", "draw 10,000 supplies within the tolerances; the details of a channel then tell how it is distributed"),
    ("c", "call off what is written or drawn just now"),
    ("k", "colours for a dark terminal, for a light one, or high contrast without colours"),
    ("/", "find channels by name, quantity or state; empty shows all"),
    ("f . [ ] < >", "in a replay: freeze, step, the event before, the next event, slower, faster"),
    ("q", "quit; asks whether the recorder goes on"),
    ("Esc", "close what is open"),
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
