"""The figures that benchmon promises, measured on this machine against a named reference in the same run.

    python tests/benchmarks/figures.py

Prints one line a figure: what, measured, allowed. Ratios are of medians taken in turns, so that a noisy machine hits
both sides alike. Leaves with status 1 where a figure is missed.
"""

from __future__ import annotations

import functools
import itertools
import os
import pty
import random
import re
import select
import signal
import statistics
import struct
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from fcntl import ioctl
from pathlib import Path
from termios import TIOCSWINSZ

import numpy as np
import pyvisa
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from benchmon.bench import Bench, load_bench, read_bench
from benchmon.instruments.registry import prepare
from benchmon.instruments.testing.fake_instrument import FakeTcpInstrument
from benchmon.prediction import predict
from benchmon.prediction.circuit.diode import junction_of
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.monte_carlo import monte_carlo
from benchmon.prediction.solved import solve
from benchmon_simulated.scenarios import scenario_named

sys.path.insert(0, str(Path(__file__).parents[1]))

import lsoda_reference

from support.circuits.agreement import predicted, shares
from support.circuits.drawn import KINDS, capacitor, choke, draw, plain, without_core
from support.circuits.reference import reference

BENCHMON = [sys.executable, "-m", "benchmon"]


def medians(rounds: int, *tasks: Callable[[], object]) -> list[float]:
    """Return the median seconds of each task, done in turns."""
    times: list[list[float]] = [[] for _ in tasks]
    for _ in range(rounds):
        for spent, task in zip(times, tasks, strict=True):
            start = time.perf_counter()
            task()
            spent.append(time.perf_counter() - start)
    return [statistics.median(spent) for spent in times]


def lsoda_steady_state(bench: Bench) -> float:
    """Integrate a bridge with reservoir from rest with scipy's LSODA until its period repeats; return the mean volts.

    The diodes' equation is solved by Brent's method at every step, as one would write it down.
    """
    saturation, emission, series = junction_of(bench.diode)
    transformer, part = bench.transformer, bench.filter[0]
    ratio = transformer.open_circuit_voltage / transformer.primary_voltage
    windings = {"single": 1.0, "series": 2.0, "parallel": 0.5}[transformer.connection]
    ratio *= max(1.0, windings)
    fuse = bench.fuse.resistance if bench.fuse else 0.0
    primary = transformer.primary_resistance + bench.mains.source_resistance + fuse
    ohms = transformer.secondary_resistance * windings + primary * ratio**2 + 2 * series
    thermal = 2 * emission * 8.617333262e-5 * 298.15
    peak, omega = np.sqrt(2) * bench.mains.voltage * ratio, 2 * np.pi * bench.mains.frequency
    load = bench.load.resistance
    share = 1 / (1 + part.esr / load)
    total = ohms + part.esr * share

    def current(t: float, volts: float) -> float:
        drive = peak * abs(np.sin(omega * t)) - volts * share
        if drive <= 0:
            return saturation * float(np.expm1(max(drive / thermal, -100.0)))
        most = drive / total
        return float(brentq(lambda i: drive - total * i - thermal * np.log1p(i / saturation), 0.0, most, xtol=1e-9))

    def slope(t: float, state: list[float]) -> list[float]:
        into = current(t, state[0])
        return [(into - (state[0] + part.esr * into) * share / load) / part.capacitance]

    period, volts = 0.5 / bench.mains.frequency, 0.0
    while True:
        done = solve_ivp(slope, (0, period), [volts], "LSODA", rtol=1e-8, atol=1e-8, t_eval=np.linspace(0, period, 200))
        if abs(done.y[0, -1] - volts) < 1e-6 * peak:
            return float(done.y[0].mean())
        volts = done.y[0, -1]


def easy_bench() -> Bench:
    """Return the example bench without leakage, which the references cannot have."""
    bench = load_bench(scenario_named("reservoir").path)
    return bench.model_copy(update={"transformer": bench.transformer.model_copy(update={"leakage_inductance": 0.0})})


def prediction_against_lsoda() -> float:
    """Ratio: one steady state with every quantity over LSODA's of the same circuit, from rest, on an easy circuit."""
    bench = easy_bench()
    parts = parts_of(bench)
    cold = parts.replaced({"diode.thermal_resistance": np.zeros(1)})
    one, whole, brent, closed = medians(
        9,
        lambda: solve(bench, cold),
        lambda: predict(bench),
        lambda: lsoda_steady_state(bench),
        lambda: lsoda_reference.steady_state(bench),
    )
    print(
        f"    one state {1e3 * one:.1f} ms, LSODA {1e3 * brent:.1f} ms; its diode in closed form {1e3 * closed:.1f} ms"
    )
    print(f"    with heat and the uncertainty of every quantity {1e3 * whole:.1f} ms")
    return one / brent


