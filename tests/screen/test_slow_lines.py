"""The screen at the end of a real line: a pseudo-terminal, and pyte as the terminal that draws and answers."""

from __future__ import annotations

import os
import pty
import re
import select
import shutil
import signal
import sys
import threading
import time
import tty
from collections import deque
from collections.abc import Callable, Sequence
from contextlib import suppress
from fcntl import ioctl
from pathlib import Path
from struct import pack
from termios import TIOCSWINSZ
from types import SimpleNamespace

import pyte
import pytest
from textual import constants, events
from textual.drivers.linux_driver import LinuxDriver

from benchmon.screen.terminal import differential_driver
from benchmon.screen.terminal.cell_diff import TerminalCells
from benchmon.screen.terminal.differential_driver import BackgroundReported, DifferentialDriver

PLAY = """
import sys, time
from pathlib import Path
sys.path.insert(0, {folder!r})
from support.session_view import FakeView, judgement, CHANNELS
from benchmon.screen.app import run_screen
from benchmon.watch.records import Flag

class View(FakeView):
    def poll(self):
        at = time.monotonic() - {start!r}
        tripped = [Flag.TRIPPED] if Path({trip!r}).exists() else []
        flags = {{"diode case": tripped}}
        self.push(*(judgement(name, at, at, time=at, flags=flags.get(name, [])) for name, _, _ in CHANNELS), now=at)
        return super().poll()

print("left:", run_screen(View()))
"""


class Line:
    """A program at the far end of a line that carries `rate` bytes a second; what is on its way waits without bound."""

    def __init__(self, command: Sequence[str], rate: float = 1e9, *, answers: bool = True, **environment: str):
        self.rate, self.answers = rate, answers
        self.screen = pyte.Screen(80, 24)
        self.screen.write_process_input = self._answer
        self._stream = pyte.ByteStream(self.screen)
        self.pid, self._line = pty.fork()
        if self.pid == 0:
            kept = {name: value for name, value in os.environ.items() if name not in ("NO_COLOR", "COLUMNS", "LINES")}
            given = kept | {"TERM": "xterm-256color", "LC_ALL": "C.UTF-8"} | environment
            # With its environment named: pytest's readline puts COLUMNS and LINES into that of the process.
            os.execvpe(command[0], list(command), given)  # noqa: S606 - in the terminal's own process
        self.resize(80, 24)
        self.on_its_way: deque[bytes] = deque()
        self.sent = b""
        self._carried, self._last = 0.0, time.monotonic()

    def resize(self, columns: int, lines: int) -> None:
        self.screen.resize(lines, columns)
        ioctl(self._line, TIOCSWINSZ, pack("HHHH", lines, columns, 0, 0))

    def press(self, keys: bytes) -> None:
        os.write(self._line, keys)

    def go_on(self) -> None:
        """Carry what the line can carry by now."""
        if select.select([self._line], [], [], 0.02)[0]:
            found = b""
            with suppress(OSError):  # the program has ended; what it sent before is still on its way
                found = os.read(self._line, 65536)
            self.sent += found
            self.on_its_way.extend(found[at : at + 1] for at in range(len(found)))
        now = time.monotonic()
        self._carried = min(self._carried + self.rate * (now - self._last), 65536.0)
        self._last = now
        count = min(int(self._carried), len(self.on_its_way))
        # A line that has had nothing to carry carries no more afterwards.
        self._carried = self._carried - count if len(self.on_its_way) > count else 0.0
        # pyte knows no synchronized output and no private questions.
        arrived = b"".join(self.on_its_way.popleft() for _ in range(count))
        self._stream.feed(re.sub(rb"\x1b\[[>?<][0-9;]*[$a-zA-Z]p?", b"", arrived))

    def until(self, something: Callable[[], bool], seconds: float = 60.0) -> bool:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.go_on()
            if something():
                return True
        return False

    def shows(self, word: str, seconds: float = 60.0) -> bool:
        return self.until(lambda: any(word in line for line in self.screen.display), seconds)

    def run(self, seconds: float) -> None:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            self.go_on()

    def end(self) -> None:
        os.kill(self.pid, signal.SIGTERM)
        self.run(0.2)
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        os.close(self._line)

    def _answer(self, data: str) -> None:
        if self.answers:
            os.write(self._line, data.encode())


