"""Faults whose size is open: a joint, a capacitor's ESR, another part than the bench file says.

Each is solved at one or more sizes a factor of two or three apart, with a doubt of its size that covers what lies
between; the sizes are of one cause. Where they come from is said beside each; the rest is from experience.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

from benchmon.bench import Bench, Capacitor
from benchmon.bench.supply import Choke
from benchmon.prediction.circuit.diode import BOLTZMANN_PER_CHARGE, REFERENCE, ZERO_CELSIUS, junction_of
from benchmon.watch.diagnosis.meter_faults import RARE, USUAL
from benchmon.watch.diagnosis.meter_values import MeterValue, MeterValues
from benchmon.watch.diagnosis.suspected_fault import OFF, SuspectedFault

_BETWEEN = 0.45
"""The part of a fault's size by which it may be another, up to the next size that is solved."""


def sized_faults_of(bench: Bench) -> Iterator[SuspectedFault]:
    """Yield the faults of open size that a bench's circuit can have."""
    yield from _of_the_reservoir(bench)
    yield from _of_the_rest_of_the_filter(bench)
    yield from _of_joints(bench)
    yield from _of_the_transformer(bench)
    yield from _of_the_diodes(bench)


def _of_the_reservoir(bench: Bench) -> Iterator[SuspectedFault]:
    index = _capacitors(bench)[:1]
    if not index or bench.rectifier.topology.first_capacitors > 1:
        return
    part = bench.filter[index[0]]
    assert isinstance(part, Capacitor)  # noqa: S101 - that is what was looked for
    # An ageing electrolytic loses its electrolyte: its ESR grows to many times, near the reactance at the ripple.
    reactance = 1.0 / (2.0 * math.pi * 2.0 * bench.mains.frequency * part.capacitance)
    for size in (0.2, 0.6, 1.8):
        yield SuspectedFault(
            "the reservoir has a high series resistance (ESR)",
            OFF + "measure the reservoir's ESR; replace it, and look at its joints",
            USUAL / 3.0,
            bench,
            added={f"filter.{index[0]}.esr": size * reactance},
            size_doubt=_BETWEEN,
        )
    for left in (0.25, 0.08, 0.025):
        yield SuspectedFault(
            "the reservoir has lost most of its capacitance, or a much smaller one is fitted",
            OFF + "measure the reservoir; read what is printed on it",
            USUAL / 3.0,
            bench,
            {f"filter.{index[0]}.capacitance": left},
            size_doubt=0.5 * _BETWEEN,
            shape_doubt=0.1,
        )


def _of_the_rest_of_the_filter(bench: Bench) -> Iterator[SuspectedFault]:
    for index in _capacitors(bench)[1:]:
        for left, words in ((1e-4, "is open"), (0.3, "has dried out")):
            yield SuspectedFault(
                f"the second capacitor {words}",
                OFF + "check its joints, then its capacitance",
                USUAL / 2.0,
                bench,
                {f"filter.{index}.capacitance": left},
                size_doubt=0.0 if left < 0.1 else _BETWEEN,
                shape_doubt=0.05,
            )
    for index, part in enumerate(bench.filter):
        if isinstance(part, Choke):
            # Between shorted turns only the air's part of the inductance is left.
            yield SuspectedFault(
                "the choke is shorted",
                OFF + "measure the choke's inductance and resistance",
                USUAL / 2.0,
                bench,
                {f"filter.{index}.inductance": 0.01},
                shape_doubt=0.1,
            )


def _of_joints(bench: Bench) -> Iterator[SuspectedFault]:
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
            size_doubt=_BETWEEN,
        )
    for size in (0.06, 0.15):
        yield SuspectedFault(
            "the secondary circuit has another resistance: a bad joint, a thin lead",
            OFF + "check joints and leads between windings and rectifier",
            USUAL / 2.0,
            bench,
            added={"transformer.secondary_resistance": size * winding},
            size_doubt=_BETWEEN,
            shape_doubt=0.1,
        )


def _of_the_transformer(bench: Bench) -> Iterator[SuspectedFault]:
    # A transformer of a third of the power has about as many times the resistance, and a few per cent more volts idle.
    names = ("transformer.primary_resistance", "transformer.secondary_resistance")
    yield SuspectedFault(
        "the transformer is a smaller one than the bench file says",
        OFF + "read the transformer's label; measure its windings",
        USUAL / 2.0,
        bench,
        {**dict.fromkeys(names, 2.7), "transformer.open_circuit_voltage": 1.03},
        size_doubt=_BETWEEN,
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
            size_doubt=_BETWEEN / 1.5,
        )
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
            size_doubt=_BETWEEN,
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
            size_doubt=_BETWEEN,
            shape_doubt=0.2,
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
            if name.startswith(("secondary.", "output.", "reservoir."))
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


def _of_the_diodes(bench: Bench) -> Iterator[SuspectedFault]:
    saturation, emission, _ = junction_of(bench.diode)
    drop = emission * BOLTZMANN_PER_CHARGE * (REFERENCE + ZERO_CELSIUS) * math.log(1.0 / saturation)
    # A Schottky diode drops some 0.35 V less than silicon at the same current: a thousand times the saturation current.
    words, factor = ("Schottky instead of silicon", 1e3) if drop > 0.55 else ("silicon instead of Schottky", 1e-3)
    yield SuspectedFault(
        f"the diodes are of another type, as {words}",
        OFF + "read what is printed on the diodes",
        USUAL / 2.0,
        bench,
        {"diode.saturation_current": factor},
        size_doubt=0.3,
    )


def _capacitors(bench: Bench) -> list[int]:
    return [index for index, part in enumerate(bench.filter) if isinstance(part, Capacitor)]


def _rated_ohms(bench: Bench) -> tuple[float, float] | None:
    """Return the ohms of the full load at the primary and at one winding, None where no rating is given."""
    transformer = bench.transformer
    if transformer.rating is None:
        return None
    one = transformer.rating / transformer.secondaries
    return transformer.primary_voltage**2 / transformer.rating, transformer.open_circuit_voltage**2 / one
