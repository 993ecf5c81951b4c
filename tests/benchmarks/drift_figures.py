"""Figures of the drift watch on real supplies: how often it is wrong, and whether it still finds true drifts.

    python tests/benchmarks/drift_figures.py                 30 logs of 20 minutes, and 20 with a drift
    python tests/benchmarks/drift_figures.py --seeds 0 60    more of them
    python tests/benchmarks/drift_figures.py --scale 2       all disturbances twice as large

The truth is a net list of its own with a saturating core, on mains with harmonics: thirteen channels, windings that
warm, moving air, meters with slow noise (`support/real_benches`). A log is judged by the way of `benchmon assess`, but
without causes. A true drift is one of a meter's gain, from the tenth minute on, by 0.15 to 0.5 times its accuracy a
minute; it must be an event of the kind `drifting` at that channel. The mains meter's drift, by 0.07 % a minute from the
start, must be one of `drifting` at the mains. Leaves with status 1 where a figure is missed.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from benchmon.bench import Bench, Channel
from benchmon.quantities import is_temperature
from benchmon.report.reevaluate import assess
from benchmon.watch.diagnosis.explainer import Explainer
from support.real_benches.minutes import MeterFault, measured, readings, states_of
from support.real_benches.supplies import RealSupply, drawn_supply


class NoCauses(Explainer):
    """Explains nothing."""

    def explain(self, *_: Any, **__: Any) -> list[Any]:
        """Return no cause."""
        return []


ONSET = 600.0


@dataclass
class Truth:
    """A supply, what its meters would read in three states, its seed, and how large the disturbances are."""

    real: RealSupply
    states: Any
    seed: int
    scale: float

    def events(self, fault: MeterFault | None = None, late: tuple[str, float] = ("", 0.0)) -> list[dict[str, Any]]:
        """Return what a log's judging says of drift; `late` is a channel and its gain's change a minute from ONSET."""
        bench = self.real.bench
        log = [
            replace(one, value=one.value * (1.0 + late[1] * max(0.0, one.time - ONSET) / 60.0))
            if one.channel == late[0]
            else one
            for one in readings(self.real, bench.channel, self.states, seed=self.seed, scale=self.scale, fault=fault)
        ]
        answer = assess(bench, log, NoCauses(bench))
        return [event for event in answer["events"] if event["kind"] in ("drifting", "slow drift")]


def able(bench: Bench, states: Any) -> list[Channel]:
    """Return the channels of which a drift can be seen: no temperature, and a value that is there."""
    return [
        channel
        for channel in bench.channel
        if not is_temperature(channel.quantity)
        and channel.quantity != "mains.voltage.rms"
        and abs(states[0].get(channel.quantity, 0.0)) > 1e-3
    ]


def main() -> int:
    """Print the figures; return 1 where one is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", nargs=2, type=int, default=(0, 30), metavar=("FROM", "TO"))
    parser.add_argument("--scale", type=float, default=1.0, help="of all disturbances")
    parser.add_argument("--drifts", type=int, default=20, help="logs with a true drift")
    asked = parser.parse_args()
    seeds = range(*asked.seeds)
    loud = quiet = found = of_the_mains = 0
    after: list[float] = []
    for seed in seeds:
        real = drawn_supply(seed, asked.scale)
        truth = Truth(real, measured(states_of(real)), seed, asked.scale)
        for event in truth.events():
            loud, quiet = loud + (event["kind"] == "drifting"), quiet + (event["kind"] != "drifting")
            print(f"        {seed}, {event['kind']} at {event['time_s']:.0f} s: {event['message']}", flush=True)
        if seed - seeds[0] >= asked.drifts:
            continue
        random = np.random.default_rng([seed, 0xD21F7])
        channels = able(real.bench, truth.states)
        channel = channels[int(random.integers(len(channels)))]
        level = abs(truth.states[0][channel.quantity])
        rate = float(random.choice((-1.0, 1.0)) * random.uniform(0.15, 0.5) * channel.accuracy.of(level) / level)
        named = [event for event in truth.events(late=(channel.name, rate)) if event["channel"] == channel.name]
        named = [event for event in named if event["kind"] == "drifting" and event["time_s"] > ONSET]
        found += bool(named)
        after += [event["time_s"] - ONSET for event in named[:1]]
        mains = next(one.name for one in real.bench.channel if one.quantity == "mains.voltage.rms")
        shown = truth.events(fault=MeterFault(mains, drift=0.0007 if seed % 2 else -0.0007))
        of_the_mains += any(event["channel"] == mains and event["kind"] == "drifting" for event in shown)
        print(f"        {seed}, {channel.name} by {100 * rate:+.2f} % a minute: {named[:1]}", flush=True)
    hours = len(seeds) / 3.0
    ok = loud <= max(1.0, hours / 10.0)
    print(f"{'ok    ' if ok else 'MISSED'}  drift alarms in {hours:.1f} h: {loud} (allowed: 1 in 10 h); quiet: {quiet}")
    tried = min(len(seeds), asked.drifts)
    right = found == tried
    middle = float(np.median(after)) if after else float("nan")
    print(f"{'ok    ' if right else 'MISSED'}  true drifts found: {found} of {tried}, median after {middle:.0f} s")
    told = of_the_mains >= 0.8 * tried
    print(
        f"{'ok    ' if told else 'MISSED'}  drifts of the mains meter found: {of_the_mains} of {tried} (allowed: 80 %)"
    )
    return 0 if ok and right and told else 1


if __name__ == "__main__":
    sys.exit(main())