@pytest.fixture
def start(tmp_path):
    """Return a function that starts the screen at the far end of a line."""
    script, begun, lines = tmp_path / "play.py", time.monotonic(), []
    trip = tmp_path / "trip"
    script.write_text(PLAY.format(folder=str(Path(__file__).parents[1]), start=begun, trip=str(trip)), encoding="utf-8")

    def on_a_line(*before: str, **options) -> Line:
        lines.append(Line([*before, sys.executable, str(script)], **options))
        lines[-1].begun, lines[-1].trip = begun, trip
        return lines[-1]

    yield on_a_line
    for line in lines:
        line.end()


@pytest.mark.parametrize(
    ("answer", "theme"),
    [
        (b"\x1b]11;rgb:ffff/ffff/dddd\x1b\\", "light"),
        (b"\x1b]11;rgb:ff/ff/dd\x07", "light"),
        (b"\x1b]11;rgb:0000/2b2b/3636\x1b\\", "dark"),
        (b"\x1b]11;rgb:0000/0000/ffff\x1b\\", "dark"),
        (b"\x1b]11;quick rubbish k\x1b\\", "dark"),
        (b"\x1b]11;kkk", "dark"),
        (b"", "dark"),
    ],
)
@pytest.mark.parametrize("piece", [1, 99])
async def test_the_colours_follow_the_background_and_no_answer_becomes_a_key(answer, theme, piece, monkeypatch):
    leader, follower = pty.openpty()
    tty.setraw(follower)
    monkeypatch.setattr(sys, "__stdin__", SimpleNamespace(fileno=lambda: follower, isatty=lambda: True))
    monkeypatch.setattr(LinuxDriver, "write", lambda _, data: sent.append(data))
    monkeypatch.setattr(differential_driver, "_LOOK_EVERY", 0.01)
    monkeypatch.setattr(constants, "ESCAPE_DELAY", 0.01)
    monkeypatch.setenv("TERM", "xterm")
    sent, came, ended = [], [], threading.Event()
    driver = DifferentialDriver(SimpleNamespace(wants_background=lambda: True))

    def take(_, message):
        came.append(message)
        if getattr(message, "key", "") == "ctrl+c":
            ended.set()

    monkeypatch.setattr(LinuxDriver, "process_message", take)
    driver.write("\x1b[?1049h")
    assert sent == ["\x1b[?1049h", "\x1b]11;?\x1b\\"]
    reading = threading.Thread(target=driver.run_input_thread, daemon=True)
    reading.start()
    for at in range(0, len(answer), piece):
        os.write(leader, answer[at : at + piece])
    os.write(leader, b"\x03")
    assert ended.wait(60.0)
    driver.exit_event.set()
    reading.join(60.0)
    os.close(leader)
    os.close(follower)
    assert [message.key for message in came if isinstance(message, events.Key)] == ["ctrl+c"]
    reported = [message.is_light for message in came if isinstance(message, BackgroundReported)]
    assert reported == ([theme == "light"] if b"rgb" in answer else [])


@pytest.mark.parametrize("term", ["linux", "dumb", "vt100", ""])
async def test_a_terminal_that_might_draw_the_question_is_not_asked(term, driver, monkeypatch):
    monkeypatch.setenv("TERM", term)
    driver._app.wants_background = lambda: True
    driver.write("\x1b[?1049h")
    assert not any("]11;" in sent for sent in driver.sent)


