"""How the watch judges real supplies: sound ones and faulty ones, drawn by seed, whose truth is not the engine's.

    python tests/benchmarks/real_bench_figures.py --quick     about five minutes on two quiet cores
    python tests/benchmarks/real_bench_figures.py             every fault at 45 supplies, both scales
    python tests/benchmarks/real_bench_figures.py --seeds 0 15 --scale 2 --lines cases.jsonl
    python tests/benchmarks/real_bench_figures.py --settled   only the last readings: no drift, no history

The truth is a net list of its own with a saturating core (`support/real_benches`), on mains with harmonics of six real
sockets. Thirteen channels with a power analyser, twenty minutes, judged by the way of `benchmon assess`. Bench files
are written in three ways, see `support/real_benches/supplies.py`. `--scale 2` doubles what no bench file says.

A fault counts where some channel disagrees at the end. Of a fault outside the simulated bench's catalogue a statement
is right if it names the fault, or "none of these". Nothing here may be used to set the prediction's allowances.
"""

from __future__ import annotations

import argparse
import json
import math
import multiprocessing
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmon.bench import Bench
from benchmon.prediction import predict
from benchmon.report.reevaluate import assess
from benchmon.watch.diagnosis.explainer import Explainer
from benchmon.watch.diagnosis.likelihood import Observation
from benchmon.watch.diagnosis.statement import statements
from benchmon.watch.records import Judgement, LoggedReading, Verdict
from benchmon.watch.verdict import verdict_of
from support.real_benches.faults import RealFault, faults_of
from support.real_benches.kept import measured_states, without_power
from support.real_benches.minutes import readings, states_of
from support.real_benches.stated import Case, Row, case_of, line_of, rows_of_bins, rows_of_causes, share
from support.real_benches.supplies import RealSupply, drawn_supply

PERCENTS = ("mains.power_factor", "mains.current.thd", "mains.current.crest_factor")


def cases_of(real: RealSupply, scale: float, sound: int, faults: int) -> Iterator[tuple[RealFault | None, int]]:
    """Yield what is judged of one supply: it without a fault, by several meters, and some or all faults."""
    for turn in range(sound):
        yield None, turn
    random = np.random.default_rng([real.seed, int(10 * scale), 0xFA])
    every = list(faults_of(real, real.bench, random))
    chosen = every
    if faults < len(every):
        half = faults // 2
        known = [one for one in every if one.is_catalogued]
        other = [one for one in every if not one.is_catalogued]
        chosen = [known[at] for at in random.permutation(len(known))[:half]]
        chosen += [other[at] for at in random.permutation(len(other))[: faults - half]]
    for one in chosen:
        yield one, 0


def judged(arguments: tuple[int, float, int, int, bool]) -> list[Case]:
    """Return the judged cases of one supply: its seed, scale, logs, faults, and whether only the end is judged."""
    seed, scale, sound, faults, is_settled = arguments
    real = drawn_supply(seed, scale)
    bench = real.bench
    cases = list(cases_of(real, scale, sound, faults))
    truths = true_states(real, [fault for fault, _ in cases])
    explainer = Explainer(bench)
    found = []
    judge = settled if is_settled else assess
    for number, ((fault, turn), states) in enumerate(zip(cases, truths, strict=True)):
        log = readings(
            real,
            bench.channel,
            states,
            seed=100 * number + turn,
            fault=None if fault is None else fault.meter,
            cooling=1.0 if fault is None else fault.cooling,
            air=0.0 if fault is None else fault.air,
            scale=scale,
        )
        began = time.perf_counter()
        answer = judge(bench, log, explainer)
        seconds, events = time.perf_counter() - began, [one["kind"] for one in answer["events"]]
        counts = {kind: events.count(kind) for kind in ("drifting", "implausible")}
        found.append(case_of(real, fault, answer) | counts | {"seconds": seconds, "readings": len(log)})
    widths = predict(bench, mains_voltage=bench.mains.voltage).quantities
    for one in found:
        one["widths"] = {name: widths[name].uncertainty for name in PERCENTS if name in widths}
    return found