def drawn_against_lsoda() -> float:
    """Ratio: the same, summed over supplies drawn at random that LSODA can have with the diode in closed form."""
    ratios, ours, theirs, away = [], 0.0, 0.0, 0.0
    for kind in KINDS:
        for bench in drawn(kind, 6):
            parts = parts_of(bench)
            mine = medians(5, functools.partial(solve, bench, parts))[0]
            start = time.perf_counter()
            found = lsoda_reference.steady_state(bench)
            its = time.perf_counter() - start
            ratios.append(mine / its)
            ours, theirs = ours + mine, theirs + its
            level = float(solve(bench, parts).quantities["output.voltage.mean"][0])
            away = max(away, abs(level / found["output.voltage.mean"] - 1.0))
    tenth, median, ninetieth = np.percentile(ratios, [10, 50, 90])
    print(f"    {len(ratios)} supplies: ratio {tenth:.3f}, {median:.3f}, {ninetieth:.3f} (10, 50, 90 %)")
    print(f"    mean output volts of both apart by {away:.2%} at most")
    return ours / theirs


def drawn(kind: str, count: int) -> Iterator[Bench]:
    """Yield the first `count` drawn supplies of a kind that the quick reference can have."""
    benches = (draw(random.Random(f"{kind}/{number}"), kind) for number in itertools.count())
    return itertools.islice(filter(lsoda_reference.can_take, benches), count)


def accuracy_against_scipy() -> float:
    """Worst share of the allowed difference to an independent scipy integration, over drawn supplies of all kinds."""
    worst: dict[str, float] = {}
    spent, theirs = 0.0, 0.0
    for kind in KINDS:
        for number in range(8):
            bench = without_core(draw(random.Random(f"{kind}/{number}"), kind))
            start = time.perf_counter()
            found = predicted(bench)
            middle = time.perf_counter()
            expected = reference(bench)
            spent, theirs = spent + middle - start, theirs + time.perf_counter() - middle
            for quantity, share in shares(found, expected).items():
                worst[quantity] = max(worst.get(quantity, 0.0), share)
    for quantity, share in sorted(worst.items(), key=lambda item: -item[1])[:5]:
        print(f"    {quantity}: {share:.2f} of what is allowed")
    print(f"    its time over that reference's (LSODA with shooting, every quantity): {spent / theirs:.4f}")
    return max(worst.values())


def draws_against_lsoda() -> float:
    """Ratio: 10,000 Monte Carlo draws over ten of LSODA's steady states in closed form, summed over drawn supplies."""
    easy = easy_bench()
    ours, brent, closed = medians(
        5,
        lambda: monte_carlo(easy, 10_000),
        lambda: lsoda_steady_state(easy),
        lambda: lsoda_reference.steady_state(easy),
    )
    print(f"    an easy supply: {ours:.2f} s, {1e6 * ours / 10_000:.0f} µs a draw")
    print(f"    against ten with Brent's method {ours / brent / 10:.2f} ×, in closed form {ours / closed / 10:.2f} ×")
    spent, theirs = 0.0, 0.0
    for kind in KINDS:
        for bench in drawn(kind, 2):
            mine, its = medians(
                1,
                functools.partial(monte_carlo, bench, 10_000),
                functools.partial(lsoda_reference.steady_state, bench),
            )
            print(f"    {kind}, filter of {len(bench.filter)}: {mine:.2f} s, ten of LSODA's {10 * its:.2f} s")
            spent, theirs = spent + mine, theirs + its
    return spent / (10 * theirs)


def sections_cost() -> float:
    """Ratio: eight choke-and-capacitor sections over four: 2 where cost grows linearly."""
    parts = {
        count: [capacitor(2e-3, 0.02), *[choke(5e-3, 0.2), capacitor(1e-3, 0.02)] * count] for count in (1, 4, 8, 16)
    }
    benches = [plain("bridge", filter=filters) for filters in parts.values()]
    times = medians(5, *(functools.partial(solve, bench, parts_of(bench)) for bench in benches))
    shown = ", ".join(f"{count}: {1e3 * spent:.0f} ms" for count, spent in zip(parts, times, strict=True))
    print(f"    sections {shown}")
    return times[2] / times[1]


