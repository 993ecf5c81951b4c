"""Attacks by session files: whatever is done to one, every command answers in words, soon and within bounded memory.

    python tests/benchmarks/attacks/session_attacks.py [--sessions 1000] [--first 0] [--at-once 2]

A good session of some minutes is spoilt a thousand times: bytes flipped, written over or cut off, rows made
senseless, rows of other tables, a log, an index or a journal of another file put beside it. Each is given to `replay`
and `attach` (in a terminal of their own: a few keys as soon as the screen has stood still, the last one leaves),
`report`, `compare` and `export`. What counts is a traceback or a numpy warning, a process that a signal ends, one
that takes longer than 10 s of a processor, or than 30 s by the clock of a machine that others use too, or more than
300 MB. Leaves with status 1 where there is one.
"""

from __future__ import annotations

import argparse
import fcntl
import os
import pty
import random
import re
import select
import sqlite3
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, suppress
from dataclasses import dataclass, field
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from fork_server import Ended, ForkServer

ALLOWED_SECONDS, ALLOWED_MEGABYTES = 10.0, 300.0
HANGS_AFTER, KILLED_AFTER = 30.0, 60.0
DRAWN = 1000
"""Bytes that a terminal has got at least where a screen was shown in it."""
STANDS_STILL = 0.15
"""Seconds without output after which a screen has drawn itself and gets the next key."""
LOOKED_AT = 1.0
"""Seconds after which a screen that goes on drawing gets the next key."""
KEYS = (b"]", b"[", b"\r", b"\x1b", b"G", b"e", b"\x1b", b"q", b" ", b"q", b"l", b"\x1b")
"""Through the session, through some views, and out; the later ones answer whatever question still stands."""
MODULES = ("benchmon.cli.main", "benchmon.cli.live", "benchmon.cli.sessions", "benchmon.report.sections.report")
MODULES += ("benchmon.screen.app", "benchmon.screen.replay_app", "benchmon.report.export", "session_attacks")
STATEMENTS = (
    "UPDATE readings SET time = {number} WHERE id % {step} = 0",
    "UPDATE readings SET value = {odd} WHERE id % {step} = 0",
    "UPDATE readings SET channel = {odd} WHERE id % {step} = 0",
    "UPDATE readings SET state = {number} WHERE id % {step} = 0",
    "DELETE FROM readings WHERE id % {step}",
    "UPDATE readings SET id = id + {number} WHERE id > 100",
    "UPDATE expectations SET value = {odd}, uncertainty = {odd}",
    "UPDATE expectations SET from_reading = from_reading + {number}",
    "UPDATE events SET time = {odd}, kind = {odd}, message = {odd} WHERE id % {step} = 0",
    "UPDATE events SET message = hex(zeroblob(900000)) WHERE id % {step} = 0",
    "UPDATE event_details SET details = {odd}",
    "UPDATE session SET started = {odd}, finished = {odd}",
    "UPDATE session SET finished = NULL",
    "UPDATE session SET bench = substr(bench, {step} * 40)",
    "UPDATE session SET bench = replace(bench, 'voltage', {odd})",
    "UPDATE channels SET name = {odd} WHERE id = {step}",
    "UPDATE instruments SET identity = {odd}",
    "UPDATE facts SET text = {odd}",
    "UPDATE summaries SET lowest = {odd}, mean = {odd}, count = {number}",
    "UPDATE summaries SET number = number + {number}",
    "UPDATE waveforms SET samples = {odd}, count = {number}",
    "UPDATE statuses SET status = {odd}, time = {number}",
    "UPDATE settled SET prediction = {odd}, waves = {odd}",
    "UPDATE step_predictions SET prediction = {odd}",
    "INSERT INTO explanations (time, ranked) VALUES ({number}, {odd})",
    "INSERT INTO benches (time, bench, bench_sha256) SELECT {number}, substr(bench, {step}), '' FROM session",
    "DELETE FROM {table}",
    "PRAGMA user_version = {step}",
)
ODD = ("NULL", "'text'", "x'00ff'", "9e999", "-1", "''", "char(27) || '[2J'", "'[[' || hex(zeroblob(50000))", "0.5")
NUMBERS = ("-5", "0", "9223372036854775807", "1e300", "'noon'", "1000000000000", "17")
TABLES = ("readings", "expectations", "events", "channels", "session", "heartbeat", "facts", "summaries", "statuses")


