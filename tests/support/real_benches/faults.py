"""Faults of real supplies: those of the simulated bench's catalogue, and others that no diagnosis was tuned on.

A fault says by which beginnings (and what they hold) a stated cause counts as right. Sizes are drawn, from experience.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from benchmon.bench import Bench
from support.real_benches.minutes import MeterFault
from support.real_benches.netlist import TrueCircuit
from support.real_benches.supplies import RealSupply

_Change = Callable[[TrueCircuit], TrueCircuit]


def _same(circuit: TrueCircuit) -> TrueCircuit:
    return circuit


@dataclass(frozen=True)
class RealFault:
    """One fault: what it changes, and the texts of which a right cause holds one.

    `is_catalogued` is whether the simulated bench's catalogue has it. A cause of no name, "none of these", is right
    for those that it has not.
    """

    name: str
    is_catalogued: bool
    right: tuple[str, ...]
    change: _Change = _same
    meter: MeterFault | None = None
    cooling: float = 1.0
    air: float = 0.0
    dead: bool = False
    """Whether the fuse has blown."""

    def is_named_by(self, cause: str) -> bool:
        """Return whether a stated cause is the fault's, alone."""
        return "; " not in cause and any(text in cause for text in self.right)


def faults_of(real: RealSupply, bench: Bench, random: np.random.Generator) -> Iterator[RealFault]:
    """Yield every fault that a supply can have, its size drawn."""
    yield from _of_the_catalogue(real, bench, random)
    yield from _others(real, bench, random)


