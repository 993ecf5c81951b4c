"""The status header on top of every view and dialog, and the message line above the keys.

The header has the status in words, the alarms, the meters that a person is to read now, and below them title, mains,
recorder and time. The message line shows what could not be done, and why; it takes no room while it is empty.
"""

from __future__ import annotations

from benchmon.screen.lines.text import Cell, Line, fit, wrap
from benchmon.screen.session_state import SessionState
from benchmon.screen.styles import LEVEL_ROLES, StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.screen.widgets.lines import CellLines
from benchmon.text import clock
from benchmon.watch.status import Level
from benchmon.watch.status_wording import SIGNS

_ASCII_SIGNS = {
    Level.DANGER: "X",
    Level.BLIND: "?",
    Level.CAUTION: "!",
    Level.WAITING: ".",
    Level.AS_EXPECTED: "=",
    Level.ENDED: "#",
}
_MOST_SENTENCE_LINES = 3
_LEAST_TITLE = 12
_BEFORE_FACTS = 2


class StatusHeader(CellLines):
    """Answers "is it right, is it safe?" in its first line."""

    DEFAULT_CSS = """
    StatusHeader { dock: top; height: 2; }
    """

    def __init__(self, state: SessionState, symbols: SymbolSet) -> None:
        super().__init__()
        self._state = state
        self._symbols = symbols

    def redraw(self) -> None:
        """Wrap the sentence for the new width."""
        self.show(self._state)

    def show(self, state: SessionState) -> None:
        """Show how the session stands now."""
        self._state = state
        width, signs = self.app.size.width, self._symbols
        sentence, alarms = draw_status(state, width, signs), draw_alarms(state, width, signs)
        self.paint([*sentence, *alarms, *draw_turn(state, width, signs), draw_title(state, width, signs)])
        self.set_height(len(self.lines))


def level_sign(level: Level, symbols: SymbolSet) -> str:
    """Return the sign of a level, one character."""
    return _ASCII_SIGNS[level] if symbols.ascii_only else symbols.plain(SIGNS[level])


def draw_status(state: SessionState, width: int, symbols: SymbolSet) -> list[Line]:
    """Return the glance in as many lines as its sentence needs, at most three, each across the whole width."""
    glance = state.status_line
    role = LEVEL_ROLES[glance.level]
    sign = level_sign(glance.level, symbols)
    pieces = wrap(symbols.plain(glance.sentence), max(1, width - 4))
    if len(pieces) > _MOST_SENTENCE_LINES:
        pieces[_MOST_SENTENCE_LINES - 1] = " ".join(pieces[_MOST_SENTENCE_LINES - 1 :])
    starts = [f" {sign} "] + ["   "] * _MOST_SENTENCE_LINES
    shown = zip(starts, pieces[:_MOST_SENTENCE_LINES], strict=False)
    return [(Cell(start + fit(piece, max(1, width - 3), symbols), role),) for start, piece in shown]


def draw_alarms(state: SessionState, width: int, symbols: SymbolSet) -> list[Line]:
    """Return one line with the alarms that stand, those first that nobody has acknowledged; none where none stands."""
    standing, waiting = state.alarms.standing, state.alarms.unacknowledged
    if not standing:
        return []
    words = ", ".join(alarm.words for alarm in waiting)
    seen = ", ".join(alarm.words for alarm in standing if alarm.acknowledged)
    bell = "" if state.bell else ", bell off"
    if not waiting:
        return [(Cell(fit(f" {symbols.warning} seen: {symbols.plain(seen)}", width, symbols), StyleRole.BAD),)]
    aside = f" a: seen{bell} "
    known = f"; seen: {seen}" if seen else ""
    text = fit(f" {symbols.tripped} ALARM {symbols.plain(words + known)}", width - len(aside), symbols) + aside
    role = StyleRole.DANGER if any(alarm.is_severe for alarm in waiting) else StyleRole.ALERT
    return [(Cell(fit(text, width, symbols), role),)]


def draw_turn(state: SessionState, width: int, symbols: SymbolSet) -> list[Line]:
    """Return one line with what a person is to set or to read now; none where nothing is due."""
    run = state.plan.sweeps.current
    if run is not None and state.live:
        words = fit(symbols.plain(f" {symbols.cursor} Sweep {run.in_words()}; v shows it"), width, symbols)
        return [(Cell(words, StyleRole.DOUBT),)]
    meters = state.turn_in_words
    if not meters:
        return []
    lead, key = f" {symbols.cursor} Your turn: read ", ", then press r "
    text = fit(symbols.plain(meters), min(len(meters), max(0, width - len(lead) - len(key))), symbols)
    return [(Cell(fit(lead + text.rstrip() + key, width, symbols), StyleRole.DOUBT),)]


def draw_title(state: SessionState, width: int, symbols: SymbolSet) -> Line:
    """Return the bench's title, where it has room, and the facts at the right edge."""
    facts = draw_facts(state, width, symbols)
    taken = sum(cell.width for cell in facts)
    room = width - taken - _BEFORE_FACTS
    if room < _LEAST_TITLE:
        return Cell(" " * (width - taken)), *facts
    title = fit("   " + symbols.plain(state.info.title), room, symbols)
    return Cell(title, StyleRole.QUIET), Cell(" " * _BEFORE_FACTS), *facts


def draw_facts(state: SessionState, width: int, symbols: SymbolSet) -> Line:
    """Return the plan's step, the mains, the recorder's state and the time, as much of it as `width` has room for."""
    mains, step = symbols.plain(state.mains_in_words), state.step_in_words
    cells = [
        Cell(f"{step}   " if step else "", StyleRole.STRONG),
        Cell(f"{mains}   " if mains else ""),
        Cell(state.state_in_words, StyleRole.ALERT if state.old else StyleRole.PLAIN),
        Cell(f"   {clock(state.now)} "),
    ]
    while len(cells) > 1 and sum(cell.width for cell in cells) > width:
        cells.pop(0)
    return tuple(cells)


_MOST_LINES = 4
_LONGEST = 600


class NoticeLine(CellLines):
    """One short message."""

    DEFAULT_CSS = """
    NoticeLine { height: 0; display: none; }
    """

    def __init__(self, symbols: SymbolSet) -> None:
        super().__init__()
        self._symbols = symbols

    def show_message(self, words: str) -> None:
        """Show `words`, at most four lines of them, so that a remedy at their end is read; "" takes the notice away."""
        width = max(1, self.app.size.width - 4)
        pieces = wrap(self._symbols.plain(words, _LONGEST), width) if words else []
        if len(pieces) > _MOST_LINES:
            pieces[_MOST_LINES - 1] = fit(" ".join(pieces[_MOST_LINES - 1 :]), width, self._symbols)
        starts = [f" {self._symbols.warning} "] + ["   "] * _MOST_LINES
        shown = zip(starts, pieces[:_MOST_LINES], strict=False)
        self.paint([(Cell(start + piece, StyleRole.DOUBT),) for start, piece in shown])