def record_demo(path: Path) -> None:
    """Record half a minute of the simulated bench: a session with everything in it, waves and predictions too."""
    words = ("demo", "reservoir", "--headless", "--for", "30s", "--session", str(path))
    subprocess.run([sys.executable, "-m", "benchmon", *words], check=True, capture_output=True)


def spoil(path: Path, good: bytes, chance: random.Random) -> str:
    """Write a spoilt copy of a session to `path`, and return how it was spoilt."""
    way = chance.choice(["bits", "blocks", "cut", "rows", "rows", "rows", "beside"])
    content = bytearray(good)
    if way == "bits":
        for _ in range(chance.choice((1, 3, 30, 300))):
            place = chance.randrange(len(content) if chance.random() < 0.6 else 20_000)
            content[place] ^= 1 << chance.randrange(8)
    elif way == "blocks":
        for _ in range(chance.choice((1, 3))):
            start, length = chance.randrange(len(content)), chance.choice((16, 512, 4096, 40_000))
            source = chance.randrange(len(content))
            content[start : start + length] = (content[source:] + content)[:length]
    elif way == "cut":
        content = content[: chance.randrange(len(content))]
    path.write_bytes(content)
    if way == "rows":
        return f"rows: {_change_rows(path, chance)}"
    if way == "beside":
        _put_beside(path, good, chance)
    return way


def _change_rows(path: Path, chance: random.Random) -> str:
    done = []
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        for statement in chance.sample(STATEMENTS, chance.choice((1, 1, 3))):
            words = {"odd": chance.choice(ODD), "number": chance.choice(NUMBERS), "step": chance.randrange(1, 9)}
            statement = statement.format(table=chance.choice(TABLES), **words)  # noqa: PLW2901 - the same, filled in
            with suppress(sqlite3.Error):
                connection.execute(statement)
                done.append(statement)
    return "; ".join(done)


def _put_beside(path: Path, good: bytes, chance: random.Random) -> None:
    for ending in chance.sample(["-wal", "-shm", "-journal"], chance.choice((1, 2, 3))):
        start = chance.randrange(len(good) - 5000)
        content = good[start : start + chance.randrange(5000)]
        if ending == "-wal" and chance.random() < 0.5:
            content = bytes.fromhex("377f0682002de21800001000") + chance.randbytes(4152 * 3)
        if ending == "-journal" and chance.random() < 0.5:
            content = bytes.fromhex("d9d505f920a163d7") + chance.randbytes(3000)
        Path(f"{path}{ending}").write_bytes(content)


def command(*words: str) -> int:
    """Run a command of the program, and return its exit status."""
    from benchmon.cli.main import main  # noqa: PLC0415 - in the forked process

    sys.argv = ["benchmon", *words]
    try:
        main()
    except SystemExit as end:
        return end.code if isinstance(end.code, int) else 1
    return 0


def in_terminal(*words: str) -> int:
    """Run a command in a terminal of its own, leave it by a key, and return its exit status."""
    pid, line = pty.fork()
    if pid == 0:
        os.environ.update({"TERM": "xterm-256color", "LC_ALL": "C.UTF-8", "BENCHMON_BAUD": "1000000"})
        status = 70
        try:
            status = command(*words)
        except BaseException:  # noqa: BLE001 - a traceback is what the attack looks for
            import traceback  # noqa: PLC0415

            traceback.print_exc()
        finally:
            os._exit(status)
    fcntl.ioctl(line, termios.TIOCSWINSZ, struct.pack("4H", 30, 110, 0, 0))
    shown, pressed = b"", 0
    pressed_at = heard_at = time.monotonic()
    while True:
        if select.select([line], [], [], 0.03)[0]:
            try:
                received = os.read(line, 65536)
            except OSError:
                break
            shown += received
            # Where the cursor is, as a terminal says when it has shown everything.
            for row, column in re.findall(rb"\x1b\[(\d+);(\d+)H\x1b\[6n", received):
                os.write(line, b"\x1b[%b;%bR" % (row, column))
            heard_at = time.monotonic()
        now = time.monotonic()
        is_drawn = len(shown) > DRAWN and now - heard_at > STANDS_STILL and now - pressed_at > STANDS_STILL
        if is_drawn or now - pressed_at > LOOKED_AT:
            with suppress(OSError):
                os.write(line, KEYS[pressed % len(KEYS)])
            pressed, pressed_at = pressed + 1, now
    status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
    sys.stderr.write(shown.decode("utf-8", "replace")[-20_000:])
    return status


