"""The figures that the watch promises, each with its seed.

    python tests/benchmarks/watch_figures.py            a few minutes
    python tests/benchmarks/watch_figures.py --full     100 fault-free hours, 100 runs each, 10 million readings

Prints one line a figure: what, measured, allowed. Leaves with status 1 where a figure is missed. Names of figures
choose among them, `--benches` among the benches of the catalogue, `--hours` among the fault-free hours, so that a long
run may be taken in parts.

The benches are the example ones; `fault_free_hours.py` makes their readings.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from fault_free_hours import COARSE, FINE, NOISE_PART, STEP, Hours, fault_free, last_digit

from benchmon.bench import Bench, Channel, load_bench
from benchmon.prediction import predict
from benchmon.quantities import Expected, is_temperature
from benchmon.watch.channel_history import ChannelHistory
from benchmon.watch.diagnosis.explainer import NOTHING_WRONG, Explainer
from benchmon.watch.drift.drift import Drifts
from benchmon.watch.verdict import en_number
from benchmon.watch.watch import Watch
from benchmon_simulated.scenarios import scenario_named
from support.faults.catalogue_cases import NAMES, CatalogueCase, catalogue, catalogue_bench, sound_case
from support.faults.faulty_bench import cases, faultless, is_named

MISSED: list[str] = []


def tell(what: str, measured: str, allowed: str, *, ok: bool) -> None:
    """Print a figure; remember a missed one."""
    print(f"{'ok    ' if ok else 'MISSED'}  {what}: {measured} (allowed: {allowed})", flush=True)
    if not ok:
        MISSED.append(what)


def benches() -> dict[str, Bench]:
    """Return the example benches by name."""
    return {name: load_bench(scenario_named(name).path) for name in ("reservoir", "bridge", "centre-tap")}


def false_alarms(seeds: range) -> None:
    """Count the events of fault-free hours: all channels of an example bench, as the watch hands them to its history.

    Verdicts and limits are left out, which tell neither drift nor contradictions and take half of the time.
    """
    counts: dict[str, int] = {}
    pairs = list(benches().items())
    for hour in seeds:
        name, bench = pairs[hour % len(pairs)]
        run = fault_free(bench, 3600.0, hour, COARSE if hour % 2 else FINE)
        history = ChannelHistory(bench)
        history.expect(predict(bench))
        rows = [
            (channel.name, run.read[channel.name].tolist(), run.expected[channel.name], ens(channel, run))
            for channel in bench.channel
        ]
        for index, moment in enumerate(run.times.tolist()):
            for channel, values, expected, en in rows:
                for event in history.update(channel, moment, values[index], expected[index], en[index]):
                    counts[event.kind] = counts.get(event.kind, 0) + 1
                    if event.kind in ("drifting", "implausible", "forecast", "runaway"):
                        print(f"        hour {hour}, {name}: {event.message}", flush=True)
        if hour % 10 == 9:
            print(f"        hours {seeds[0]} to {hour}: {counts or 'no event'}", flush=True)
    given = counts.get("drifting", 0) + counts.get("implausible", 0)
    allowed = max(1, len(seeds) // 100)
    what = f"false alarms of drift and plausibility in {len(seeds)} fault-free hours of 12 channels"
    what = f"{what}, seeds {seeds[0]} to {seeds[-1]}"
    tell(what, f"{given}; all events {counts or 'none'}", f"{allowed}", ok=given <= allowed)
    heat = counts.get("forecast", 0) + counts.get("runaway", 0)
    tell("false forecasts and runaways in the same hours", str(heat), str(allowed), ok=heat <= allowed)


def ens(channel: Channel, run: Hours) -> list[float | None]:
    """Return the En of each of a channel's readings, None where nothing is expected."""
    pairs = zip(run.read[channel.name].tolist(), run.expected[channel.name], strict=True)
    return [None if e is None else en_number(v, channel.accuracy.of(v), e.value, e.uncertainty) for v, e in pairs]


def detection(runs: int, digits: float) -> None:
    """Time the detection of a drift of one standard deviation of the noise a minute, under wandering mains."""
    late = []
    pairs = list(benches().values())
    for run in range(runs):
        random = np.random.default_rng([run, 0x200])
        bench = pairs[run % len(pairs)]
        onset = float(random.uniform(300.0, 600.0))
        hours = fault_free(bench, onset + 200.0, 1000 + run, digits)
        able = [channel for channel in bench.channel if shows_its_noise(channel, hours, digits)]
        channel = able[int(random.integers(len(able)))]
        values = hours.read[channel.name]
        sigma = NOISE_PART * channel.accuracy.of(float(values.mean()))
        drift = random.choice([-1.0, 1.0]) * sigma / 60.0 * np.maximum(hours.times - onset, 0.0)
        late.append(time_of_drift(hours, channel.name, values + drift) - onset)
    found = sum(0.0 < seconds <= 180.0 for seconds in late)
    middle, tail = np.percentile([min(seconds, 999.0) for seconds in late], [50, 95])
    what = f"drift of one deviation a minute found within 3 min, mains ±3 %, seeds 0 to {runs - 1}"
    measured = f"{found} of {runs}; median {middle:.0f} s, 95 % {tail:.0f} s"
    if digits == FINE:
        tell(f"{what}, fine displays", measured, "95 of 100", ok=found >= 0.95 * runs)
    else:
        tell(f"{what}, coarse displays", measured, "shown only", ok=True)


