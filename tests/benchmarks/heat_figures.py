"""Figures of the heat forecast, on temperatures of thermal ladders whose physics the fit does not share.

    python tests/benchmarks/heat_figures.py            one to two minutes
    python tests/benchmarks/heat_figures.py --full     300 runs of each kind
    python tests/benchmarks/heat_figures.py --doubled  all disturbances twice as large

A part is one, two or three heat capacities in a row (part alone; case and heat sink; junction, case and heat sink). The
last loses its heat to the air, the better the hotter it is (free convection, exponent 0.15 to 0.25), and by moving air
that changes its resistance by 2 % rms. The air wanders by 0.5 K, the power by 1.4 % (0.7 % of the mains voltage). The
sensor sits on the first part or, of three, on the second; it lags by some seconds, has noise of 0.05 K and shows tenths
of a kelvin. All sizes are from experience. Explicit steps of a quarter of a second integrate it.

The final temperature is the one that the same part reaches without what disturbs it. Prints one line a figure: what,
measured, allowed; leaves with status 1 where one is missed. What is given about a limit is counted at every look:

- a crossing counts as given if a time, or at least an earliest time, stood 30 s before it, or half a (slow) time
  constant before where that is less; how many had the earliest one alone is stated;
- a false one is a run that never crosses within the time simulated, in which a time stood at any look; how many of
  these would settle above the limit after all is stated.
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from benchmon.watch.heating.heating import HeatLimits, HeatWatch, State

AIR, STEP, READ_EVERY = 24.0, 0.25, 2
MISSED: list[str] = []
Floats = np.ndarray[Any, np.dtype[np.float64]]


def tell(what: str, measured: str, allowed: str, *, ok: bool) -> None:
    """Print a figure; remember a missed one."""
    print(f"{'ok    ' if ok else 'MISSED'}  {what}: {measured} (allowed: {allowed})", flush=True)
    if not ok:
        MISSED.append(what)


@dataclass
class Part:
    """What warms: heat capacities (J/K), resistances (K/W) outwards, power (W), exponent of convection, sensor."""

    capacities: Floats
    resistances: Floats
    power: float
    exponent: float
    sensed: int
    lag: float

    @property
    def final(self) -> float:
        """The temperature at the sensor at rest, °C."""
        inner = self.power * float(self.resistances[self.sensed : -1].sum())
        return AIR + inner + self.power * float(self.resistances[-1])

    @property
    def time_constants(self) -> Floats:
        """The time constants at rest (s), the longest first."""
        count = len(self.capacities)
        flow = np.zeros((count, count))
        for node in range(count):
            flow[node, node] += 1.0 / self.resistances[node]
            if node + 1 < count:
                flow[node, node + 1] -= 1.0 / self.resistances[node]
                flow[node + 1, node] -= 1.0 / self.resistances[node]
                flow[node + 1, node + 1] += 1.0 / self.resistances[node]
        return np.sort(1.0 / np.linalg.eigvals(flow / self.capacities[:, None]).real)[::-1]


def drawn_part(nodes: int, random: np.random.Generator) -> Part:
    """Return a part of so many heat capacities, its rise 25 to 90 K."""
    rise, power = random.uniform(25.0, 90.0), random.uniform(1.0, 20.0)
    total = rise / power
    slow = random.uniform(40.0, 300.0)
    if nodes == 1:
        shares = np.array([1.0])
        taus = np.array([slow])
    else:
        slow = math.exp(random.uniform(math.log(120.0), math.log(1200.0)))
        inner = random.uniform(0.25, 0.65)
        fast = slow / random.uniform(5.0, 20.0)
        shares, taus = np.array([inner, 1.0 - inner]), np.array([fast, slow])
        if nodes == 3:
            shares, taus = np.concatenate([[0.15], shares]), np.concatenate([[min(2.0, fast / 3.0)], taus])
            total = rise / power / (1.0 - 0.15 / shares.sum())
            shares = shares / shares.sum()
    resistances = total * shares
    return Part(
        taus / resistances, resistances, power, random.uniform(0.15, 0.25), nodes == 3, float(random.uniform(1.0, 4.0))
    )


def wandering(count: int, deviation: float, seconds: float, random: np.random.Generator) -> Floats:
    """Return a first-order random wander (n,) of a standard deviation, that forgets within `seconds`."""
    kept = math.exp(-STEP / seconds)
    kicks = deviation * math.sqrt(1.0 - kept * kept) * random.standard_normal(count)
    found, level = np.empty(count), deviation * random.standard_normal()
    for index, kick in enumerate(kicks.tolist()):
        level = kept * level + kick
        found[index] = level
    return found


def pink(count: int, deviation: float, random: np.random.Generator) -> Floats:
    """Return a wander with about equal power in every octave, 10 s to 20 min, together of a standard deviation."""
    paces = 10.0 * 2.0 ** np.arange(0.0, 7.0)
    return np.sum([wandering(count, deviation / math.sqrt(len(paces)), pace, random) for pace in paces], axis=0)


@dataclass
class Curve:
    """Temperatures at the sensor, every half second: without noise, and as the display shows them; °C."""

    times: Floats
    true: Floats
    shown: Floats


def curve(part: Part, seconds: float, size: float, random: np.random.Generator) -> Curve:
    """Return a cold part's warm-up; `size` scales what disturbs it, 0 leaves the sensor's noise and digits."""
    count = int(seconds / STEP)
    draught = np.clip(pink(count, 0.02 * size, random), -0.3, 0.3) if size else np.zeros(count)
    if size and random.random() < 0.5:
        draught = np.clip(wandering(count, 0.02 * size, math.exp(random.uniform(3.0, 6.0)), random), -0.3, 0.3)
    air = AIR + wandering(count, 0.5 * size, 600.0, random) if size else np.full(count, AIR)
    power = (
        part.power * (1.0 + wandering(count, 0.007 * size, 120.0, random)) ** 2 if size else np.full(count, part.power)
    )
    outer_rise = part.power * part.resistances[-1]
    heat, last = np.full(len(part.capacities), AIR), AIR
    inner, capacities, sensed = part.resistances[:-1], part.capacities, int(part.sensed)
    true = np.empty(count)
    sub = max(1, math.ceil(STEP / (0.2 * part.time_constants[-1])))
    for index in range(count):
        for _ in range(sub):
            flows = (heat[:-1] - heat[1:]) / inner
            above = heat[-1] - air[index]
            better = (max(abs(above), 0.5) / outer_rise) ** part.exponent
            out = above / (part.resistances[-1] * (1.0 + draught[index])) * better
            into = np.concatenate([[power[index]], flows]) - np.concatenate([flows, [out]])
            heat = heat + STEP / sub * into / capacities
        last += STEP / part.lag * (heat[sensed] - last)
        true[index] = last
    times = STEP * np.arange(1, count + 1)
    picked = slice(READ_EVERY - 1, None, READ_EVERY)
    noisy = true[picked] + 0.05 * max(size, 1.0) * random.standard_normal(len(true[picked]))
    return Curve(times[picked], true[picked], np.round(noisy, 1))


@dataclass
class Counts:
    """What a kind of run gave."""

    given: dict[float, int] = field(default_factory=dict)
    inside: dict[float, int] = field(default_factory=dict)
    widths: dict[float, list[float]] = field(default_factory=dict)
    below: int = 0
    looks: int = 0
    inside_looks: int = 0
    crossings: int = 0
    in_time: int = 0
    no_crossings: int = 0
    false: int = 0
    false_but_above: int = 0
    runaways: int = 0
    maybe_only: int = 0
    early: list[float] = field(default_factory=list)


def follow(part: Part, seen: Curve, limit: float, counts: Counts) -> None:
    """Give a curve to the forecast; count what it gives at 1, 2 and 4 (slow) time constants, and about the limit."""
    slow = float(part.time_constants[0])
    watch = HeatWatch(HeatLimits(None, limit))
    above = np.flatnonzero(seen.true >= limit)
    crossed = float(seen.times[above[0]]) if len(above) else math.inf
    marks = [part_of * slow for part_of in (0.5, 1.0, 2.0, 4.0)]
    due = crossed - min(30.0, slow / 2.0)
    stands = ever = runaway = maybe = False
    for moment, value in zip(seen.times.tolist(), seen.shown.tolist(), strict=True):
        if moment >= crossed:
            break
        if watch.update(moment, value):
            outlook = watch.outlook(moment)
            ahead = outlook.to_limit
            is_given = ahead is not None and math.isfinite(ahead.best)
            ever, runaway = ever or is_given, runaway or outlook.state is State.RUNAWAY
            if moment <= due:
                stands, maybe = is_given, ahead is not None
            if outlook.final is not None:
                counts.looks += 1
                counts.inside_looks += outlook.final.low <= part.final <= outlook.final.high
        while marks and moment >= marks[0]:
            look(round(marks.pop(0) / slow, 1), part, watch, moment, counts)
    counts.runaways += runaway
    if math.isfinite(crossed):
        if due > 20.0:
            counts.crossings += 1
            counts.in_time += stands
            counts.maybe_only += maybe and not stands
    else:
        counts.no_crossings += 1
        counts.false += ever
        counts.false_but_above += ever and part.final > limit


def look(mark: float, part: Part, watch: HeatWatch, moment: float, counts: Counts) -> None:
    """Count what is given of the final temperature."""
    final = watch.outlook(moment).final
    counts.given.setdefault(mark, 0)
    counts.inside.setdefault(mark, 0)
    counts.widths.setdefault(mark, [])
    if final is None:
        counts.widths[mark].append(math.inf)
        return
    counts.given[mark] += 1
    counts.inside[mark] += final.low <= part.final <= final.high
    counts.below += final.high < part.final
    counts.widths[mark].append((final.high - final.low) / 2.0 / (part.final - AIR))


def kind(nodes: int, runs: int, size: float, label: str, offset: int = 0) -> None:
    """Print the figures of one kind of part."""
    counts = Counts()
    for run in range(offset, offset + runs):
        random = np.random.default_rng([run, nodes, 0x500])
        part = drawn_part(nodes, random)
        seen = curve(part, 7.0 * float(part.time_constants[0]), size, random)
        limit = AIR + random.uniform(0.5, 1.3) * (part.final - AIR)
        follow(part, seen, limit, counts)
    given, inside = sum(counts.given.values()), sum(counts.inside.values())
    for mark in counts.given:
        middle = float(np.median(counts.widths[mark]))
        print(
            f"        {label}, at {mark:g} τ: given {counts.given[mark]} of {len(counts.widths[mark])}, inside "
            f"{counts.inside[mark]}, median half width {middle:.3f} of the rise"
        )
    print(f"        {label}: inside at any look {counts.inside_looks} of {counts.looks}")
    part_inside = inside / max(1, given)
    tell(f"{label}: finals inside their 95 % interval", f"{inside} of {given}", "90 %", ok=part_inside >= 0.9)
    either = counts.in_time + counts.maybe_only
    in_time = either / max(1, counts.crossings)
    measured = f"{either} of {counts.crossings}, {counts.maybe_only} of them by an earliest time alone"
    tell(f"{label}: crossings given in time", measured, "95 %", ok=in_time >= 0.95)
    false = counts.false / max(1, counts.no_crossings)
    measured = (
        f"{counts.false} of {counts.no_crossings}, {counts.false_but_above} of them settle above the limit at last"
    )
    tell(f"{label}: false times to a limit", measured, "2 %", ok=false <= 0.02)
    tell(f"{label}: called a runaway", f"{counts.runaways} of {runs}", "0", ok=counts.runaways == 0)


def main() -> int:
    """Print the figures; return 1 where one is missed."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--full", action="store_true", help="300 runs of each kind")
    parser.add_argument("--doubled", action="store_true", help="all disturbances twice as large")
    parser.add_argument("--runs", type=int, default=0, help="so many runs of each kind")
    parser.add_argument("--offset", type=int, default=0, help="the first seed")
    parser.add_argument("--nodes", type=int, nargs="+", default=[1, 2, 3], choices=(1, 2, 3))
    asked = parser.parse_args()
    runs = asked.runs or (300 if asked.full else 40)
    for nodes in asked.nodes:
        name = {1: "one time constant", 2: "two time constants", 3: "three"}[nodes]
        for size, what in ((0.0, "still air"), (2.0 if asked.doubled else 1.0, "all disturbances")):
            kind(nodes, runs, size, f"{name}, {what}, seeds {asked.offset} to {asked.offset + runs - 1}", asked.offset)
    return 1 if MISSED else 0


if __name__ == "__main__":
    sys.exit(main())