@pytest.mark.parametrize("piece", [1, 99])
@pytest.mark.parametrize(
    ("typed", "keys"),
    [
        (b"\x1bt", ["escape", "t"]),
        (b"\x1bb", ["ctrl+left"]),
        (b"d\x1bg\x1b\x1bh", ["d", "escape", "g", "escape", "escape", "h"]),
        (b"\x1b[A\x1bOB", ["up", "down"]),
        (b"\x1b\x1b[A", ["escape", "up"]),
        (b"x\x1b", ["x", "escape"]),
    ],
)
async def test_an_escape_is_one_also_where_another_key_follows_at_once(typed, keys, piece, monkeypatch):
    """Over a slow line both arrive together."""
    leader, follower = pty.openpty()
    tty.setraw(follower)
    monkeypatch.setattr(sys, "__stdin__", SimpleNamespace(fileno=lambda: follower, isatty=lambda: True))
    monkeypatch.setattr(constants, "ESCAPE_DELAY", 2.0)
    came, arrived = [], threading.Condition()
    driver = DifferentialDriver(SimpleNamespace())

    def take(_, message):
        with arrived:
            came.extend([message.key] if isinstance(message, events.Key) else [])
            arrived.notify()

    monkeypatch.setattr(LinuxDriver, "process_message", take)
    reading = threading.Thread(target=driver.run_input_thread, daemon=True)
    reading.start()
    for at in range(0, len(typed), piece):
        os.write(leader, typed[at : at + piece])
    with arrived:
        assert arrived.wait_for(lambda: len(came) == len(keys), 60.0), came
    driver.exit_event.set()
    reading.join(60.0)
    os.close(leader)
    os.close(follower)
    assert came == keys


def test_keys_that_begin_like_an_answer_are_keys():
    waiting = differential_driver.BackgroundAnswer()
    assert waiting.without("\x1b") + waiting.without("") == "\x1b"
    assert waiting.without("\x1b[A") == "\x1b[A"
    assert waiting.without("\x1b]") + waiting.without("") == "\x1b]"
    assert waiting.without("\x1b]11;rgb:ff") + "".join(waiting.without("") for _ in range(20)) == ""
    assert waiting.without("q") == "q"
    assert waiting.without("\x1b") + waiting.without("") == "\x1b", "Escape is held up no longer than others"
    assert waiting.without("\x1b]11;rgb:ffff/ffff/ffff\x1b\\") == ""
    assert waiting.without("\x1b") == "\x1b", "it is a key at once when the answer is there"


@pytest.mark.parametrize("pause", [0.0, 0.03], ids=["at once", "byte by byte"])
def test_an_answer_about_the_background_that_comes_very_late_is_no_key(start, pause):
    """Its letters are keys of the screen: r asks for readings, b shows large digits; Escape goes back."""
    # Milliseconds after which an Escape is a key; on a busy machine bytes of one answer may lie far apart.
    line = start(ESCDELAY="2000")
    assert line.shows("output volt"), line.screen.display
    assert line.until(lambda: b"\x1b]11;?" in line.sent)
    line.press(b"t")
    assert line.shows("trend of"), line.screen.display
    line.answers = False  # A terminal puts no other answer into the midst of one.
    line.run(6.0)
    answer = b"\x1b]11;rgb:ffff/ffff/eeee\x1b\\"
    for piece in [answer] if pause == 0.0 else [bytes([each]) for each in answer]:
        line.press(piece)
        line.run(pause)
    line.answers = True
    line.run(1.0)
    assert any("trend of" in each for each in line.screen.display), line.screen.display
    line.press(b"?")
    assert line.shows("Keys of"), line.screen.display


def value_shown(line: Line) -> float:
    """The seconds of the session at which the output voltage was read that is shown; 0 while its row is drawn."""
    found = re.search(r"output volt.*?([\d.]+) (m?)V", "\n".join(line.screen.display))
    return float(found[1]) / (1000 if found[2] else 1) if found else 0.0


def test_a_slow_line_gets_fewer_frames_and_no_old_ones(start):
    line = start(rate=900.0)
    assert line.shows("output volt"), line.screen.display
    shown = []
    for _ in range(10):
        line.run(0.8)
        shown.append(value_shown(line))
    assert shown == sorted(shown)
    assert shown[-1] > shown[0]
    assert len(line.on_its_way) < 4000, "what the line cannot carry is left out, and does not wait"


