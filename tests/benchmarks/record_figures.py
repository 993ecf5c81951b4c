"""The figures of the record that survives: kills, a lean screen, a day's session, a soak, a lab of benches.

    python tests/benchmarks/record_figures.py [WORD] [--all]

Prints one line a figure: what, measured, allowed; leaves with status 1 where one is missed. WORD picks figures whose
name contains it. Quick by default (four minutes); `--all` takes the full numbers: 200 kills, 24 hours.
"""

from __future__ import annotations

import os
import pty
import random
import re
import resource
import select
import signal
import socket
import sqlite3
import struct
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager
from fcntl import ioctl
from itertools import count
from pathlib import Path
from termios import TIOCSWINSZ

from long_session import QUANTITIES, bench_of, write_session

from benchmon.instruments.testing.fake_instrument import FakeTcpInstrument
from benchmon.instruments.types import Reading
from benchmon.recorder import recording as recording_module
from benchmon.recorder import spawn_recorder
from benchmon.recorder.process import StopRequest
from benchmon.screen.commit_pace import CommitPace
from benchmon.session.follower import AT_A_LOOK, open_session_view
from benchmon.session.records import RECENT_SECONDS, RecorderState
from benchmon_simulated.scenarios import scenario_named

ALL = "--all" in sys.argv
TICKS = os.sysconf("SC_CLK_TCK")
BENCHMON = [sys.executable, "-m", "benchmon"]


def supply_text() -> str:
    """Return the bench file of the simulated supply without its instruments."""
    return scenario_named("reservoir").path.read_text(encoding="utf-8").partition("[[instrument]]")[0]


@contextmanager
def live_channels(folder: Path, meters: int = 4, period: float = 0.2) -> Iterator[Path]:
    """Give a bench file of meters on sockets, four channels each; every answer differs from the last."""
    chance = random.Random(1)
    sections = [supply_text()]
    with ExitStack() as stack:
        for meter in range(meters):
            channels = [QUANTITIES[(4 * meter + at) % len(QUANTITIES)] for at in range(4)]

            def answer(asked: bytes, channels: list[tuple[str, str, float]] = channels) -> bytes:
                found = re.fullmatch(rb"V(\d)\?", asked)
                if found is None:
                    return b'0,"No error"\n' if asked.startswith(b"SYST") else b"bench,meter,0,0\n"
                return f"{channels[int(found[1])][2] * (1 + chance.gauss(0, 0.004)):.6g}\n".encode()

            fake_instrument = stack.enter_context(FakeTcpInstrument(answer))
            address = f'name = "m{meter}"\ndriver = "scpi"\naddress = "{fake_instrument.visa_address}"\n'
            sections.append(f"[[instrument]]\n{address}")
            turn = "" if meter < len(QUANTITIES) // 4 else f" {meter}"
            sections += [
                f'[[channel]]\nname = "{name}{turn}"\ninstrument = "m{meter}"\nquantity = "{quantity}"\n'
                f'query = "V{at}?"\naccuracy = "0.5 %"\nperiod = "{period:g} s"\n'
                for at, (name, quantity, _) in enumerate(channels)
            ]
        file = folder / "channels.toml"
        file.write_text("\n".join(sections), encoding="utf-8")
        yield file


