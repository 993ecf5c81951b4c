"""The head: the glance in words, and below it title, mains, recorder and time. On top of every view and dialogue."""

from __future__ import annotations

from textual import events
from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical

from benchmon.screen.alphabet import Alphabet
from benchmon.screen.cells import Cell, Line, fit, wrap
from benchmon.screen.numbers import clock
from benchmon.screen.picture import Picture
from benchmon.screen.tones import LEVEL_TONES, Tone
from benchmon.screen.widgets.cell_lines import CellLines
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


class Head(Vertical):
    """Answers "is it right, is it safe?" in its first line."""

    DEFAULT_CSS = """
    Head {
        dock: top;
        height: 2;
        & > Horizontal { height: 1; }
    }
    """

    def __init__(self, picture: Picture, alphabet: Alphabet) -> None:
        super().__init__()
        self._picture = picture
        self._alphabet = alphabet
        self._sentence, self._alarms = CellLines(), CellLines()
        self._title, self._facts = CellLines(), CellLines()

    def compose(self) -> ComposeResult:
        """Put the sentence on top; title and facts are apart, so that the running time does not send the title."""
        yield self._sentence
        yield self._alarms
        with Horizontal():
            yield self._title
            yield self._facts

    def on_resize(self, _event: events.Resize) -> None:
        """Wrap the sentence anew."""
        self.show(self._picture)

    @property
    def lines(self) -> int:
        """Return the lines it takes."""
        return max(1, len(self._sentence.lines)) + len(self._alarms.lines) + 1

    def show(self, picture: Picture) -> None:
        """Show how the session stands now."""
        self._picture = picture
        width, signs = self.size.width, self._alphabet
        if width <= 0 or not self.is_mounted:
            return
        self._sentence.paint(draw_glance(picture, width, signs))
        self._alarms.paint(draw_alarms(picture, width, signs))
        self._alarms.display = bool(self._alarms.lines)
        facts = draw_facts(picture, width, signs)
        taken = sum(cell.width for cell in facts)
        room = width - taken - 2
        title = fit("   " + signs.plain(picture.info.bench.title), room, signs) if room >= _LEAST_TITLE else ""
        _set(self._sentence, "height", len(self._sentence.lines))
        _set(self, "height", self.lines)
        _set(self._facts, "width", taken)
        self._title.paint([(Cell(title, Tone.QUIET),)])
        self._facts.paint([facts])


def _set(widget: CellLines | Head, side: str, cells: int) -> None:
    """Set a side of `widget`, where it changes: every setting lays out the whole screen anew."""
    now = getattr(widget.styles, side)
    if now is None or now.value != cells:
        setattr(widget.styles, side, cells)


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
