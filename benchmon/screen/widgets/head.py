"""The head: the glance in words, and below it title, mains, recorder and time. On top of every view and dialogue."""

from __future__ import annotations

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Cell, Line, fit, wrap
from benchmon.screen.picture import Picture
from benchmon.screen.tones import LEVEL_TONES, Tone
from benchmon.screen.widgets.cell_lines import CellLines
from benchmon.text import clock
from benchmon.watch.glance import SIGNS, Level

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


class Head(CellLines):
    """Answers "is it right, is it safe?" in its first line."""

    DEFAULT_CSS = """
    Head { dock: top; height: 2; }
    """

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__()
        self._picture = picture
        self._alphabet = alphabet

    def redraw(self) -> None:
        """Wrap the sentence anew."""
        self.show(self._picture)

    def show(self, picture: Picture) -> None:
        """Show how the session stands now."""
        self._picture = picture
        width, signs = self.app.size.width, self._alphabet
        sentence, alarms = draw_glance(picture, width, signs), draw_alarms(picture, width, signs)
        self.paint([*sentence, *alarms, draw_title(picture, width, signs)])
        self.take_height(len(self.lines))


def level_sign(level: Level, alphabet: Alphabet) -> str:
    """Return the sign of a level, one character."""
    return _ASCII_SIGNS[level] if alphabet.ascii_only else alphabet.plain(SIGNS[level])


def draw_glance(picture: Picture, width: int, alphabet: Alphabet) -> list[Line]:
    """Return the glance in as many lines as its sentence needs, at most three, each across the whole width."""
    glance = picture.glance
    tone = LEVEL_TONES[glance.level]
    sign = level_sign(glance.level, alphabet)
    pieces = wrap(alphabet.plain(glance.sentence), max(1, width - 4))
    if len(pieces) > _MOST_SENTENCE_LINES:
        pieces[_MOST_SENTENCE_LINES - 1] = " ".join(pieces[_MOST_SENTENCE_LINES - 1 :])
    starts = [f" {sign} "] + ["   "] * _MOST_SENTENCE_LINES
    shown = zip(starts, pieces[:_MOST_SENTENCE_LINES], strict=False)
    return [(Cell(start + fit(piece, max(1, width - 3), alphabet), tone),) for start, piece in shown]


def draw_alarms(picture: Picture, width: int, alphabet: Alphabet) -> list[Line]:
    """Return one line with the alarms that stand, those first that nobody has acknowledged; none where none stands."""
    standing, waiting = picture.alarms.standing, picture.alarms.unacknowledged
    if not standing:
        return []
    words = ", ".join(alarm.words for alarm in waiting)
    seen = ", ".join(alarm.words for alarm in standing if alarm.acknowledged)
    bell = "" if picture.bell else ", bell off"
    if not waiting:
        return [(Cell(fit(f" {alphabet.warning} seen: {alphabet.plain(seen)}", width, alphabet), Tone.BAD),)]
    aside = f" a: seen{bell} "
    known = f"; seen: {seen}" if seen else ""
    text = fit(f" {alphabet.tripped} ALARM {alphabet.plain(words + known)}", width - len(aside), alphabet) + aside
    tone = Tone.DANGER if any(alarm.is_grave for alarm in waiting) else Tone.ALERT
    return [(Cell(fit(text, width, alphabet), tone),)]


def draw_title(picture: Picture, width: int, alphabet: Alphabet) -> Line:
    """Return the bench's title, where it has room, and the facts at the right edge."""
    facts = draw_facts(picture, width, alphabet)
    taken = sum(cell.width for cell in facts)
    room = width - taken - _BEFORE_FACTS
    if room < _LEAST_TITLE:
        return Cell(" " * (width - taken)), *facts
    title = fit("   " + alphabet.plain(picture.info.bench.title), room, alphabet)
    return Cell(title, Tone.QUIET), Cell(" " * _BEFORE_FACTS), *facts


def draw_facts(picture: Picture, width: int, alphabet: Alphabet) -> Line:
    """Return the plan's step, the mains, the recorder's state and the time, as much of it as `width` has room for."""
    mains, step = alphabet.plain(picture.mains_in_words), picture.step_in_words
    cells = [
        Cell(f"{step}   " if step else "", Tone.STRONG),
        Cell(f"{mains}   " if mains else ""),
        Cell(picture.state_in_words, Tone.ALERT if picture.old else Tone.PLAIN),
        Cell(f"   {clock(picture.now)} "),
    ]
    while len(cells) > 1 and sum(cell.width for cell in cells) > width:
        cells.pop(0)
    return tuple(cells)