def cpu_seconds(pid: int) -> float:
    """Seconds of processor that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def megabytes(pid: int) -> float:
    """Memory that a process holds, in MB."""
    found = re.search(r"VmRSS:\s+(\d+)", Path(f"/proc/{pid}/status").read_text(encoding="utf-8"))
    return int(found.group(1)) / 1024 if found else 0.0


class Screen:
    """A program in a terminal of 80x24 that answers where its cursor is."""

    def __init__(self, *command: str) -> None:
        self.pid, self._line = pty.fork()
        if self.pid == 0:
            environment = os.environ | {"TERM": "xterm-256color", "LC_ALL": "C.UTF-8"}
            os.execve(sys.executable, [*BENCHMON, *command], environment)  # noqa: S606 - in the terminal's own process
        ioctl(self._line, TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))

    def read(self, seconds: float, until: bytes = b"\0") -> bytes:
        """Return what is sent within so many seconds, or until it holds `until`."""
        sent, end = b"", time.monotonic() + seconds
        while until not in sent and (left := end - time.monotonic()) > 0:
            if select.select([self._line], [], [], left)[0]:
                before, some = sent[-12:], os.read(self._line, 65536)
                # The question may come in two pieces. Only the place that was asked about is an answer.
                if asked := re.findall(rb"\x1b\[(\d+);(\d+)H\x1b\[6n", before + some):
                    os.write(self._line, b"\x1b[%s;%sR" % asked[-1])
                sent += some
        return sent

    def end(self) -> None:
        """Kill it."""
        os.kill(self.pid, signal.SIGKILL)
        os.waitpid(self.pid, 0)
        os.close(self._line)


def kills() -> Iterator[tuple[str, float, float, str]]:
    """SIGKILL of the recorder at random instants: readings lost that a follower had, and files that do not open."""
    rounds, lost, broken, seen_in_all = 200 if ALL else 10, 0, 0, 0
    with tempfile.TemporaryDirectory() as folder, live_channels(Path(folder)) as bench_file:
        for number in range(rounds):
            recorder = spawn_recorder(bench_file, Path(folder) / f"{number}.benchmon")
            view, seen = open_session_view(recorder.path), set()
            end = time.monotonic() + random.Random(number).uniform(0.2, 2.0)
            while time.monotonic() < end:
                seen |= {(one.channel, one.time, one.value) for one in view.poll().judgements}
                time.sleep(0.01)
            os.kill(recorder.pid, signal.SIGKILL)
            recorder.wait(10)
            kept = {(one.channel, one.time, one.value) for one in open_session_view(recorder.path).poll().judgements}
            with closing(sqlite3.connect(recorder.path)) as connection:
                broken += connection.execute("PRAGMA integrity_check").fetchone() != ("ok",)
            lost, seen_in_all = lost + len(seen - kept), seen_in_all + len(seen)
    print(f"    {rounds} kills, {seen_in_all} readings had been seen")
    yield "readings lost that had been shown", lost, 0, ""
    yield "files that do not open", broken, 0, ""


def lean() -> Iterator[tuple[str, float, float, str]]:
    """Sixteen changing channels at 5 Hz in 80x24: bytes to the terminal, and processor of screen and recorder."""
    seconds = 60.0 if ALL else 20.0
    with tempfile.TemporaryDirectory() as folder, live_channels(Path(folder)) as bench_file:
        recorder = spawn_recorder(bench_file, Path(folder) / "lean.benchmon")
        screen = Screen("attach", str(recorder.path))
        screen.read(8.0)
        began, before = time.monotonic(), (cpu_seconds(screen.pid), cpu_seconds(recorder.pid))
        sent = screen.read(seconds)
        spent = time.monotonic() - began
        used = cpu_seconds(screen.pid) - before[0], cpu_seconds(recorder.pid) - before[1]
        memory = megabytes(screen.pid), megabytes(recorder.pid)
        screen.end()
        recorder.stop()
    print(f"    frames {sent.count(b'[6n') / spent:.1f} a second; top -d 0.2 sends {top_bytes():.0f} B/s")
    yield "bytes to the terminal", len(sent) / spent, 4000, "B/s"
    yield "processor of the screen", 100 * used[0] / spent, 4.0, "%"
    yield "processor of the recorder", 100 * used[1] / spent, 5.0, "%"
    yield "memory of the screen", memory[0], 150.0, "MB"
    yield "memory of the recorder", memory[1], 150.0, "MB"


def many() -> Iterator[tuple[str, float, float, str]]:
    """Sixty-four channels at 20 Hz with ten screens: the recorder's processor and memory, and how old screens are."""
    seconds = 60.0 if ALL else 20.0
    with tempfile.TemporaryDirectory() as folder, live_channels(Path(folder), 16, 0.05) as bench_file:
        recorder = spawn_recorder(bench_file, Path(folder) / "many.benchmon")
        screens = [Screen("attach", str(recorder.path)) for _ in range(10)]
        readers = [threading.Thread(target=screen.read, args=(seconds + 70.0,), daemon=True) for screen in screens]
        for reader in readers:
            reader.start()
        # Causes are looked for ever more seldom while readings disagree unmoved: after a minute once in two minutes.
        time.sleep(75.0)
        view, pace = open_session_view(recorder.path, recent=1.0), CommitPace(recorder.path)
        with closing(sqlite3.connect(recorder.path)) as connection:
            [started] = connection.execute("SELECT started_monotonic FROM session").fetchone()
        while len(view.poll().judgements) >= AT_A_LOOK:
            pass
        began, before, read, newest = time.monotonic(), cpu_seconds(recorder.pid), 0, 0.0
        ages: list[float] = []
        while time.monotonic() < began + seconds:
            if not pace.wait(time.monotonic(), time.time()):
                found = view.poll().judgements
                read += len(found)
                newest = max([newest, *(one.time for one in found)])
            if newest:
                ages.append(time.monotonic() - started - newest)
            time.sleep(0.01)
        spent, used = time.monotonic() - began, cpu_seconds(recorder.pid) - before
        memory = megabytes(recorder.pid)
        for reader in readers:
            reader.join()
        for screen in screens:
            screen.end()
        recorder.stop()
    print(f"    {read / spent:.0f} readings a second; {1e6 * used / max(read, 1):.0f} µs of processor a reading")
    yield "processor of the recorder, 64 channels at 20 Hz", 100 * used / spent, 15.0, "%"
    yield "memory of the recorder, 64 channels at 20 Hz", memory, 120.0, "MB"
    yield "age of the newest reading as a screen looks, 95 of 100", sorted(ages)[len(ages) * 95 // 100], 0.3, "s"


def top_bytes() -> float:
    """Bytes a second that the system's top sends at the same size, at five frames a second."""
    pid, line = pty.fork()
    if pid == 0:
        os.execvpe("top", ["top", "-d", "0.2"], os.environ | {"TERM": "xterm"})  # noqa: S606 - in the terminal's process
    ioctl(line, TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    sent, end = 0, time.monotonic() + 4
    try:
        while (left := end - time.monotonic()) > 0:
            if select.select([line], [], [], left)[0]:
                sent += len(os.read(line, 65536))
    except OSError:
        return 0.0  # there is no top here
    finally:
        os.kill(pid, signal.SIGKILL)
        os.waitpid(pid, 0)
        os.close(line)
    return sent / 4


def long() -> Iterator[tuple[str, float, float, str]]:
    """A long session of 12 channels at 5 Hz: its size, the first screen, trends, memory, export."""
    hours = 24.0 if ALL else 1.0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.benchmon"
        readings = write_session(path, hours)
        print(f"    {hours:g} h, {readings} readings, {path.stat().st_size / 1e6:.0f} MB")
        yield "bytes a reading", path.stat().st_size / readings, 30.0, "B"
        began = time.perf_counter()
        view = open_session_view(path, recent=RECENT_SECONDS)
        while view.poll().state is RecorderState.RECORDING:
            pass
        yield "a session read for its first screen", time.perf_counter() - began, 1.0, "s"
        began = time.perf_counter()
        screen = Screen("attach", str(path))
        screen.read(20.0, b"Ended")
        yield "from starting `attach` to its first screen", time.perf_counter() - began, 1.0, "s"
        screen.read(3.0)
        yield "memory of the screen", megabytes(screen.pid), 150.0, "MB"
        screen.end()
        yield "slowest trend of a channel", max(_trends(view, hours * 3600)), 0.3, "s"
        yield "rows a second of export to CSV", _export_rate(path, readings), -500_000.0, "/s"


def _trends(view: object, seconds: float) -> Iterator[float]:
    for channel in view.info.bench.channel:  # type: ignore[attr-defined]
        for since in (0.0, seconds - 7200, seconds - 900):
            began = time.perf_counter()
            view.trend(channel.name, max(0.0, since), seconds, 200)  # type: ignore[attr-defined]
            yield time.perf_counter() - began


def _export_rate(path: Path, readings: int) -> float:
    out = path.with_suffix(".csv")
    began = time.perf_counter()
    subprocess.run([*BENCHMON, "export", str(path), "-o", str(out)], check=True, capture_output=True)
    return readings / (time.perf_counter() - began)


class FastTime:
    """Stands in for the module `time`: a clock that a soak moves."""

    def __init__(self) -> None:
        self.now = 1000.0

    def monotonic(self) -> float:
        """Return the moved clock."""
        return self.now

    def sleep(self, seconds: float) -> None:
        """Wait for nothing: what is waited for is there."""


def soak() -> Iterator[tuple[str, float, float, str]]:
    """A soak in fast time, through the recorder's own loop: growth of memory after its first quarter."""
    hours = 2.0  # of bounded histories the longest is full only then
    with tempfile.TemporaryDirectory() as folder:
        code = f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r}); import record_figures as r; "
        code += f"print(r.soak_here({str(Path(folder) / 'soak.benchmon')!r}, {hours}))"
        done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    print(f"    {hours:g} h of 12 channels at 5 Hz")
    yield "growth of memory", float(done.stdout.split()[-1]), 2.0, "MB"