def test_a_line_that_answers_at_once_gets_every_frame(start):
    line = start()
    assert line.shows("output volt")
    shown = set()

    def more_than_ten() -> bool:
        shown.add(value_shown(line))
        return len(shown) > 10

    assert line.until(more_than_ten), shown


def test_a_view_opens_whole(start):
    line = start()
    assert line.shows("output volt")
    for key, words, least in ((b"?", "no protective device", 20), (b"\x1b", "output volt", 15), (b"e", "events", 4)):
        line.press(key)
        written = []

        def is_there(words=words, written=written):
            written.append(sum(bool(row.strip()) for row in line.screen.display))
            return any(words in row for row in line.screen.display[2:])

        assert line.until(is_there), line.screen.display
        assert min(written) >= least, "an emptier screen was shown on the way"


def listening(monkeypatch, reads_end):
    """Run the reading of keys on a pipe until its end; return what came, and how long each look waited at most."""
    driver = DifferentialDriver.__new__(DifferentialDriver)
    driver.fileno, driver.exit_event, driver._wanted = reads_end, threading.Event(), TerminalCells()
    came, waits = [], []
    driver.process_message = came.append

    def look(readers, *others):
        waits.append(others[-1])
        ready = select.select(readers, *others)
        if len(waits) == 3:
            driver.exit_event.set()
        return ready

    monkeypatch.setattr(differential_driver, "select", SimpleNamespace(select=look))
    driver.run_input_thread()
    return came, waits


def test_an_escape_alone_waits_for_no_more_than_the_rest_of_a_key(monkeypatch):
    reads_end, writes_end = os.pipe()
    os.write(writes_end, b"\x1b")
    came, waits = listening(monkeypatch, reads_end)
    assert [message.key for message in came] == ["escape"]
    assert waits[1] == constants.ESCAPE_DELAY < waits[0] == waits[2]


def test_a_terminal_that_is_gone_ends_the_reading_of_keys(monkeypatch):
    reads_end, writes_end = os.pipe()
    os.write(writes_end, b"q")
    os.close(writes_end)
    came, waits = listening(monkeypatch, reads_end)
    assert [message.key for message in came] == ["q"]
    assert len(waits) == 2, "it looks no more where nothing can come"


def test_a_screen_whose_terminal_is_closed_ends_though_it_ignores_the_signal(start):
    line = start("sh", "-c", 'trap "" HUP; exec "$@"', "sh")
    assert line.shows("output volt")
    os.close(line._line)
    line.end = lambda: None
    give_up = time.monotonic() + 60.0
    while not (ended := os.waitpid(line.pid, os.WNOHANG))[0]:
        if time.monotonic() > give_up:
            os.kill(line.pid, signal.SIGKILL)
        time.sleep(0.02)
    assert os.waitstatus_to_exitcode(ended[1]) == -signal.SIGTERM


def test_the_reading_of_keys_ends_though_a_frame_is_being_painted():
    """A signal that puts the screen in the background may come in the midst of one, and waits for the reading's end."""
    reads_end, _writes_end = os.pipe()
    driver, tried = DifferentialDriver.__new__(DifferentialDriver), threading.Event()
    driver.fileno, driver.exit_event = reads_end, threading.Event()
    driver._lock = SimpleNamespace(acquire=lambda timeout: (tried.set(), time.sleep(timeout))[0])
    driver._asked = time.monotonic()
    reading = threading.Thread(target=driver.run_input_thread, daemon=True)
    reading.start()
    assert tried.wait(60.0)
    driver.exit_event.set()
    reading.join(60.0)
    assert not reading.is_alive()


def test_a_terminal_that_never_answers_is_served_all_the_same(start):
    line = start(answers=False)
    assert line.shows("output volt")
    line.run(2.0)
    before = value_shown(line)
    assert line.until(lambda: value_shown(line) > before)