def settled(bench: Bench, log: Sequence[LoggedReading], explainer: Explainer) -> dict[str, Any]:
    """Return what `assess` does, as far as the last readings alone have it: verdicts and causes."""
    end = log[-1].time
    observations, channels = [], {}
    for channel in bench.channel:
        values = [one.value for one in log if one.channel == channel.name and one.time > end - 10.0]
        if values and not math.isnan(values[-1]):
            observations.append(Observation(channel, float(np.median(values))))
    mains = next((one.value for one in observations if one.channel.quantity == "mains.voltage.rms"), None)
    known = mains is not None and 0.5 < mains / bench.mains.voltage < 1.5
    prediction = predict(bench, mains_voltage=mains if known else None)
    nominal = predict(bench)
    judged_last = []
    for one in observations:
        name, accuracy = one.channel.quantity, one.channel.accuracy.of(one.value)
        expected = (nominal if name == "mains.voltage.rms" else prediction).quantities.get(name)
        verdict, en = Verdict.UNPREDICTED, None
        if expected is not None:
            en = (one.value - expected.value) / math.hypot(expected.uncertainty, accuracy)
            verdict = verdict_of(en)
        value = None if expected is None else expected.value
        band = None if expected is None else expected.uncertainty
        judged_last.append(Judgement(one.channel.name, end, one.value, accuracy, value, band, en, verdict))
        channels[one.channel.name] = {"verdict": str(verdict), "flags": [], "en": en}
    stated = statements(explainer.explain(observations), judged_last, {})
    causes = [{"cause": one.cause, "likelihood": one.likelihood} for one in stated]
    return {"channels": channels, "events": [], "explanations": causes}


def true_states(real: RealSupply, faults: Sequence[RealFault | None]) -> list[list[dict[str, float]]]:
    """Return the measured states of a supply with each of `faults`; they are kept in files, as they take long."""
    circuits = [one if fault is None else fault.change(one) for fault in faults for one in states_of(real)]
    found = measured_states(circuits)
    return [
        [without_power(one) for one in states] if fault is not None and fault.dead else states
        for fault, states in zip(faults, (found[at : at + 3] for at in range(0, len(found), 3)), strict=True)
    ]


def table(cases: Sequence[Case]) -> list[Row]:
    """Return what was measured."""
    sound = [one for one in cases if one["fault"] is None]
    hours = max(len(sound) / 3.0, 1e-9)
    drifting, implausible = (sum(one[kind] for one in sound) for kind in ("drifting", "implausible"))
    rows = [
        share("sound: a channel disagrees at the end", [one for one in sound if one["disagreeing"]], sound, 0.02),
        (
            "sound: drift alarms an hour",
            f"{drifting / hours:.2f} in {hours:.0f} h",
            "0.1",
            drifting <= max(1.0, 0.1 * hours),
        ),
        ("sound: contradictions between channels", str(implausible), "0", implausible == 0),
        *rows_of_causes(cases),
        *rows_of_bins(cases),
    ]
    for way in ("new", "measured", "gentle"):
        widths = [one["widths"] for one in sound if one["way"] == way]
        if widths:
            shown = ", ".join(
                f"{name.rpartition('.')[2]} ± {np.median([one[name] for one in widths if name in one]):.3f}"
                for name in PERCENTS
            )
            rows.append((f"median ± of {way} files", shown, "shown only", True))
    cost = 1e6 * sum(one["seconds"] for one in cases) / max(1, sum(one["readings"] for one in cases))
    rows.append(("a reading, with the prediction and the diagnosis of a log", f"{cost:.0f} µs", "shown only", True))
    return rows


def main() -> int:
    """Judge drawn supplies and print the figures; leave with 1 where one is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="fifteen supplies, eight faults each, scale 1")
    parser.add_argument("--settled", action="store_true", help="judge only what is read at the end")
    parser.add_argument("--seeds", type=int, nargs=2, default=None, metavar=("FROM", "TO"))
    parser.add_argument("--scale", type=float, action="append", help="on all that no file says (default 1 and 2)")
    parser.add_argument("--sound", type=int, default=2, help="logs of each supply without a fault")
    parser.add_argument("--faults", type=int, default=None, help="faults of each supply, half of them outside")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--lines", type=Path, help="write every case as a line of JSON")
    options = parser.parse_args()
    seeds = options.seeds or ((0, 15) if options.quick else (0, 45))
    faults = options.faults if options.faults is not None else (8 if options.quick else 99)
    missed = False
    for scale in options.scale or ((1.0,) if options.quick else (1.0, 2.0)):
        work = [(seed, scale, options.sound, faults, options.settled) for seed in range(*seeds)]
        with multiprocessing.Pool(options.processes) as pool:
            cases = [case for each in pool.imap_unordered(judged, work) for case in each]
        if options.lines:
            with options.lines.open("a") as file:
                file.writelines(json.dumps(case | {"scale": scale}) + "\n" for case in cases)
        print(f"supplies {seeds[0]} to {seeds[1] - 1}, scale {scale:g}, {len(cases)} logs of 20 minutes")
        rows = table(cases)
        print(*map(line_of, rows), sep="\n", flush=True)
        missed |= not all(ok for *_, ok in rows)
    return int(missed)


if __name__ == "__main__":
    sys.exit(main())