def soak_here(path: str, hours: float) -> float:
    """Run a soak in this process; return by how many MB it grew between its first quarter and its end."""
    clock = recording_module.time = FastTime()  # type: ignore[assignment]
    bench = bench_of(12, 0.2)
    made = recording_module.Recording(bench, Path(path), StopRequest(), drivers=[])
    made._expectations.start()
    made._understanding.start()
    chance, grown, steps = random.Random(1), 0.0, round(hours * 3600 * 5)
    for step in range(steps):
        clock.now += 0.2
        for channel, (_, _, value) in zip(bench.channel, QUANTITIES, strict=False):
            made._inbox.put(Reading(channel.name, clock.now, value * (1 + chance.gauss(0, 0.002))))
        made._step()
        while made._writer._waiting.count > 5000:
            time.sleep(0.001)
        if step == steps // 4:
            grown = megabytes(os.getpid())
    grown = megabytes(os.getpid()) - grown
    made._stop.ask("as the soak is over")
    made._writer.abandon()
    made._sign.end()
    return grown


def lab() -> Iterator[tuple[str, float, float, str]]:
    """A hundred benches on one broker, each telling its state once a second: what reaches the overview."""
    with tempfile.TemporaryDirectory() as folder, broker(Path(folder)) as port:
        if not port:
            print("    Mosquitto is not installed here: nothing to measure")
            return
        url, seconds = f"mqtt://127.0.0.1:{port}/lab", 30.0 if ALL else 10.0
        tell = threading.Event()
        thread = threading.Thread(target=tell_of_benches, args=(url, tell))
        thread.start()
        screen = Screen("benches", url)
        screen.read(8.0, b"100 benches")
        began, before = time.monotonic(), cpu_seconds(screen.pid)
        sent = screen.read(seconds)
        spent, used = time.monotonic() - began, cpu_seconds(screen.pid) - before
        screen.end()
        tell.set()
        thread.join()
    print(f"    {len(sent) / spent:.0f} B/s, {100 * used / spent:.1f} % of a core")
    yield "frames of the overview", sent.count(b"\x1b[6n") / spent, -0.95, "/s"


