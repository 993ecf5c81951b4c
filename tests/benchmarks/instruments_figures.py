"""The figures that benchmon promises of instruments, measured on this machine; references in the same run, in turns.

    python tests/benchmarks/instruments_figures.py [PART OF A NAME]

The instruments are a process of their own. Prints one line a figure: what, measured, allowed. Leaves with status 1
where a figure is missed. A busy machine shows in all of them but the ratios.
"""

from __future__ import annotations

import asyncio
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue

import pyvisa
from pymodbus.client import ModbusTcpClient

from benchmon.bench import Bench, read_bench
from benchmon.instruments.acquisition import Acquisition
from benchmon.instruments.registry import prepare
from benchmon.instruments.testing.fake_instrument import FakeTcpInstrument
from benchmon.instruments.types import InstrumentNews, Reading
from benchmon.recorder import spawn_recorder
from benchmon.session.follower import open_session_view
from benchmon_simulated.scenarios import scenario_named

METERS, PERIOD, SECONDS = 32, 0.1, 60.0
TICK = os.sysconf("SC_CLK_TCK")
ANSWERS = {b"*IDN?": b"Acme,Meter,1,1.0\n", b"SYST:ERR?": b'0,"No error"\n', b"V?": b"+2.2140000E+01\n"}


# The instruments' process


async def answer_scpi(reader: asyncio.StreamReader, writer: asyncio.StreamWriter, hangs: bool) -> None:
    """Answer lines as a meter does; one that hangs answers no question for a value."""
    while line := await reader.readline():
        reply = ANSWERS.get(line.strip())
        if reply and not (hangs and line.startswith(b"V")):
            writer.write(reply)
    writer.close()