def shows_its_noise(channel: Channel, hours: Hours, digits: float) -> bool:
    """Return whether a drift can show: not a temperature or the mains, and a last digit not much above the noise."""
    if is_temperature(channel.quantity) or channel.quantity == "mains.voltage.rms":
        return False
    mean = float(hours.read[channel.name].mean())
    return last_digit(channel, mean, digits) <= 2.0 * NOISE_PART * channel.accuracy.of(mean)


def time_of_drift(hours: Hours, name: str, values: np.ndarray[Any, Any]) -> float:
    """Return when a drift of a channel is found, infinite where it is not."""
    watch = Drifts([channel.name for channel in hours.bench.channel])
    rows = [
        (channel.name, values if channel.name == name else hours.read[channel.name], hours.expected[channel.name])
        for channel in hours.bench.channel
        if not is_temperature(channel.quantity) and channel.quantity != "mains.voltage.rms"
    ]
    mains = next(channel.name for channel in hours.bench.channel if channel.quantity == "mains.voltage.rms")
    for index, moment in enumerate(hours.times.tolist()):
        watch.mains(float(hours.read[mains][index]))
        for channel, read, expected in rows:
            watch.update(channel, moment, float(read[index]), expected[index].value)
        if watch.drift(name) is not None:
            return moment
    return math.inf


def explanation(sound: int) -> None:
    """Explain every visible fault of the example benches, three seeds each, and sound benches."""
    total = first = three = fine = 0
    for bench in benches().values():
        explainer = Explainer(bench)
        for seed in range(3):
            for case in cases(bench, seed):
                if case.visible:
                    ranked = explainer.explain(case.observations)
                    total, first = total + 1, first + is_named(case.cause, ranked[0])
                    three += case.cause in [one.cause for one in ranked[:3]]
        fine += sum(explainer.explain(faultless(bench, seed))[0].cause == NOTHING_WRONG for seed in range(sound))
    tell("true cause first, seeds 0 to 2", f"{first} of {total} = {first / total:.1%}", "90 %", ok=first >= 0.9 * total)
    tell("true cause in the first three", f"{three} of {total} = {three / total:.1%}", "98 %", ok=three >= 0.98 * total)
    what = f"sound benches need no explanation, seeds 0 to {sound - 1}"
    tell(what, f"{fine} of {3 * sound}", "99 %", ok=fine >= 0.99 * 3 * sound)


def explanation_of_the_simulated_bench(names: tuple[str, ...]) -> None:
    """Explain every fault of the simulated bench's catalogue at every place, seeds 1 to 3, and sound benches.

    The simulated bench's equations are not the engine's. A fault counts where some reading disagrees with the
    prediction, or shows overload.
    """
    seen = first = three = unseen = sound = fine = 0
    for name in names:
        bench = catalogue_bench(name)
        explainer = Explainer(bench)
        for seed in range(1, 4):
            causes = [one.cause for one in explainer.explain(sound_case(bench, seed).observations)]
            sound, fine = sound + 1, fine + (causes[0] == NOTHING_WRONG)
            for case in catalogue(bench, seed):
                if not is_seen(bench, case):
                    unseen += 1
                    continue
                causes = [one.cause for one in explainer.explain(case.observations)]
                hits = [case.is_named_by(cause) for cause in causes]
                seen, first, three = seen + 1, first + hits[0], three + any(hits[:3])
                if not hits[0]:
                    print(f"        {name}, {case.title}, seed {seed}: {causes[:3]}", flush=True)
    what = f"in the simulated bench's catalogue ({', '.join(names)}; {unseen} more move no reading), seeds 1 to 3"
    tell(f"true cause first {what}", f"{first} of {seen} = {first / seen:.1%}", "90 %", ok=first >= 0.9 * seen)
    tell("true cause in the first three of these", f"{three} = {three / seen:.1%}", "98 %", ok=three >= 0.98 * seen)
    tell("sound simulated benches", f"{fine} of {sound}", "all of so few", ok=fine == sound)