def faults(ended: Ended, took: float) -> list[str]:
    """Return what is wrong with how a command ended after `took` seconds."""
    found = [word for word in ("Traceback", "Warning", "Segmentation") if word in ended.errors]
    if "\x1b[" in ended.errors and len(ended.errors) < DRAWN:
        found.append("nothing drawn")
    if ended.status not in (0, 1, 2):
        found.append(f"status {ended.status}")
    if ended.seconds > ALLOWED_SECONDS:
        found.append(f"{ended.seconds:.1f} s of a processor")
    if took > HANGS_AFTER:
        found.append(f"{took:.1f} s")
    if ended.megabytes > ALLOWED_MEGABYTES:
        found.append(f"{ended.megabytes:.0f} MB")
    return found


def uses(path: Path, good: Path, out: Path) -> Sequence[tuple[str, str, tuple[str, ...]]]:
    """Return the name, the function and the words of every use of a session."""
    report, exported = str(out / "report.html"), str(out / "export.csv")
    return (
        ("report", "command", ("report", str(path), "-o", report, "--force")),
        ("export", "command", ("export", str(path), "-o", exported, "--force")),
        ("compare", "command", ("compare", str(path), str(good))),
        ("replay", "in_terminal", ("replay", str(path))),
        ("attach", "in_terminal", ("attach", str(path), "--read-only")),
    )


@dataclass
class Figures:
    """What became of the uses so far."""

    failed: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    by_clock: tuple[float, str] = (0.0, "")
    of_processor: tuple[float, str] = (0.0, "")
    largest: tuple[float, str] = (0.0, "")

    def add(self, what: str, ended: Ended, took: float) -> None:
        """Count how a use ended after `took` seconds, and print what is wrong with it."""
        self.statuses[ended.status] += 1
        self.by_clock = max(self.by_clock, (took, what))
        self.of_processor = max(self.of_processor, (ended.seconds, what))
        self.largest = max(self.largest, (ended.megabytes, what))
        if wrong := faults(ended, took):
            self.failed += 1
            lines = [line for line in ended.errors.splitlines() if line.strip()]
            print(f"  {what}: {', '.join(wrong)}: {' | '.join(lines[-3:])[-400:]}", flush=True)


def attack(folder: Path, good: Path, seeds: Iterable[int], found: Figures) -> None:
    """Spoil a session by each of the seeds and use it in every way, one after the other."""
    server, out = ForkServer(MODULES), folder / f"out{threading.get_ident()}"
    out.mkdir()
    for seed in seeds:
        path = folder / f"{seed}.benchmon"
        way = spoil(path, good.read_bytes(), random.Random(seed))
        for use, function, words in uses(path, good, out):
            began = time.monotonic()
            ended = server.run(f"session_attacks:{function}", *words, seconds=KILLED_AFTER)
            found.add(f"{use} of session {seed} ({way})", ended, time.monotonic() - began)
        for left in folder.glob(f"{seed}.benchmon*"):
            left.unlink()
    server.end()


def main() -> int:
    """Print the figures; return 1 where a command failed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--sessions", type=int, default=1000)
    parser.add_argument("--first", type=int, default=0, help="the first seed")
    parser.add_argument("--at-once", type=int, default=2, help="how many sessions are used at the same time")
    given = parser.parse_args()
    found, seeds = Figures(), range(given.first, given.first + given.sessions)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["BENCHMON_RECORDERS"] = str(folder / "recorders")
        good = folder / "good.benchmon"
        record_demo(good)
        with ThreadPoolExecutor(given.at_once) as pool:
            parts = [seeds[part :: given.at_once] for part in range(given.at_once)]
            list(pool.map(lambda part: attack(folder, good, part, found), parts))
    used = found.statuses.total()
    print(
        f"{'FAILED' if found.failed else 'ok    '} {given.sessions} spoilt sessions, {used} uses, "
        f"statuses {dict(found.statuses)}: {found.failed} failed; "
        f"longest {found.by_clock[0]:.2f} s ({found.by_clock[1][:200]}), "
        f"of a processor {found.of_processor[0]:.2f} s ({found.of_processor[1][:200]}), "
        f"largest {found.largest[0]:.0f} MB ({found.largest[1][:200]})"
    )
    return 1 if found.failed else 0


if __name__ == "__main__":
    sys.exit(main())
