"""The figures that benchmon promises after the test, measured on this machine with what they are measured against.

    python tests/benchmarks/report_figures.py

Prints one line a figure: what, measured, allowed. Leaves with status 1 where a figure is missed. A session of 24 hours
and a capture of ten million samples are made first, in a temporary folder of about half a gigabyte.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from benchmon.bench import load_bench
from benchmon.prediction import predict
from benchmon.session.database import create
from benchmon.session.encoder import Encoder, description
from benchmon.session.records import Heartbeat
from benchmon.watch.records import Judgement, Verdict
from benchmon_simulated.scenarios import scenario_named

HOURS, RATE, CHANNELS = 24, 5.0, 12
BENCHMON = [sys.executable, "-m", "benchmon"]
BLOCK = 50_000


def make_session(path: Path, hours: float) -> int:
    """Write a session of 12 channels at 5 readings a second, as the recorder would have; return its readings."""
    bench = load_bench(scenario_named("reservoir").path)
    predicted = predict(bench).quantities
    draw = np.random.default_rng(1)
    encoder, connection = Encoder(bench), create(path)
    for statement, row in description(bench, time.monotonic(), {}):
        connection.execute(statement, row)
    count = int(hours * 3600 * RATE)
    noise = draw.normal(1.0, 1e-3, (count, CHANNELS))
    for step in range(count):
        for place, channel in enumerate(bench.channel):
            known = predicted[channel.quantity]
            value = float(f"{known.value * noise[step, place]:.5g}")
            # What is expected follows the mains a little: again every ten seconds.
            expected = known.value * (1.0 + 1e-4 * (step // 50 % 7))
            judgement = Judgement(
                channel.name, step / RATE, value, 0.1, expected, known.uncertainty, 0.1, Verdict.AGREES
            )
            for statement, row in encoder.encode(judgement):
                connection.execute(statement, row)
        if step % 50 == 0:
            for statement, row in encoder.encode(Heartbeat(step / RATE, time.monotonic())):
                connection.execute(statement, row)
    for statement, row in encoder.finish(count / RATE):
        connection.execute(statement, row)
    connection.execute("COMMIT")
    connection.execute("PRAGMA journal_mode = DELETE")
    connection.close()
    return count * CHANNELS


def make_capture(path: Path, samples: int) -> None:
    """Write a capture of a rectified sine with noise, 50 periods of it."""
    draw = np.random.default_rng(2)
    with path.open("w", encoding="ascii") as out:
        out.write("time_s,value\n")
        for start in range(0, samples, BLOCK):
            at = np.arange(start, start + BLOCK) / samples
            volts = 31 * np.abs(np.sin(2 * np.pi * 50 * at)) + draw.normal(0, 0.05, BLOCK)
            out.write("".join(f"{one:.7f},{two:.4f}\n" for one, two in zip(at.tolist(), volts.tolist(), strict=True)))


def run(*arguments: object) -> tuple[float, float, str]:
    """Run a benchmon command; return its seconds, its peak of memory in MB, and what it printed."""
    begin = time.perf_counter()
    process = subprocess.Popen([*BENCHMON, *map(str, arguments)], stdout=subprocess.PIPE, text=True)
    said = process.stdout.read() if process.stdout else ""
    _, status, usage = os.wait4(process.pid, 0)
    spent = time.perf_counter() - begin
    process.returncode = os.waitstatus_to_exitcode(status)
    print(f"    {spent:.1f} s by the clock, {usage.ru_utime + usage.ru_stime:.1f} s of a processor")
    if process.returncode:
        raise RuntimeError(f"{arguments} left with {process.returncode}")
    return spent, usage.ru_maxrss / 1e3, said


class Figures:
    """What is measured, over files that are made once."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self.session, self.capture = folder / "day.benchmon", folder / "capture.csv"
        self.readings = 0

    def make(self, hours: float, samples: int) -> None:
        """Make the session and the capture."""
        begin = time.perf_counter()
        self.readings = make_session(self.session, hours)
        make_capture(self.capture, samples)
        size = self.session.stat().st_size / self.readings
        made = time.perf_counter() - begin
        print(f"    {self.readings} readings ({size:.1f} bytes each) and {samples} samples made in {made:.0f} s")

    def report(self) -> float:
        """Seconds of a report on the session, as a page with pictures; its memory is printed."""
        spent, memory, _ = run("report", self.session, "-o", self._folder / "day.html", "--force")
        print(f"    its peak of memory: {memory:.0f} MB (allowed 300 MB){'' if memory <= 300 else '  MISSED'}")
        return spent if memory <= 300 else float("inf")

    def analysis(self) -> float:
        """Seconds of `analyse` on the capture; numpy's own reading of the file is printed."""
        begin = time.perf_counter()
        np.loadtxt(self.capture, delimiter=",", skiprows=1)
        bare = time.perf_counter() - begin
        spent, memory, said = run("analyse", self.capture)
        frequency = re.search(r"frequency\s+([0-9.]+)", said)
        print(f"    numpy.loadtxt alone {bare:.2f} s; {memory:.0f} MB; found {frequency[1] if frequency else '?'} Hz")
        return spent

    def export(self) -> float:
        """Rows a second of an export to CSV, as a fraction of the 500 000 that are promised."""
        spent, memory, _ = run("export", self.session, "-o", self._folder / "day.csv", "--force")
        rate = self.readings / spent
        print(f"    {rate:.0f} rows a second, {memory:.0f} MB")
        return 500_000 / rate


def main() -> int:
    """Measure all figures; a first argument below 1 makes the files that much smaller, to try it out."""
    scale = float(sys.argv[1]) if len(sys.argv) > 1 else 1.0
    with tempfile.TemporaryDirectory() as folder:
        figures = Figures(Path(folder))
        figures.make(HOURS * scale, int(10_000_000 * scale) // BLOCK * BLOCK)
        promised: tuple[tuple[str, Callable[[], float], float, str], ...] = (
            ("report on a session of 24 h", figures.report, 10.0, "s"),
            ("analyse on 10 million samples", figures.analysis, 3.0, "s"),
            ("export to CSV, seconds for 500,000 rows", figures.export, 1.0, "s"),
        )
        missed = 0
        for name, measure, allowed, unit in promised:
            found = measure()
            missed += found > allowed
            verdict = "" if found <= allowed else "  MISSED"
            print(f"{name}: {found:.3g} {unit} (allowed {allowed:.3g} {unit}){verdict}")
        return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
