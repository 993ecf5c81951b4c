"""How sure the stated causes are, and how right: faults of drawn real supplies, in the catalogue and outside it.

    python tests/benchmarks/cause_figures.py                  300 faults of the catalogue, 210 outside; five minutes
    python tests/benchmarks/cause_figures.py --seeds 0 15     fifteen supplies

The truth is the net list with a saturating core of `support/real_benches`; five rectifiers, some with a regulator,
three ways of writing a bench file, thirteen channels. A warm supply is logged for 90 s with its fault, or for ten
minutes where only the course of a reading shows it, and judged by the way of `benchmon assess`. A fault counts where
some channel disagrees or is flagged at the end. What was solved is kept, so that a second run is quicker.

Of a fault outside the simulated bench's catalogue a statement is right if it names the fault, or "none of these".
Seeds below 200 are for setting weights; the figures that count are those of others.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import sys
from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmon.report.reevaluate import assess
from benchmon.watch.diagnosis.explainer import NONE_OF_THESE, Explainer
from support.contradictions import contradictions_in
from support.real_benches.faults import RealFault, faults_of
from support.real_benches.kept import measured_states, solved_faults_kept, without_power
from support.real_benches.minutes import readings, states_of
from support.real_benches.netlist import TrueCircuit
from support.real_benches.stated import (
    CONFIDENT,
    Case,
    case_of,
    is_right,
    is_seen,
    line_of,
    rows_of_bins,
    rows_of_causes,
    share,
)
from support.real_benches.supplies import RealSupply, drawn_supply

SHORT, LONG = 1.5, 10.0
"""Minutes of a log, of a fault that single readings show, and of one that only a course shows."""

WARM = 4.0 * 3600.0


def drawn_faults(real: RealSupply, known: int, other: int) -> list[RealFault | None]:
    """Return what a supply is judged with: nothing wrong, `known` faults of the catalogue, `other` outside it."""
    random = np.random.default_rng([real.seed, 0xCA5E])
    every = list(faults_of(real, real.bench, random))
    found: list[RealFault | None] = [None]
    for is_catalogued, count in ((True, known), (False, other)):
        some = [one for one in every if one.is_catalogued is is_catalogued]
        found += [some[at] for at in random.permutation(len(some))[:count]]
    return found


def is_course(fault: RealFault | None) -> bool:
    """Return whether only the course of a reading shows a fault."""
    meter = None if fault is None else fault.meter
    if meter is None:
        return False
    # A probe in the air reads what a cold supply would: only its course shows that the supply is warm.
    course = meter.late or meter.flips or meter.drift or np.isfinite(meter.frozen_from) or meter.reads == "ambient"
    return bool(course)


def circuits_of(real: RealSupply, fault: RealFault | None) -> list[TrueCircuit]:
    """Return the circuits whose states a log is made of: warm, or where the mains must wander also beside it."""
    if is_course(fault):
        return list(states_of(real))
    return [(fault.change if fault else lambda circuit: circuit)(real.at(1.0, 1.0))]


def solved_in_batches(arguments: list[TrueCircuit]) -> None:
    """Work out what meters read off circuits of one rectifier, and keep it."""
    measured_states(arguments)


def judged(arguments: tuple[int, int, int]) -> list[Case]:
    """Return the judged cases of one supply: its seed, and how many faults in the catalogue and outside."""
    seed, known, other = arguments
    real = drawn_supply(seed)
    bench = real.bench
    found = []
    with solved_faults_kept():
        explainer = Explainer(bench)
        for number, fault in enumerate(drawn_faults(real, known, other)):
            states = measured_states(circuits_of(real, fault))
            log = readings(
                real,
                bench.channel,
                [without_power(one) for one in states] if fault is not None and fault.dead else states,
                seed=number,
                minutes=LONG if is_course(fault) else SHORT,
                on_for=0.0 if is_course(fault) else WARM,
                fault=None if fault is None else fault.meter,
                cooling=1.0 if fault is None else fault.cooling,
                air=0.0 if fault is None else fault.air,
            )
            answer = assess(bench, log, explainer)
            found.append(case_of(real, fault, answer) | {"contradictions": contradictions_in(answer, bench, log)})
    return found


def by_fault(cases: Sequence[Case]) -> Iterator[str]:
    """Yield a line for each fault: how often it was seen, named first, in the first three, answered by no name."""
    groups: defaultdict[tuple[bool, str], list[Case]] = defaultdict(list)
    for one in filter(is_seen, cases):
        words = one["fault"].split()
        groups[not one["catalogued"], " ".join(words[: 2 if one["catalogued"] else 3])].append(one)
    yield f"{'fault':34s} seen first three none confidently wrong"
    for (_, name), group in sorted(groups.items()):
        first, three = sum(one["named"][0] for one in group), sum(any(one["named"]) for one in group)
        none = sum(one["stated"][0][0] == NONE_OF_THESE for one in group)
        wrong = sum(not is_right(one) and one["stated"][0][1] >= CONFIDENT for one in group)
        yield f"{name:34s} {len(group):4d} {first:5d} {three:5d} {none:4d} {wrong:4d}"


def main() -> int:
    """Judge drawn faults and print the figures; leave with 1 where one is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", type=int, nargs=2, default=(400, 430), metavar=("FROM", "TO"))
    parser.add_argument("--known", type=int, default=10, help="faults of the catalogue, of each supply")
    parser.add_argument("--other", type=int, default=7, help="faults outside it")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--lines", type=Path, help="write every case as a line of JSON")
    options = parser.parse_args()
    seeds = range(*options.seeds)
    circuits: defaultdict[str, list[TrueCircuit]] = defaultdict(list)
    for real in map(drawn_supply, seeds):
        for fault in drawn_faults(real, options.known, options.other):
            circuits[real.circuit.rectifier] += circuits_of(real, fault)
    with multiprocessing.Pool(options.processes) as pool:
        pool.map(solved_in_batches, circuits.values(), chunksize=1)
        work = [(seed, options.known, options.other) for seed in seeds]
        cases = [case for each in pool.imap_unordered(judged, work) for case in each]
    if options.lines:
        options.lines.write_text("".join(json.dumps(case) + "\n" for case in cases))
    print(*by_fault(cases), sep="\n")
    print(f"supplies {seeds[0]} to {seeds[-1]}, {len(cases)} logs")
    odd = [one for one in cases if one["contradictions"]]
    contradicting = share("answers that contradict themselves", odd, cases, 0.0)
    rows = [*rows_of_causes(cases), contradicting, *rows_of_bins(cases)]
    print(*map(line_of, rows), sep="\n")
    return int(not all(ok for *_, ok in rows))


if __name__ == "__main__":
    sys.exit(main())