@contextmanager
def broker(folder: Path) -> Iterator[int]:
    """Run Mosquitto on loopback and give its port, 0 where there is none."""
    program = next((path for path in ("/usr/sbin/mosquitto", "/usr/bin/mosquitto") if Path(path).exists()), "")
    if not program:
        yield 0
        return
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = server.getsockname()[1]
    config = folder / "mosquitto.conf"
    config.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n", encoding="utf-8")
    with subprocess.Popen([program, "-c", str(config)], stderr=subprocess.DEVNULL) as process:
        time.sleep(0.5)
        yield port
        process.kill()


def tell_of_benches(url: str, ended: threading.Event) -> None:
    """Publish the states of a hundred benches once a second."""
    from benchmon.publish.broker import connect, new_client, read_broker  # noqa: PLC0415 - needs the extra
    from benchmon.publish.topics import BenchState  # noqa: PLC0415

    client = new_client(read_broker(url))
    connect(client, read_broker(url))
    for second in count():
        for number in range(100):
            state = BenchState("recording", f"Supply {number}", "pc", "as expected", "All agree", time=float(second))
            client.publish(f"lab/bench{number}/state", state.payload, retain=True)
        if ended.wait(1.0):
            break
    client.disconnect()
    client.loop_stop()


FIGURES: dict[str, Callable[[], Iterator[tuple[str, float, float, str]]]] = {
    "kills": kills,
    "lean": lean,
    "many": many,
    "long": long,
    "soak": soak,
    "lab": lab,
}


def main() -> int:
    """Measure; a negative allowance is the least that is allowed."""
    wanted = [word for word in sys.argv[1:] if not word.startswith("--")]
    missed = 0
    for name, measure in FIGURES.items():
        if wanted and not any(word in name for word in wanted):
            continue
        print(f"{name}: {(measure.__doc__ or '').strip()}")
        for what, found, allowed, unit in measure():
            good = found <= allowed if allowed >= 0 else found >= -allowed
            missed += not good
            least = "at least" if allowed < 0 else "at most"
            print(f"  {what}: {found:.4g} {unit} ({least} {abs(allowed):.4g} {unit}){'' if good else '  MISSED'}")
    print(f"peak memory of this program {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