@pytest.mark.parametrize("answers", [True, False])
def test_on_a_slow_line_an_alarm_waits_behind_no_rows(start, answers):
    """At 300 bytes a second no more than about two seconds' worth is ever on its way, also without any answers."""
    line = start(rate=300.0, answers=answers)
    most = 0

    def shows(words: str) -> bool:
        nonlocal most
        most = max(most, len(line.on_its_way))
        return any(words in row for row in line.screen.display)

    assert line.until(lambda: shows("output volt"), 90.0), line.screen.display
    line.trip.touch()
    assert line.until(lambda: shows("ALARM"), 90.0), line.screen.display
    assert most < 800


def test_a_garbled_screen_is_drawn_again_on_request(start):
    line = start()
    assert line.shows("Help")
    line.screen.erase_in_display(2)
    line.run(1.0)
    assert not any("Help" in row for row in line.screen.display)
    line.press(b"\x0c")
    assert line.shows("Help")
    assert line.shows("output volt")


def without_values(line: Line) -> list[str]:
    return [re.sub(r"[\d.,±m ●┼─├┤▁-█]+", " ", row) for row in line.screen.display]


def test_resized_at_any_time_it_shows_itself_whole(start):
    line = start()
    assert line.shows("Help")
    for columns, lines in ((120, 40), (80, 24), (100, 30), (250, 70), (60, 15)):
        line.resize(columns, lines)
        line.run(0.1)
    for columns, lines in ((60, 15), (250, 70), (80, 24)):
        line.resize(columns, lines)
        assert line.until(lambda at=lines - 1: "Help" in line.screen.display[at]), line.screen.display
        line.run(1.0)
        before = without_values(line)
        line.screen.erase_in_display(2)
        line.press(b"\x0c")
        same = line.until(lambda shown=before: without_values(line) == shown)
        assert same, "all of it was there before it was drawn again"


def test_the_shell_gets_no_answer_that_was_meant_for_the_screen(start):
    line = start(rate=3000.0)
    assert line.shows("Help")
    line.press(b"q")
    assert line.shows("leave the screen")
    line.press(b"k")
    # This terminal has no second screen, so what follows may be wrapped where the cursor stood.
    assert line.until(lambda: "left: T" in "".join(line.screen.display)), line.screen.display
    line.run(1.0)
    assert not any(re.search(r"\[\d+;\d+R", row) for row in line.screen.display)


@pytest.fixture
async def driver(monkeypatch):
    """Return a driver in a terminal that it has entered, whose answers a test gives by hand."""
    leader, follower = pty.openpty()
    ioctl(follower, TIOCSWINSZ, pack("HHHH", 24, 80, 0, 0))
    monkeypatch.setattr(sys, "__stdin__", SimpleNamespace(fileno=lambda: follower, isatty=lambda: True))
    sent = []
    monkeypatch.setattr(LinuxDriver, "write", lambda _, data: sent.append(data))
    monkeypatch.setattr(LinuxDriver, "flush", lambda _: None)
    monkeypatch.setattr(LinuxDriver, "disable_input", lambda _: sent.append("input ended"))
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    driver = DifferentialDriver(SimpleNamespace())
    driver.sent = sent
    driver.write("\x1b[?1049h")
    yield driver
    os.close(follower)
    os.close(leader)


def paint(driver, text: str) -> None:
    driver.write(f"\x1b[1;1H{text}\x1b[1;1H")
    driver.flush()


def question(sent: str) -> events.CursorPosition:
    """Return the answer to the question at the end of what was sent."""
    row, column = re.fullmatch(r".*\x1b\[(\d+);(\d+)H\x1b\[6n", sent, re.DOTALL).groups()
    return events.CursorPosition(int(column) - 1, int(row) - 1)


async def test_what_is_painted_before_an_answer_is_sent_after_it_and_only_the_newest(driver):
    paint(driver, "one")
    first = question(driver.sent[-1])
    count = len(driver.sent)
    paint(driver, "two")
    paint(driver, "six")
    assert len(driver.sent) == count
    driver.process_message(first)
    assert "six" in driver.sent[-1]
    assert "two" not in "".join(driver.sent)