async def answer_modbus(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """Answer every question for holding registers with zeros."""
    while len(head := await reader.read(12)) == 12:
        count = int.from_bytes(head[10:12], "big")
        body = bytes([head[6], 3, 2 * count]) + bytes(2 * count)
        writer.write(head[:4] + len(body).to_bytes(2, "big") + body)


async def serve(meters: int) -> None:
    """Serve `meters` meters, one that hangs and a Modbus unit; print the ports, and end with standard input."""
    serving = []
    for number in range(meters + 1):
        hangs = number == meters
        serving.append(await asyncio.start_server(lambda r, w, h=hangs: answer_scpi(r, w, h), "127.0.0.1", 0))
    serving.append(await asyncio.start_server(answer_modbus, "127.0.0.1", 0))
    print(*(server.sockets[0].getsockname()[1] for server in serving), flush=True)
    await asyncio.get_running_loop().run_in_executor(None, sys.stdin.read)
    os._exit(0)


@contextmanager
def instruments(meters: int = METERS) -> Iterator[list[int]]:
    """Give the ports of the meters, then that of one that hangs, then that of a Modbus unit."""
    command = [sys.executable, __file__, "--serve", str(meters)]
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdin is not None
    try:
        yield [int(port) for port in process.stdout.readline().split()]
    finally:
        process.stdin.close()
        process.wait(10)


def bench_text(ports: list[int], driver: str = "scpi", how: str = 'query = "V?"', period: float = PERIOD) -> str:
    """Return a bench file with an instrument of one channel at each port."""
    text = scenario_named("bridge").path.read_text(encoding="utf-8").partition("[[instrument]]")[0]
    for number, port in enumerate(ports):
        address = f"TCPIP::127.0.0.1::{port}::SOCKET" if driver == "scpi" else f"tcp://127.0.0.1:{port}"
        text += (
            f'\n[[instrument]]\nname = "m{number}"\ndriver = "{driver}"\naddress = "{address}"\n'
            f'[[channel]]\nname = "v{number}"\ninstrument = "m{number}"\nquantity = "output.voltage.mean"\n'
            f"{how}\nperiod = {period}\n"
        )
    return text


def bench(ports: list[int], **how: object) -> Bench:
    """Return the bench of `bench_text`."""
    return read_bench(bench_text(ports, **how))  # type: ignore[arg-type]


# The figures


def processor_seconds(pid: int) -> float:
    """Return the processor time that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICK


def readings_of(path: Path) -> dict[str, list[float]]:
    """Return the times of every channel's readings with a value."""
    view = open_session_view(path)
    times: dict[str, list[float]] = defaultdict(list)
    while judgements := view.poll().judgements:
        for judgement in judgements:
            if judgement.value is not None:
                times[judgement.channel].append(judgement.time)
    view.close()
    return times


_recorded: tuple[int, float] | None = None


def recorded() -> tuple[int, float]:
    """Record 32 instruments, 10 readings a second, for 60 s; return the readings missed, and the part of a core."""
    global _recorded  # noqa: PLW0603  one recording serves two figures
    if _recorded is None:
        with instruments() as ports, tempfile.TemporaryDirectory() as folder:
            file, session = Path(folder, "bench.toml"), Path(folder, "a.benchmon")
            file.write_text(bench_text(ports[:METERS]), encoding="utf-8")
            recorder = spawn_recorder(file, session)
            time.sleep(3.0)
            used, started = processor_seconds(recorder.pid), time.monotonic()
            time.sleep(SECONDS + 1.0)
            used, spent = processor_seconds(recorder.pid) - used, time.monotonic() - started
            recorder.stop(30)
            times = readings_of(session)
        first = max(each[0] for each in times.values()) + 2.0
        counts = [sum(first <= when < first + SECONDS for when in each) for each in times.values()]
        missed = sum(max(0, round(SECONDS / PERIOD) - count) for count in counts) + (METERS - len(times)) * 600
        print(f"    {sum(counts)} readings in {SECONDS:.0f} s, {100 * used / spent:.1f} % of a core")
        _recorded = missed, used / spent
    return _recorded


def lateness(ports: list[int], seconds: float) -> list[float]:
    """Return how late each reading came behind the grid of its channel, in seconds, of all but the last of `ports`."""
    inbox: SimpleQueue[Reading | InstrumentNews] = SimpleQueue()
    acquisition = Acquisition(bench(ports), inbox.put)
    acquisition.start()
    time.sleep(seconds)
    acquisition.stop(10)
    times: dict[str, list[float]] = defaultdict(list)
    while not inbox.empty():
        news = inbox.get()
        if isinstance(news, Reading) and news.value is not None:
            times[news.channel].append(news.time)
    late = []
    for each in times.values():
        start = min(when - n * PERIOD for n, when in enumerate(each))
        late += [(when - start) % PERIOD for when in each[5:]]
    return late


def added_by_one_that_hangs() -> float:
    """Return by how many milliseconds the 99th percentile of the others' lateness is higher with one that hangs."""
    with instruments() as ports:
        good, hung = ports[: METERS - 1], ports[METERS]
        found: dict[bool, list[float]] = {False: [], True: []}
        for _ in range(3):
            for with_hung in (False, True):
                found[with_hung] += lateness([*good, hung] if with_hung else good, 8.0)
    late = {with_hung: statistics.quantiles(each, n=100)[98] for with_hung, each in found.items()}
    print(f"    99th percentile {1000 * late[False]:.2f} ms without, {1000 * late[True]:.2f} ms with")
    return 1000 * (late[True] - late[False])


def in_turns(rounds: int, one: Callable[[], object], other: Callable[[], object]) -> float:
    """Return the median of the ratios of the times that `one` and `other` take, in turns."""
    ratios = []
    for _ in range(rounds):
        spent = []
        for task in (one, other):
            start = time.perf_counter()
            task()
            spent.append(time.perf_counter() - start)
        ratios.append(spent[0] / spent[1])
    return statistics.median(ratios)


def scpi_against_bare_pyvisa() -> float:
    """Return the time of a reading through the driver over that of a bare query of the same instrument."""
    with instruments(1) as ports:
        [driver] = prepare(bench(ports[:1]))
        driver.open()
        bare = pyvisa.ResourceManager("@py").open_resource(f"TCPIP::127.0.0.1::{ports[0]}::SOCKET")
        assert isinstance(bare, pyvisa.resources.MessageBasedResource)
        bare.read_termination = bare.write_termination = "\n"
        ratio = in_turns(
            40,
            lambda: [driver.read("v0") for _ in range(100)],
            lambda: [float(bare.query("V?")) for _ in range(100)],
        )
        driver.close()
        bare.close()
    return ratio


def modbus_against_bare_pymodbus() -> float:
    """Return the time of a reading through the driver over that of bare pymodbus with the same unit."""
    with instruments(1) as ports:
        [driver] = prepare(bench([ports[-1]], driver="modbus", how="register = 0"))
        driver.open()
        bare = ModbusTcpClient("127.0.0.1", port=ports[-1])
        assert bare.connect()
        ratio = in_turns(
            40,
            lambda: [driver.read("v0") for _ in range(100)],
            lambda: [float(bare.read_holding_registers(0, count=1).registers[0]) for _ in range(100)],
        )
        driver.close()
        bare.close()
    return ratio


def open_files() -> int:
    """Return how many files this process holds open."""
    return len(list(Path("/proc/self/fd").iterdir()))


def slowest_return() -> float:
    """Unplug an instrument 100 times; return the longest time from its return to its next reading, in seconds.

    Raises `AssertionError` where threads or files are left.
    """
    returns = []
    with FakeTcpInstrument(ANSWERS.get) as fake_instrument:
        inbox: SimpleQueue[Reading | InstrumentNews] = SimpleQueue()
        files, threads = open_files(), threading.active_count()
        acquisition = Acquisition(bench([fake_instrument.port]), inbox.put)
        acquisition.start()
        for cycle in range(100):
            until(inbox, lambda news: isinstance(news, Reading) and news.value is not None)
            fake_instrument.unplug()
            until(inbox, lambda news: isinstance(news, InstrumentNews) and news.kind == "lost")
            # Gone for a while, now shorter, now longer, so that it returns at any moment of a pause.
            time.sleep(0.05 * (cycle % 50))
            fake_instrument.plug_in()
            back = time.monotonic()
            until(inbox, lambda news: isinstance(news, Reading) and news.value is not None)
            returns.append(time.monotonic() - back)
        assert acquisition.stop(10) == []
        deadline = time.monotonic() + 5
        while (open_files(), threading.active_count()) > (files, threads) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert threading.active_count() <= threads, "threads are left"
        assert open_files() <= files, f"{open_files() - files} files are left"
    print(f"    median {statistics.median(returns):.2f} s, no thread and no file is left")
    return max(returns)


def until(inbox: SimpleQueue[Reading | InstrumentNews], fits: Callable[[Reading | InstrumentNews], bool]) -> None:
    """Take what comes until something `fits`, for at most 20 s."""
    while not fits(inbox.get(timeout=20)):
        pass


FIGURES: tuple[tuple[str, Callable[[], float], float, str], ...] = (
    ("a reading through scpi, against bare PyVISA", scpi_against_bare_pyvisa, 1.25, "×"),
    ("a reading through modbus, against bare pymodbus", modbus_against_bare_pymodbus, 1.25, "×"),
    ("100 times unplugged: slowest return", slowest_return, 2.0, "s"),
    ("added to the others' 99th percentile by one that hangs", added_by_one_that_hangs, 1.0, "ms"),
    ("32 instruments, 10 readings a second, 60 s: readings missed", lambda: recorded()[0], 0.0, ""),
    ("the same: processor time of the recorder", lambda: 100 * recorded()[1], 25.0, "% of a core"),
)


def main() -> int:
    """Measure all figures, or those whose name contains the first argument."""
    if sys.argv[1:2] == ["--serve"]:
        asyncio.run(serve(int(sys.argv[2])))
        return 0
    wanted = sys.argv[1] if len(sys.argv) > 1 else ""
    missed = 0
    for name, measure, allowed, unit in FIGURES:
        if wanted in name:
            found = measure()
            missed += found > allowed
            print(f"{name}: {found:.3g} {unit} (allowed {allowed:.3g} {unit}){'' if found <= allowed else '  MISSED'}")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