def is_seen(bench: Bench, case: CatalogueCase) -> bool:
    """Return whether some reading disagrees with what is predicted at the mains and air that are read."""
    values = {one.channel.quantity: one.value for one in case.observations}
    mains, air = values.get("mains.voltage.rms"), values.get("ambient.temperature")
    known = mains is not None and 0.5 < mains / bench.mains.voltage < 1.5
    prediction = predict(bench, mains_voltage=mains if known else None)
    for one in case.observations:
        expected = prediction.quantities.get(one.channel.quantity)
        if math.isinf(one.value):
            return True
        if expected is None:
            continue
        if one.channel.quantity == "mains.voltage.rms":
            nominal, tolerance = bench.mains.voltage, bench.mains.tolerance
            expected = Expected(nominal, nominal * tolerance, "V")
        elif one.value is air:
            expected = Expected(bench.ambient.temperature, 3.0, "°C")
        allowed = math.hypot(expected.uncertainty, one.channel.accuracy.of(one.value))
        if abs(one.value - expected.value) > 1.5 * allowed:
            return True
    return False


def many_channels() -> Bench:
    """Return a bench of 32 channels: the reservoir example's, nearly three times over."""
    bench = benches()["reservoir"]
    copies = [
        channel.model_copy(update={"name": f"{channel.name} {turn}"}) for turn in range(3) for channel in bench.channel
    ]
    return bench.model_copy(update={"channel": tuple(copies[:32])})


def rounds(bench: Bench, count: int) -> Iterator[tuple[float, list[tuple[str, float, Any]]]]:
    """Yield time and readings of `count` rounds of all channels at their expected values with noise."""
    prediction = predict(bench)
    rows = [(channel, prediction.at(channel.quantity)) for channel in bench.channel]
    random = np.random.default_rng(0x400)
    sizes = [NOISE_PART * channel.accuracy.of(expected.value) for channel, expected in rows if expected]
    for start in range(0, count, 1000):
        noise = random.standard_normal((min(1000, count - start), len(rows))).tolist()
        for offset, row in enumerate(noise):
            yield (
                STEP * (start + offset),
                [(c.name, e.value + s * z, e) for (c, e), s, z in zip(rows, sizes, row, strict=True) if e],
            )


def cost(readings: int) -> None:
    """Measure processor time and memory a reading of the whole watch at 32 channels, without prediction."""
    bench = many_channels()
    history = ChannelHistory(bench)
    watch = Watch(bench.channel, history)
    history.expect(predict(bench))
    spent, peaks, done, next_look = 0.0, [], 0, readings // 10
    tracing = readings // 2
    for moment, row in rounds(bench, readings // len(bench.channel)):
        start = time.process_time()
        for name, value, expected in row:
            watch.judge(name, moment, value, expected)
        if not tracemalloc.is_tracing():
            spent += time.process_time() - start
            timed = done + len(row)
        done += len(row)
        if done >= tracing and not tracemalloc.is_tracing():
            tracemalloc.start()
        if tracemalloc.is_tracing() and done >= next_look:
            peaks.append(tracemalloc.get_traced_memory()[0])
            next_look = done + readings // 10
    tracemalloc.stop()
    each = 1e6 * spent / timed
    tell("watch, 32 channels, processor time of a reading", f"{each:.1f} µs", "50 µs", ok=each < 50.0)
    growth = (peaks[-1] - peaks[1]) / 1024 if len(peaks) > 2 else 0.0
    what = f"memory that the second half of {done} readings adds"
    tell(what, f"{growth:+.0f} KiB between its first and last fifth", "flat: 256 KiB", ok=growth < 256.0)


def figures(names: tuple[str, ...], hours: range, *, full: bool) -> dict[str, Callable[[], None]]:
    """Return what measures each figure, by name."""
    runs = 100 if full else 20
    return {
        "causes": lambda: explanation(100 if full else 35),
        "catalogue": lambda: explanation_of_the_simulated_bench(names or (NAMES if full else NAMES[2:3])),
        "cost": lambda: cost(10_000_000 if full else 400_000),
        "drift": lambda: detection(runs, FINE),
        "coarse-drift": lambda: detection(runs, COARSE),
        "false-alarms": lambda: false_alarms(hours or range(100 if full else 3)),
    }


def main() -> int:
    """Print the figures that are asked for; return 1 where one is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    size = parser.add_mutually_exclusive_group()
    size.add_argument("--quick", action="store_true", help="a few minutes; the default")
    size.add_argument("--full", action="store_true", help="the stated sizes; hours")
    parser.add_argument("--benches", nargs="+", choices=NAMES, default=(), help="of the catalogue")
    parser.add_argument("--hours", nargs=2, type=int, default=(0, 0), metavar=("FROM", "TO"), help="fault-free ones")
    parser.add_argument(
        "figure", nargs="*", help=f"one of {', '.join(figures((), range(0), full=False))}; all if none is named"
    )
    asked = parser.parse_args()
    known = figures(tuple(asked.benches), range(*asked.hours), full=asked.full)
    unknown = next((name for name in asked.figure if name not in known), None)
    if unknown is not None:
        parser.error(f"{unknown!r} is no figure; there are {', '.join(known)}")
    for name in asked.figure or known:
        known[name]()
    return 1 if MISSED else 0


if __name__ == "__main__":
    sys.exit(main())