def _of_the_catalogue(real: RealSupply, bench: Bench, random: np.random.Generator) -> Iterator[RealFault]:
    kind, u = real.circuit.rectifier, random.uniform
    has_reservoir = real.circuit.shunts[0][0] > 1e-9
    diodes = {"bridge": 4, "centre tap": 2, "half wave": 0, "split rail": 4, "full-wave doubler": 2}[kind]
    if diodes:
        number = int(random.integers(1, diodes + 1))
        yield RealFault("open diode", True, ("a diode is open",), lambda c: replace(c, diodes={number: 0.0}))
    if kind == "bridge":
        wired = {2: 0.0, 3: 0.0, 4: 2.0}
        yield RealFault("half-wave wiring", True, ("wired as half-wave",), lambda c: replace(c, diodes=wired))
    if has_reservoir:
        two = kind in ("split rail", "full-wave doubler")  # then the first of two is the faulty one
        yield RealFault(
            "dried reservoir",
            True,
            ("the reservoir has dried", "has not the capacitance", "has lost"),
            lambda c: replace(
                c,
                shunts=((0.5 * c.shunts[0][0], (1.0 if two else 2.0) * c.shunts[0][1]), c.shunts[1]),
                second_reservoir=(2.0 if two else 1.0) * c.second_reservoir,
            ),
        )
        yield RealFault(
            "open reservoir",
            True,
            ("the reservoir is open", "has lost"),
            lambda c: replace(
                c,
                shunts=((1e-9, c.shunts[0][1] if two else 1.0), c.shunts[1]),
                second_reservoir=c.second_reservoir * c.shunts[0][0] / 1e-9 if two else 1.0,
            ),
        )
    load = (2.0, 0.5) if real.circuit.is_current else (0.5, 2.0)
    yield RealFault(
        "double load", True, ("draws twice", "the load is not what"), lambda c: replace(c, load=c.load * load[0])
    )
    yield RealFault(
        "half load", True, ("draws half", "the load is not what"), lambda c: replace(c, load=c.load * load[1])
    )
    nothing = 0.0 if real.circuit.is_current else 1e7
    yield RealFault("open load", True, ("load is not connected",), lambda c: replace(c, load=nothing))
    drawn = 1.16 if not real.circuit.is_current else 1 / 1.16
    yield RealFault("drifted load", True, ("the load is not what",), lambda c: replace(c, load=c.load * drawn))
    yield RealFault("mains sag", True, ("mains is outside",), lambda c: replace(c, mains=0.8 * c.mains))
    yield RealFault("mains surge", True, ("mains is outside",), lambda c: replace(c, mains=1.12 * c.mains))

    def distort(c: TrueCircuit) -> TrueCircuit:
        more = dict(c.harmonics)
        for order, (part, phase) in {3: (0.054, 0.0), 5: (0.072, math.pi)}.items():
            old = more.get(order, (0.0, 0.0))
            both = old[0] * np.exp(1j * old[1]) + part * np.exp(1j * phase)
            more[order] = (float(abs(both)), float(np.angle(both)))
        return replace(c, harmonics=more)

    yield RealFault("distorted mains", True, ("mains wave is distorted",), distort)
    joint = float(u(0.05, 0.12)) * 230.0**2 / (bench.transformer.rating or 50.0)
    yield RealFault(
        "primary joint",
        True,
        ("primary circuit has another resistance", "bad joint", "smaller"),
        lambda c: replace(c, primary=c.primary + joint),
    )
    yield RealFault("lost cooling", True, ("the diode is cooled worse", "next to no cooling"), cooling=2.5)
    yield RealFault("hot room", True, ("the air is not as warm",), air=20.0)
    yield RealFault("blown fuse", True, ("no current flows into the supply",), dead=True)
    names = [channel.name for channel in bench.channel]
    amperes = [one.name for one in bench.channel if one.unit == "A"]
    averaging = [
        ("mains current", "mains.current|average"),
        ("winding current", "secondary.current|average"),
    ]
    name, reads = averaging[int(random.integers(2))]
    yield RealFault(
        f"average detector {name}", True, (f"{name}: the meter is average-responding",), meter=MeterFault(name, reads)
    )
    yield RealFault(
        "AC coupling output",
        True,
        ("output: the meter is on its AC range",),
        meter=MeterFault("output", "output.voltage|ac_rms"),
    )
    coupled = [("mains current", "mains.current|mean"), ("output AC", "output.voltage|mean")]
    name_dc, reads_dc = coupled[int(random.integers(2))]
    yield RealFault(
        f"DC coupling {name_dc}",
        True,
        (f"{name_dc}: the meter is on its DC range",),
        meter=MeterFault(name_dc, reads_dc),
    )
    clamp = amperes[int(random.integers(len(amperes)))]
    yield RealFault(
        f"clamp tenfold {clamp}",
        True,
        (f"{clamp}: the clamp's ratio is 10 times too large",),
        meter=MeterFault(clamp, factor=10.0),
    )
    clamp2 = amperes[int(random.integers(len(amperes)))]
    yield RealFault(
        f"clamp tenth {clamp2}",
        True,
        (f"{clamp2}: the clamp's ratio is 10 times too small",),
        meter=MeterFault(clamp2, factor=0.1),
    )
    turned = ("output", "mains power")[int(random.integers(2))]
    yield RealFault(
        f"reversed leads {turned}", True, (f"{turned}: its polarity",), meter=MeterFault(turned, factor=-1.0)
    )
    weak = names[int(random.integers(1, len(names) - 1))]
    yield RealFault(
        f"weak battery {weak}",
        True,
        (f"{weak}: the meter reads too much",),
        meter=MeterFault(weak, factor=float(u(1.06, 1.2))),
    )
    yield RealFault(
        "loose probe", True, ("diode case: the probe is not on the part",), meter=MeterFault("diode case", "ambient")
    )