def help_seconds() -> float:
    """Seconds of `benchmon --help`, median."""
    command = [str(Path(sys.executable).with_name("benchmon")), "--help"]
    return medians(9, lambda: subprocess.run(command, check=True, capture_output=True))[0]


def seconds_to_first_values() -> float:
    """Seconds from starting `benchmon demo` in a terminal of 80x24 to the first verdict on the screen, median of 3."""
    return statistics.median(_one_start() for _ in range(3))


def _one_start() -> float:
    with tempfile.TemporaryDirectory() as folder:
        session = Path(folder) / "demo.benchmon"
        start = time.perf_counter()
        process, terminal = pty.fork()
        if process == 0:
            os.environ |= {"TERM": "xterm-256color"}
            os.execv(sys.executable, [*BENCHMON, "demo", "--session", str(session)])  # noqa: S606
        ioctl(terminal, TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        seen = b""
        while not re.search(rb"agrees", seen):
            if not select.select([terminal], [], [], 20)[0]:
                raise RuntimeError("the demo showed no values within 20 s")
            seen += os.read(terminal, 65536)
        spent = time.perf_counter() - start
        os.write(terminal, b"q")
        time.sleep(0.5)
        os.write(terminal, b"s")
        _end(process, terminal)
        return spent


def _end(process: int, terminal: int) -> None:
    give_up = time.monotonic() + 10
    while os.waitpid(process, os.WNOHANG) == (0, 0):
        if select.select([terminal], [], [], 0.1)[0]:
            try:
                os.read(terminal, 65536)
            except OSError:
                continue
        if time.monotonic() > give_up:
            os.kill(process, signal.SIGTERM)
            give_up += 100
    os.close(terminal)


def reading_against_bare_pyvisa() -> float:
    """Ratio: a reading through the driver over a bare PyVISA query and float() of the same server."""
    count = 400
    answers = {b"*IDN?": b"bare\n", b"V?": b"+2.214E+01\n", b"SYST:ERR?": b'0,"No error"\n'}
    with FakeTcpInstrument(answers.get) as ours, FakeTcpInstrument(answers.get) as theirs:
        manager = pyvisa.ResourceManager("@py")
        bare = manager.open_resource(theirs.visa_address, read_termination="\n", write_termination="\n")
        driver = prepare(bench_with_meter(ours.visa_address))[0]
        driver.open()
        through, asked = medians(
            9,
            lambda: [driver.read("v").value for _ in range(count)],
            lambda: [float(bare.query("V?")) for _ in range(count)],
        )
        driver.close()
        bare.close()
    print(f"    a reading {1e6 * through / count:.0f} µs, bare PyVISA {1e6 * asked / count:.0f} µs")
    return through / asked


def bench_with_meter(address: str) -> Bench:
    """Return a bench whose one channel is read from `address`."""
    text = scenario_named("bridge").path.read_text(encoding="utf-8").partition("[[instrument]]")[0]
    return read_bench(
        f'{text}\n[[instrument]]\nname = "m"\ndriver = "scpi"\naddress = "{address}"\n'
        '[[channel]]\nname = "v"\ninstrument = "m"\nquantity = "output.voltage.mean"\nquery = "V?"\nperiod = 0.01\n'
    )


FIGURES: tuple[tuple[str, Callable[[], float], float, str], ...] = (
    (
        "prediction: a steady state with every quantity, against LSODA with Brent's method",
        prediction_against_lsoda,
        1 / 10,
        "×",
    ),
    ("prediction: the same over drawn supplies, against LSODA in closed form", drawn_against_lsoda, 1 / 10, "×"),
    ("prediction: worst difference to scipy, of what is allowed", accuracy_against_scipy, 1.0, "×"),
    (
        "prediction: 10,000 draws over drawn supplies, against ten of LSODA in closed form",
        draws_against_lsoda,
        1.0,
        "×",
    ),
    ("prediction: eight filter sections over four", sections_cost, 2.2, "×"),
    ("benchmon --help", help_seconds, 0.3, "s"),
    ("benchmon demo to first live values", seconds_to_first_values, 3.0, "s"),
    ("a reading through the driver, against bare PyVISA", reading_against_bare_pyvisa, 1.5, "×"),
)


def main() -> int:
    """Measure all figures, or those whose name contains the first argument."""
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
