"""The figures of the screen: what it sends and takes, from a key to its reaction, and from the start to live values.

    python tests/benchmarks/screen_figures.py [ROUNDS]

All over a pseudo-terminal, 80x24, as a person has them: 16 channels read five times a second over sockets, 32 channels
ten times a second, and the demo on a warm machine, its byte code kept as that of an installed program is. Prints one
line a figure: what, measured, allowed; leaves with status 1 where one is missed.
"""

from __future__ import annotations

import os
import pty
import random
import re
import select
import signal
import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from fcntl import ioctl
from pathlib import Path
from struct import pack
from termios import TIOCSWINSZ

import pyte

from benchmon.errors import BenchmonError
from benchmon.instruments.testing.fake_instrument import FakeTcpInstrument
from benchmon.quantities import UNITS
from benchmon.session.follower import open_session_view
from benchmon.session.requests import StopRecording
from benchmon_simulated.scenarios import scenario_named

BENCHMON = [sys.executable, "-m", "benchmon"]
ROUNDS = int(sys.argv[1]) if len(sys.argv) > 1 else 25
PATIENCE = 20.0
NOT_A_USERS = ("NO_COLOR", "COLUMNS", "LINES", "PYTHONDONTWRITEBYTECODE")
CALM_SECONDS = 20.0

KEYS = (
    (b"?", "Keys of the channels"),
    (b"\x1b", "q Quit"),
    (b"b", "█"),
    (b"\x1b", "q Quit"),
    (b"p", "set the mains to"),
    (b"\x1b", "q Quit"),
    (b"t", "trend of"),
    (b"\x1b", "q Quit"),
    (b"w", "wave of"),
    (b"\x1b", "q Quit"),
    (b"n", "what do you see"),
    (b"\x1b", "q Quit"),
)
"""Keys, and the words by which a person sees that each was taken."""