def _others(real: RealSupply, bench: Bench, random: np.random.Generator) -> Iterator[RealFault]:
    u, kind = random.uniform, real.circuit.rectifier
    has_reservoir = real.circuit.shunts[0][0] > 1e-9
    rating = bench.transformer.rating or 50.0
    if has_reservoir:
        esr = float(u(15.0, 60.0))
        yield RealFault(
            "high ESR", False, ("series resistance", "has dried out"),
            lambda c: replace(c, shunts=((c.shunts[0][0], esr * c.shunts[0][1]), c.shunts[1])),
        )  # fmt: skip
        left = float(u(0.06, 0.15))
        yield RealFault(
            "a tenth of the capacitance", False, ("has not the capacitance", "has lost", "reservoir has dried"),
            lambda c: replace(c, shunts=((left * c.shunts[0][0], c.shunts[0][1]), c.shunts[1])),
        )  # fmt: skip
    if real.circuit.shunts[1][0] > 1e-9 and has_reservoir:
        yield RealFault(
            "second capacitor open",
            False,
            ("second capacitor",),
            lambda c: replace(c, shunts=(c.shunts[0], (1e-9, 1.0))),
        )
    joint = float(u(0.06, 0.15)) * real.circuit.ratio**2 * 230.0**2 / rating
    yield RealFault(
        "secondary joint", False, ("secondary circuit", "bad joint", "smaller"),
        lambda c: replace(c, secondary=c.secondary + joint),
    )  # fmt: skip
    shorted = 230.0**2 / (rating * float(u(0.25, 0.8)))
    yield RealFault(
        "shorted turns", False, ("turns", "idle"), lambda c: replace(c, shorted_turns=shorted, ratio=0.985 * c.ratio)
    )
    direct = float(u(0.8, 2.5)) * real.circuit.magnetising * real.circuit.primary
    yield RealFault(
        "d.c. on the mains", False, ("direct voltage", "direct current"), lambda c: replace(c, direct=direct)
    )
    schottky = 2e-5 * max(1.0, real.circuit.saturation / 14e-9)
    yield RealFault(
        "Schottky diodes", False, ("another type",), lambda c: replace(c, saturation=schottky, emission=1.05)
    )
    small = float(u(2.2, 3.5))

    def smaller(c: TrueCircuit) -> TrueCircuit:
        return replace(
            c, primary=c.primary * small, secondary=c.secondary * small, leakage=c.leakage * small,
            magnetising=c.magnetising / small, iron=c.iron / small, ratio=c.ratio * 1.03,
        )  # fmt: skip

    yield RealFault("smaller transformer", False, ("smaller", "bad joint", "another resistance"), smaller)
    tap = float(random.choice([240 / 230, 220 / 230, 1.06, 0.94]))
    yield RealFault("another tap", False, ("tap", "windings give"), lambda c: replace(c, ratio=c.ratio * tap))
    yield RealFault(
        "leaky diode",
        False,
        ("leak",),
        lambda c: replace(c, leaks=float(1.0 / (0.15 * 230 * c.ratio / max(1e-3, 0.2)))),
    )
    if not real.circuit.is_current and real.circuit.regulator is None:
        lead = float(u(0.12, 0.3))
        yield RealFault(
            "lead to the load", False, ("the load is not what",), lambda c: replace(c, load=c.load * (1 + lead))
        )
    if real.circuit.series[1] > 0.0:
        yield RealFault("shorted choke", False, ("choke",), lambda c: replace(c, series=(c.series[0], 1e-6)))
    if kind in ("full-wave doubler", "split rail"):
        yield RealFault(
            "one of two reservoirs dried",
            False,
            ("the reservoir", "capacitance"),
            lambda c: replace(c, second_reservoir=0.4),
        )
    names = [one.name for one in bench.channel]

    def any_of(*choice: str) -> str:
        return choice[int(random.integers(len(choice)))]

    late = any_of("output", "mains current", "mains power", "mains voltage")
    yield RealFault("late log", False, (f"{late}: its log", "another time", "clock"), meter=MeterFault(late, late=50.0))
    frozen = any_of("output", "mains current", "mains power", "mains voltage", "winding current")
    yield RealFault("frozen value", False, ("frozen", "stands still"), meter=MeterFault(frozen, frozen_from=200.0))
    flipping = any_of(*names[1:12])
    yield RealFault(
        "intermittent contact", False, ("intermittent",), meter=MeterFault(flipping, flips=float(u(0.15, 0.5)))
    )
    yield RealFault(
        "drifting mains meter",
        False,
        ("mains voltage: ",),
        meter=MeterFault("mains voltage", drift=0.003 * float(random.choice([-1, 1]))),
    )
    shown = any_of("mains power", "output AC", "mains current")
    yield RealFault("decibels", False, (f"{shown}:",), meter=MeterFault(shown, in_decibels=True))
    gain = any_of(*names[1:12])
    yield RealFault("gain too low", False, (f"{gain}:",), meter=MeterFault(gain, factor=float(u(0.8, 0.93))))
    # Windings side by side on one bobbin leak several times as much as those over each other (from memory).
    leaks = float(u(2.5, 5.0))
    yield RealFault("much leakage", False, ("leakage",), lambda c: replace(c, leakage=leaks * c.leakage))
