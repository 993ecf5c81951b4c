"""Faults before the rectifier, as hypotheses: mains, fuse, transformer, its windings, their joints.

Those of a fixed size come first; where the size is open, it is solved at one or more, a factor of two or three apart,
with a doubt that covers what lies between. Where sizes come from is said beside each; the rest is from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from benchmon.bench import Bench, Capacitor, OpenLoad
from benchmon.prediction.circuit.no_load import no_load_of
from benchmon.prediction.circuit.parts import harmonic_part
from benchmon.prediction.circuit.usual_parts import leakage_inductance_of
from benchmon.prediction.defects.wiring import Defects
from benchmon.quantities import at_first_output
from benchmon.watch.diagnosis.likelihood import COMMON, RARE, USUAL
from benchmon.watch.diagnosis.meter_values import MeterValue, MeterValues
from benchmon.watch.diagnosis.suspected_fault import BETWEEN, OFF, SuspectedFault, magnetised, while_the_fuse_holds


def ac_side_faults(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield the faults of fixed size before the rectifier."""
    yield from faults_of_the_windings(bench)
    yield from faults_of_the_feed(bench)
    yield from faults_without_power(bench)


def ac_side_faults_of_open_size(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield the faults before the rectifier whose size is open."""
    yield from faults_of_joints(bench)
    yield from faults_of_the_transformer(bench)


def faults_of_the_windings(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield windings in series that should be in parallel, the other way round, and reversed ones."""
    topology, transformer = bench.rectifier.topology, bench.transformer
    wiring = OFF + "check the connection of the windings"
    turned = Defects(reversed_windings=frozenset({2}))
    if topology.is_tapped and len(topology.rails) == 1:
        cause = "one winding is reversed: both halves conduct at once"
        yield SuspectedFault(cause, wiring, USUAL, bench, defects=turned, correct=magnetised)
    elif topology.is_tapped:
        cause = "one winding is reversed: each rail is charged once a period"
        yield SuspectedFault(cause, wiring, USUAL, bench, defects=turned)
    elif transformer.secondaries == 2 and topology.second_winding is None:
        other = "parallel" if transformer.connection == "series" else "series"
        changed = bench.model_copy(update={"transformer": transformer.model_copy(update={"connection": other})})
        meant = {"single": "alone"}.get(transformer.connection, f"in {transformer.connection}")
        yield SuspectedFault(f"the windings are in {other} instead of {meant}", wiring, COMMON, changed)
        if transformer.connection == "parallel":
            cause = "one winding is reversed: the two short each other"
            yield while_the_fuse_holds(cause, "check the connection of the windings", bench, turned)


_MORE_DISTORTION = 0.1
"""Beyond the 8 % that public mains may have (EN 50160, 4.2.5): up to there the prediction allows for it."""


def faults_of_the_feed(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield a wrong primary tap and a distorted mains."""
    volts = "transformer.open_circuit_voltage"
    tap = "check which primary tap the mains is on"
    at_once = "switch off at once, let capacitors discharge, "  # Capacitors get twice the volts.
    for factor, words, weight, off in (
        (1.0 / 1.1, "10 % too high", USUAL, OFF),
        (1.0 / 0.9, "10 % too low", USUAL, OFF),
        (2.0, "half the mains voltage (115 V for 230 V)", RARE, at_once),
        (0.5, "twice the mains voltage (230 V for 115 V)", RARE, OFF),
    ):
        yield SuspectedFault(f"the primary tap is for {words}", off + tap, weight, bench, {volts: factor})
    # Mains that feed many rectifiers are flat at the top: a third harmonic in phase, a fifth against it, or both. A
    # fifth in phase makes it pointed. How much there is of which is not known.
    both = _MORE_DISTORTION / 2.0**0.5
    shapes = ({3: _MORE_DISTORTION}, {5: -_MORE_DISTORTION}, {5: _MORE_DISTORTION}, {3: both, 5: -both})
    for harmonics in shapes:
        yield SuspectedFault(
            "the mains wave is distorted",
            "look at the wave of the mains; try another socket",
            COMMON / len(shapes),
            bench,
            added={harmonic_part(order, "sin"): part for order, part in harmonics.items()},
            size_doubt=0.35,
            shape_doubt=0.2,
        )


_IDLE_DOUBT = 0.4


def faults_without_power(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield what leaves a supply without power."""
    yield SuspectedFault(
        "no current flows into the supply: the fuse has blown, or the primary circuit is open",
        OFF + "test diodes, reservoir and windings for the short that blew the fuse before replacing it",
        USUAL,
        bench,
        correct=lambda values: _dead(values, _off),
    )
    yield SuspectedFault(
        "there is no mains voltage",
        "check the socket, the switch and the plug",
        USUAL,
        bench,
        correct=lambda values: _dead(values, _off, powered=False),
    )
    if isinstance(bench.load, OpenLoad) and any(isinstance(part, Capacitor) for part in bench.filter):
        # It keeps its charge for minutes: nothing is connected that would draw it.
        for cause, powered in (("no current flows into the supply", True), ("there is no mains voltage", False)):
            yield SuspectedFault(
                f"{cause}, and the reservoir still holds its charge",
                "what is read is stored: measure it, and discharge it, before you touch anything",
                USUAL,
                bench,
                correct=partial(_charged, powered=powered),
            )
    also = ", or one of the two windings in series is reversed" if bench.transformer.connection == "series" else ""
    yield SuspectedFault(
        f"nothing comes from the rectifier: its feed is open{also}",
        OFF + "check windings and rectifier",
        USUAL,
        bench,
        correct=lambda values: _dead(values, lambda name, value: _idle(bench, name, value)),
    )


def _off(name: str, value: MeterValue) -> MeterValue | None:
    """Return what a quantity before the rectifier reads where nothing flows, None where it has no meaning."""
    return None if name.endswith(("factor", "thd", "frequency")) else value.scaled(0.0)


def _idle(bench: Bench, name: str, value: MeterValue) -> MeterValue | None:
    """Return what a quantity before the rectifier reads where only the transformer idles."""
    transformer = bench.transformer
    level = bench.mains.voltage / transformer.primary_voltage
    usual = no_load_of(transformer)
    current, loss = level * usual.current, level**2 * usual.loss
    apparent = level * current * transformer.primary_voltage
    known = {"mains.current.rms": current, "mains.power.active": loss, "mains.power.apparent": apparent}
    if name in known:
        return MeterValue(known[name], np.zeros_like(value.moves), _IDLE_DOUBT * known[name])
    return value.scaled(0.0) if name.startswith("secondary.current") else None


def _dead(
    values: MeterValues, before: Callable[[str, MeterValue], MeterValue | None], *, powered: bool = True
) -> MeterValues:
    """Return the values without any direct voltage; `before` returns those at the mains and the windings."""
    quantities, absent = dict(values.quantities), set(values.absent)
    for name, value in values.quantities.items():
        now: MeterValue | None = value
        if "temperature" in name:
            now = values.quantities["ambient.temperature"]
        elif name.startswith(("mains.", "secondary.")):
            now = value if powered and name in ("mains.voltage.rms", "mains.frequency") else before(name, value)
        else:
            now = None if "factor" in name or "frequency" in name else value.scaled(0.0)
        if now is None:
            absent.add(name)
        else:
            quantities[name] = now
    return replace(values, quantities=quantities, absent=frozenset(absent))


_STORED, _STORED_DOUBT = 0.55, 0.3
"""The part of its voltage that a reservoir without a load still holds some time after the power went, and how far that
may be off (k = 1): anything up to all of it. From memory."""

_DC_VOLTAGES = tuple(
    f"{point}.voltage.{how}"
    for point in ("reservoir", "output", "reservoir_2", "output_2")
    for how in ("mean", "rms", "peak", "valley")
)


def _charged(values: MeterValues, *, powered: bool) -> MeterValues:
    """Return the values without power while the reservoir holds its charge."""
    dead = _dead(values, _off, powered=powered)
    stored = {
        name: MeterValue(_STORED * right.value, np.append(0.0 * right.moves, _STORED_DOUBT * right.value))
        for name, right in values.quantities.items()
        if name in _DC_VOLTAGES
    }
    return replace(dead, quantities={**dead.quantities, **stored})


def faults_of_joints(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield resistances that a joint or a thin lead adds, as parts of the load that the transformer is made for."""
    ohms = _rated_ohms(bench)
    if ohms is None:
        return
    primary, winding = ohms
    for size in (0.05, 0.12):
        yield SuspectedFault(
            "the primary circuit has another resistance: a bad joint, a thin lead",
            OFF + "check joints and leads of the primary circuit",
            USUAL / 2.0,
            bench,
            added={"transformer.primary_resistance": size * primary},
            size_doubt=BETWEEN,
        )
    for size in (0.06, 0.15):
        yield SuspectedFault(
            "the secondary circuit has another resistance: a bad joint, a thin lead",
            OFF + "check joints and leads between windings and rectifier",
            USUAL / 2.0,
            bench,
            added={"transformer.secondary_resistance": size * winding},
            size_doubt=BETWEEN,
            shape_doubt=0.1,
        )


def faults_of_the_transformer(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield another transformer or tap than the file's, shorted turns, and a core that a direct voltage saturates."""
    # A transformer of a third of the power has about as many times the resistance, and a few per cent more volts idle.
    names = ("transformer.primary_resistance", "transformer.secondary_resistance")
    yield SuspectedFault(
        "the transformer is a smaller one than the bench file says",
        OFF + "read the transformer's label; measure its windings",
        USUAL / 2.0,
        bench,
        {**dict.fromkeys(names, 2.7), "transformer.open_circuit_voltage": 1.03},
        size_doubt=BETWEEN,
        shape_doubt=0.1,
    )
    for factor in (1.045, 1.0 / 1.045):
        # 220, 230 and 240 V are neighbours on many transformers.
        yield SuspectedFault(
            "the primary tap is a neighbouring one: the windings give another voltage",
            OFF + "check which primary tap the mains is on",
            USUAL / 2.0,
            bench,
            {"transformer.open_circuit_voltage": factor},
            size_doubt=BETWEEN / 1.5,
        )
    yield from _much_leakage(bench)
    watts = bench.transformer.rating
    if watts is None:
        return
    for part in (0.2, 0.6):
        yield SuspectedFault(
            "turns of the transformer are shorted: it takes power without giving it",
            OFF + "feel whether the transformer is hot; measure what it takes without a load",
            USUAL / 2.0,
            bench,
            correct=_taking(part * watts),
            size_doubt=BETWEEN,
            shape_doubt=0.1,
        )
    amperes = watts / bench.mains.voltage
    for part in (0.15, 0.5):
        yield SuspectedFault(
            "the core saturates: a direct voltage is on the mains",
            "look at the line current's wave; find what draws half waves on the same mains",
            RARE / 2.0,
            bench,
            correct=_saturating(part * amperes),
            size_doubt=BETWEEN,
            shape_doubt=0.2,
        )


_MUCH_LEAKAGE = (3.0, 6.0)
"""Times the usual leakage that windings side by side have: 4 to 8 % of the rated impedance (from memory)."""


def _much_leakage(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield windings that leak more than the bench file says or, where it is silent, than is usual."""
    transformer = bench.transformer
    usual = leakage_inductance_of(transformer.model_copy(update={"leakage_inductance": None}), bench.mains.frequency)
    is_given = transformer.leakage_inductance is not None
    cause = f"the transformer has more leakage inductance than {'the bench file says' if is_given else 'is usual'}"
    for times in _MUCH_LEAKAGE if usual > 0.0 else ():
        yield SuspectedFault(
            cause,
            "measure it with the secondaries shorted, and give transformer.short_circuit in the bench file",
            USUAL / 2.0,
            bench,
            added={"transformer.leakage_inductance": (times - 1.0) * usual},
            size_doubt=BETWEEN,
        )


def _taking(watts: float) -> Callable[[MeterValues], MeterValues]:
    """Return how readings change where a transformer takes `watts` that nobody gets, with a current in phase."""

    def correct(values: MeterValues) -> MeterValues:
        known = values.quantities
        volts, amperes, power = (
            known[f"mains.{name}"].value for name in ("voltage.rms", "current.rms", "power.active")
        )
        more = watts / volts
        now = math.sqrt(max(0.0, amperes**2 + 2.0 * more * power / volts + more**2))
        changed = {
            "mains.current.rms": now,
            "mains.power.active": power + watts,
            "mains.power.apparent": volts * now,
            "mains.power_factor": (power + watts) / (volts * now),
            # Harmonics stay; the fundamental grows by what the rms does.
            "mains.current.thd": _diluted(known["mains.current.thd"].value, amperes, now),
        }
        found = _with(values, changed, absent={"mains.current.crest_factor", "mains.displacement_factor"})
        # The field of the shorted turns takes some of the volts of the others.
        weaker = {
            name: replace(value, own=math.hypot(value.own, _WEAKER * abs(value.value)))
            for name, value in found.quantities.items()
            if at_first_output(name).startswith(("secondary.", "output.", "reservoir."))
        }
        return replace(found, quantities={**found.quantities, **weaker})

    return correct


_WEAKER = 0.015
"""Part of their volts that shorted turns may take from the others (k = 1)."""


def _diluted(thd: float, amperes: float, now: float) -> float:
    """Return the distortion after rms `amperes` have become `now` by a sine, its harmonics as they were."""
    harmonics = amperes * thd / math.sqrt(1.0 + thd**2)
    return harmonics / math.sqrt(max(now**2 - harmonics**2, 1e-12))


def _saturating(amperes: float) -> Callable[[MeterValues], MeterValues]:
    """Return how readings change where pulses of `amperes` rms more magnetise the core, once a period."""

    def correct(values: MeterValues) -> MeterValues:
        known = values.quantities
        volts, before, power = (known[f"mains.{name}"].value for name in ("voltage.rms", "current.rms", "power.active"))
        now = math.hypot(before, amperes)
        changed = {
            "mains.current.rms": now,
            "mains.power.apparent": volts * now,
            "mains.power_factor": power / (volts * now),
        }
        return _with(
            values,
            changed,
            absent={"mains.current.crest_factor", "mains.current.thd", "mains.displacement_factor"},
        )

    return correct


def _with(values: MeterValues, changed: dict[str, float], absent: set[str]) -> MeterValues:
    """Return the values with some `changed`, which keep their doubts, and some that are not known then."""
    quantities = dict(values.quantities)
    for name, value in changed.items():
        if name in quantities:
            old = quantities[name]
            factor = value / old.value if old.value else 1.0
            quantities[name] = MeterValue(value, factor * old.moves, abs(factor) * old.own)
    return replace(values, quantities=quantities, absent=values.absent | absent)


def _rated_ohms(bench: Bench) -> tuple[float, float] | None:
    """Return the ohms of the full load at the primary and at one winding, None where no rating is given."""
    transformer = bench.transformer
    if transformer.rating is None:
        return None
    one = transformer.rating / transformer.secondaries
    return transformer.primary_voltage**2 / transformer.rating, transformer.open_circuit_voltage**2 / one