class Terminal:
    """A program on a terminal of its own; `pyte` draws what it sends."""

    def __init__(self, command: list[str], folder: Path) -> None:
        self.screen = pyte.Screen(80, 24)
        self.screen.write_process_input = lambda data: os.write(self._line, data.encode())
        self._stream = pyte.ByteStream(self.screen)
        self.began = time.monotonic()
        self.sent = 0
        self._pid, self._line = pty.fork()
        if self._pid == 0:
            kept = {name: value for name, value in os.environ.items() if name not in NOT_A_USERS}
            given = kept | {"TERM": "xterm-256color", "LC_ALL": "C.UTF-8", "XDG_DATA_HOME": str(folder)}
            os.execvpe(command[0], command, given)  # noqa: S606 - in the terminal's own process
        ioctl(self._line, TIOCSWINSZ, pack("HHHH", 24, 80, 0, 0))

    def until(self, something: Callable[[list[str]], bool], seconds: float = PATIENCE) -> float:
        """Return how many seconds it took until the screen shows `something`. Raises `AssertionError` where never."""
        began = time.monotonic()
        while time.monotonic() - began < seconds:
            if something(self.screen.display):
                return time.monotonic() - began
            if select.select([self._line], [], [], 0.01)[0]:
                sent = os.read(self._line, 65536)
                self.sent += len(sent)
                self._stream.feed(re.sub(rb"\x1b\[[>?<][0-9;]*[$a-zA-Z]p?", b"", sent))
        raise AssertionError("\n".join(self.screen.display))

    def processor_seconds(self) -> float:
        """Return the processor's time that the program has taken so far, in itself and in the kernel."""
        user, system = Path(f"/proc/{self._pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[11:13]
        return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")

    def press(self, key: bytes) -> None:
        os.write(self._line, key)

    def end(self) -> None:
        os.kill(self._pid, signal.SIGTERM)
        os.close(self._line)
        os.waitpid(self._pid, 0)


@contextmanager
def many_channels(folder: Path, meters: int, each: int, period: str) -> Iterator[Path]:
    """Give a bench file of channels, `each` on one of `meters` meters; every reading is different from the last."""
    chance = random.Random(1)
    quantities = [quantity for quantity in UNITS if "temperature" not in quantity][: meters * each]
    sections = [scenario_named("reservoir").path.read_text(encoding="utf-8").partition("[[instrument]]")[0]]

    def answer(asked: bytes) -> bytes:
        if asked.startswith(b"V"):
            return f"{20 * (1 + chance.gauss(0, 0.004)):.6g}\n".encode()
        return b'0,"No error"\n' if asked.startswith(b"SYST") else b"bench,meter,0,0\n"

    with ExitStack() as stack:
        for meter in range(meters):
            address = stack.enter_context(FakeTcpInstrument(answer)).visa_address
            sections.append(f'[[instrument]]\nname = "m{meter}"\ndriver = "scpi"\naddress = "{address}"\n')
            sections += [
                f'[[channel]]\nname = "c{meter}{at}"\ninstrument = "m{meter}"\nquantity = "{quantity}"\n'
                f'query = "V{at}?"\naccuracy = "0.5 %"\nperiod = "{period}"\n'
                for at, quantity in enumerate(quantities[each * meter : each * (meter + 1)])
            ]
        sections.append('[[step]]\nname = "full mains"\nmains = "230 V"\n')
        file = folder / "many.toml"
        file.write_text("\n".join(sections), encoding="utf-8")
        yield file


def sent_and_taken(folder: Path) -> tuple[float, float]:
    """Return the bytes a second that the screen sends, and its part of one core, while 16 channels move."""
    with many_channels(folder, 4, 4, "0.2 s") as bench:
        terminal = Terminal([*BENCHMON, "run", str(bench), "--session", str(folder / "calm.session")], folder)
        try:
            terminal.until(lambda rows: any("c00" in row and " V" in row for row in rows))
            settle(terminal, 5.0)
            sent, taken, began = terminal.sent, terminal.processor_seconds(), time.monotonic()
            settle(terminal, CALM_SECONDS)
            passed = time.monotonic() - began
            return (terminal.sent - sent) / passed, (terminal.processor_seconds() - taken) / passed
        finally:
            terminal.end()
            stop(folder / "calm.session")


def keys_to_reactions(folder: Path) -> list[float]:
    """Return the seconds from each key to its reaction, rounds of all keys while 32 channels move."""
    with many_channels(folder, 8, 4, "0.1 s") as bench:
        terminal = Terminal([*BENCHMON, "run", str(bench), "--session", str(folder / "many.session")], folder)
        try:
            terminal.until(lambda rows: any("c00" in row and " V" in row for row in rows))
            settle(terminal, 3.0)
            took = []
            for _ in range(ROUNDS):
                for key, word in KEYS:
                    terminal.press(key)
                    took.append(terminal.until(lambda rows, word=word: any(word in row for row in rows)))
                    settle(terminal, 0.05)
            return took
        finally:
            terminal.end()
            stop(folder / "many.session")


def settle(terminal: Terminal, seconds: float) -> None:
    """Go on drawing for a while; a program that has ended says no more."""
    end = time.monotonic() + seconds
    with suppress(OSError):
        terminal.until(lambda _: time.monotonic() >= end, seconds + 1.0)


def stop(session: Path) -> None:
    """Stop the recorder of a session, whatever became of its screen; leave nothing behind."""
    with suppress(BenchmonError):
        view = open_session_view(session)
        view.request(StopRecording())
        end = time.monotonic() + PATIENCE
        while view.live and time.monotonic() < end:
            time.sleep(0.1)
            view.poll()


def first_live_values(folder: Path, number: int) -> float:
    """Return the seconds from the start of the demo to the first live value on its screen."""
    session = folder / f"demo{number}.session"
    terminal = Terminal([*BENCHMON, "demo", "--session", str(session)], folder)
    try:
        return terminal.until(lambda rows: any(re.search(r"^.. output +[\d.]+ V", row) for row in rows))
    finally:
        stop(session)
        settle(terminal, 1.0)
        terminal.end()


def within(what: str, measured: float, allowed: float, unit: str) -> bool:
    ok = measured <= allowed
    print(f"{'ok    ' if ok else 'MISSED'} {what}: {measured:.3g} {unit}, allowed {allowed:g} {unit}")
    return ok


def main() -> int:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sent, taken = sent_and_taken(folder)
        took = sorted(keys_to_reactions(folder))
        p95 = took[int(0.95 * (len(took) - 1))]
        print(f"       key to reaction: median {1e3 * statistics.median(took):.0f} ms, longest {1e3 * took[-1]:.0f} ms")
        starts = [first_live_values(folder, number) for number in range(3)]
        print(f"       starts: {', '.join(f'{start:.2f} s' for start in starts)}")
        results = [
            within("sent, 16 channels at 5 Hz", sent, 4000.0, "bytes a second"),
            within("taken of a core, 16 channels at 5 Hz", 100 * taken, 2.5, "%"),
            within(f"key to reaction, 32 channels at 10 Hz, p95 of {len(took)}", 1e3 * p95, 60.0, "ms"),
            within("start to first live values, warm", min(starts[1:]), 1.0, "s"),
        ]
    return 0 if all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