async def test_an_answer_that_comes_too_late_is_none_to_what_was_sent_since(driver):
    paint(driver, "one")
    first = question(driver.sent[-1])
    driver.process_message(first)
    paint(driver, "two")
    second = question(driver.sent[-1])
    driver._asked -= 60.0  # given up as lost
    paint(driver, "six")
    third, count = question(driver.sent[-1]), len(driver.sent)
    driver.process_message(second)
    paint(driver, "ten")
    assert len(driver.sent) == count, "the second answer does not say that the third frame is there"
    driver.process_message(third)
    assert "ten" in driver.sent[-1]


async def test_leaving_waits_for_the_answer_to_the_last_question(driver):
    paint(driver, "one")
    driver.process_message(question(driver.sent[-1]))
    paint(driver, "two")
    second = question(driver.sent[-1])
    driver._asked -= 60.0
    paint(driver, "six")
    third = question(driver.sent[-1])
    driver.process_message(second)
    leaving = threading.Thread(target=driver.disable_input)
    leaving.start()
    while not driver._leaving:
        time.sleep(0)
    assert "input ended" not in driver.sent, "the third answer would end up in the shell"
    driver.process_message(third)
    leaving.join()
    assert driver.sent[-1] == "input ended"
    assert driver._asked is None


async def test_a_frame_that_begins_with_new_lines_is_taken_as_one(driver):
    count = len(driver.sent)
    driver.write("\n\n\x1b[1;1H")
    assert len(driver.sent) == count


ONLY_ASCII = ({"LC_ALL": "C"}, {"LC_ALL": "POSIX", "TERM": "screen"})


@pytest.mark.parametrize("environment", ONLY_ASCII, ids=str)
def test_terminals_with_ascii_alone_get_nothing_else(start, environment):
    line = start(**environment)
    assert line.shows("= output volt"), line.screen.display
    line.run(0.5)
    assert line.sent.isascii()


@pytest.mark.parametrize("term", ["xterm", "screen", "tmux-256color", "linux"])
def test_colours_are_the_sixteen_of_every_terminal(start, term):
    line = start(TERM=term)
    assert line.shows("output volt"), line.screen.display
    styles = {code for sgr in re.findall(rb"\x1b\[([\d;]*)m", line.sent) for code in sgr.split(b";")}
    assert b"36" in styles
    assert not styles & {b"38", b"48"}
    assert line.sent.isascii() is (term == "linux")


def test_without_colours_none_is_sent(start):
    plain = start(NO_COLOR="1", TERM="vt100")
    assert plain.shows("output volt"), plain.screen.display
    codes = {int(code) for sgr in re.findall(rb"\x1b\[([\d;]+)m", plain.sent) for code in sgr.split(b";") if code}
    assert not codes & {*range(30, 38), *range(40, 48), *range(90, 108)}
    assert plain.sent.isascii()


@pytest.mark.skipif(shutil.which("screen") is None, reason="GNU screen is not installed here")
def test_inside_screen(start, tmp_path):
    folder = tmp_path / "screens"
    folder.mkdir(mode=0o700)
    line = start("screen", "-c", "/dev/null", "-U", SCREENDIR=str(folder))
    assert line.shows("output volt"), line.screen.display
    line.run(1.0)
    before = value_shown(line)
    assert line.until(lambda: value_shown(line) > before)
    line.press(b"q")
    assert line.shows("leave the screen"), line.screen.display
    line.press(b"k")
    line.run(1.0)


@pytest.mark.parametrize("how", ["signal", "key"])
def test_put_in_the_background_and_back_it_shows_itself_whole(start, how):
    line = start()
    assert line.shows("Help")
    line.run(1.0)
    if how == "signal":
        os.kill(line.pid, signal.SIGTSTP)
    else:
        line.press(b"\x1a")
    assert line.until(lambda: os.waitpid(line.pid, os.WNOHANG | os.WUNTRACED)[0] == line.pid)
    line.run(0.5)
    line.screen.reset()
    os.kill(line.pid, signal.SIGCONT)
    assert line.shows("Help"), line.screen.display
    assert line.shows("output volt")
    before = value_shown(line)
    assert line.until(lambda: value_shown(line) > before)
