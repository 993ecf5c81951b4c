"""Supplies for tests: a plain one to vary, and valid ones drawn at random over every wiring, filter and load."""

from __future__ import annotations

import copy
import random
from typing import Any

from benchmon.bench import Bench

KINDS = ("half wave", "centre tap", "bridge", "split rail", "full-wave doubler")

PLAIN: dict[str, Any] = {
    "mains": {"voltage": 230.0, "frequency": 50.0, "harmonics": [], "source_resistance": 0.0},
    "transformer": {
        "primary_voltage": 230.0,
        "open_circuit_voltage": 20.0,
        "primary_resistance": 10.0,
        "secondary_resistance": 0.3,
        "leakage_inductance": 0.0,
        "no_load_current": 0.0,
        "no_load_loss": 0.0,
    },
    "rectifier": {"kind": "bridge"},
    "diode": {"saturation_current": 1e-9, "emission_coefficient": 1.8, "series_resistance": 0.02},
    "filter": [],
    "load": {"kind": "resistor", "resistance": 22.0},
}


IDEAL = {"ripple_rejection": 140.0, "noise": 0.0}
"""A regulator that passes no ripple and adds no noise."""


def capacitor(farads: float, esr: float = 0.0, **more: Any) -> dict[str, Any]:
    return {"kind": "capacitor", "capacitance": farads, "esr": esr, "tolerance": 0.02} | more


def resistor(ohms: float) -> dict[str, Any]:
    return {"kind": "resistor", "resistance": ohms}


def choke(henries: float, ohms: float = 0.0) -> dict[str, Any]:
    return {"kind": "choke", "inductance": henries, "resistance": ohms}


def current(amperes: float) -> dict[str, Any]:
    return {"kind": "current", "current": amperes}


def plain(kind: str = "bridge", **changes: Any) -> Bench:
    """Return the plain supply with sections changed: dictionaries are merged, `load` and lists replaced."""
    data = copy.deepcopy(PLAIN)
    data["rectifier"]["kind"] = kind
    if kind in ("centre tap", "split rail"):
        data["transformer"] |= {"secondaries": 2, "connection": "series"}
    for name, value in changes.items():
        merges = isinstance(value, dict) and name != "load" and name in data
        data[name] = data[name] | value if merges else value
    return Bench.model_validate(data)


def without_core(bench: Bench) -> Bench:
    """Return the bench with a core that takes nothing."""
    nothing = {"no_load_current": 0.0, "no_load_loss": 0.0}
    return bench.model_copy(update={"transformer": bench.transformer.model_copy(update=nothing)})


def logarithmic(rng: random.Random, low: float, high: float) -> float:
    return low * (high / low) ** rng.random()


def _harmonics(rng: random.Random) -> list[list[Any]]:
    """Return odd harmonics of any phase, as large as a poor socket has them, in half of all cases an even one too."""
    sizes = {order: rng.uniform(0.0, largest) for order, largest in ((3, 0.05), (5, 0.04), (7, 0.02))}
    if rng.random() < 0.5:
        sizes[rng.choice([2, 4, 6])] = rng.uniform(0.0, 0.02)
    return [[order, size, rng.uniform(-180.0, 180.0)] for order, size in sizes.items()]


def draw(rng: random.Random, kind: str) -> Bench:
    """Return a supply of `kind` as somebody might build it, from a wall adapter to a bench supply of 10 A."""
    mains = {"voltage": rng.choice([100.0, 120.0, 230.0, 241.3]), "frequency": rng.choice([50.0, 60.0])}
    mains["source_resistance"] = 0.0
    volts, amperes = logarithmic(rng, 6.0, 60.0), logarithmic(rng, 0.02, 10.0)
    transformer, ohms = _transformer(rng, kind, mains["voltage"], volts, amperes)
    if rng.random() < 0.4:
        mains |= {
            "harmonics": _harmonics(random.Random(rng.uniform(0.0, 0.08))),
            "source_resistance": rng.uniform(0.0, 2.0),
        }
    level = volts * (2.6 if kind == "full-wave doubler" else 1.3) * (2 if transformer["connection"] == "series" else 1)
    if kind in ("centre tap", "split rail"):
        level = volts * 1.3
    filters = _filter(rng, kind, level, amperes, mains["frequency"])
    data = {
        "mains": mains,
        "transformer": transformer,
        "rectifier": {"kind": kind},
        "diode": {
            "saturation_current": logarithmic(rng, 1e-13, 1e-7) * amperes,
            "emission_coefficient": rng.uniform(1.0, 2.0),
            "series_resistance": rng.choice([0.0, 0.05 * ohms * rng.random()]),
        },
        "filter": filters,
        "ambient": {"temperature": rng.uniform(0.0, 45.0)},
    }
    # A half wave through a choke gives little: no constant current could be drawn from it.
    starved = kind == "half wave" and any(part["kind"] == "choke" for part in filters)
    return Bench.model_validate(data | _load(rng, level, amperes, filters, plain_load=starved))


def _transformer(
    rng: random.Random, kind: str, mains: float, volts: float, amperes: float
) -> tuple[dict[str, Any], float]:
    """Return a transformer whose resistances drop 0.5 to 20 % at the load current, and the sum of their ohms."""
    connection, secondaries = "single", 1
    if kind in ("centre tap", "split rail"):
        connection, secondaries = rng.choice(["single", "series"]), 2
    elif rng.random() < 0.4:
        connection, secondaries = rng.choice(["series", "parallel"]), 2
    primary_voltage = mains / rng.uniform(0.92, 1.08)
    ohms = volts / amperes * logarithmic(rng, 0.005, 0.2)
    share = rng.choice([0.0, rng.random(), rng.random(), 1.0])
    loss = rng.choice([0.0, 0.03 * volts * amperes])
    return {
        "primary_voltage": primary_voltage,
        "open_circuit_voltage": volts,
        "secondaries": secondaries,
        "connection": connection,
        "secondary_resistance": ohms * share,
        "primary_resistance": ohms * (1.0 - share) * (primary_voltage / volts) ** 2,
        "leakage_inductance": rng.choice([0.0, 0.0, volts / amperes * logarithmic(rng, 1e-3, 0.1) / 314.0]),
        "no_load_loss": loss,
        "no_load_current": loss / primary_voltage * rng.uniform(1.2, 4.0),
    }, ohms


def _filter(rng: random.Random, kind: str, level: float, amperes: float, frequency: float) -> list[dict[str, Any]]:
    def smoothing() -> dict[str, Any]:
        farads = amperes / (2 * frequency * level * logarithmic(rng, 0.005, 0.4))
        return capacitor(farads, rng.choice([0.0, level / amperes * logarithmic(rng, 1e-4, 2e-2)]))

    def dropper() -> dict[str, Any]:
        return resistor(level / amperes * logarithmic(rng, 0.005, 0.1))

    def coil() -> dict[str, Any]:
        henries = level / amperes / (12.0 * frequency) * logarithmic(rng, 0.1, 10.0)
        return choke(henries, level / amperes * logarithmic(rng, 0.002, 0.05))

    shapes = [[smoothing], [smoothing, dropper, smoothing], [smoothing, coil, smoothing]]
    if kind != "full-wave doubler":
        shapes += [[], [smoothing], [dropper, smoothing], [coil, smoothing], [coil], [dropper, coil, smoothing, coil]]
    return [make() for make in rng.choice(shapes)]


def _load(
    rng: random.Random, level: float, amperes: float, filters: list[dict[str, Any]], *, plain_load: bool
) -> dict[str, Any]:
    held = bool(filters) and filters[-1]["kind"] == "capacitor"
    ohms = {"kind": "resistor", "resistance": level / amperes, "temperature_coefficient": rng.choice([0.0, 4e-3])}
    choice = rng.random()
    if plain_load or not held or choice < 0.5:
        return {"load": ohms}
    if choice < 0.75:
        return {"load": current(0.8 * amperes)}
    regulator = {
        "output_voltage": level * rng.uniform(0.3, 0.9),
        "dropout": rng.uniform(0.3, 2.0),
        "quiescent_current": rng.choice([0.0, 0.005]),
        **IDEAL,
    }
    return {"regulator": regulator, "load": rng.choice([ohms, current(0.8 * amperes)])}


def draw_wild(rng: random.Random) -> Bench:
    """Return a supply that the bench file allows, however absurd: 1 µF to 1 F, 10 µH to 100 H, 1 mA to 50 A, 0 Ω."""
    kind = rng.choice(KINDS)
    volts = logarithmic(rng, 1.0, 1000.0)
    transformer = {
        "primary_voltage": 230.0,
        "open_circuit_voltage": volts,
        "primary_resistance": rng.choice([0.0, logarithmic(rng, 1e-3, 1e3)]),
        "secondary_resistance": rng.choice([0.0, 1e-3, logarithmic(rng, 1e-3, 1e2)]),
        "leakage_inductance": rng.choice([0.0, 0.0, logarithmic(rng, 1e-6, 1e-1)]),
        "no_load_current": rng.choice([0.0, 0.05]),
    }
    if kind in ("centre tap", "split rail"):
        transformer |= {"secondaries": 2, "connection": "series"}
    doubler = kind == "full-wave doubler"
    first = [capacitor(logarithmic(rng, 1e-6, 1.0), rng.choice([0.0, 0.1]))] if doubler else []
    data = {
        "mains": {
            "voltage": 230.0,
            "frequency": rng.choice([50.0, 60.0, 400.0]),
            "source_resistance": 0.0,
            **rng.choice([{}, {"harmonics": [[3, 0.05, 0.0]]}]),
        },
        "transformer": transformer,
        "rectifier": {"kind": kind},
        "diode": {
            "saturation_current": logarithmic(rng, 1e-15, 1e-6),
            "emission_coefficient": rng.uniform(1.0, 2.0),
            "series_resistance": rng.choice([0.0, 0.02]),
        },
        "filter": first + [_wild_part(rng) for _ in range(rng.randrange(5))],
        "load": rng.choice(
            [resistor(logarithmic(rng, 0.05, 1e6)), current(logarithmic(rng, 1e-3, 50.0)), {"kind": "open"}]
        ),
    }
    if rng.random() < 0.3:
        data["diode"]["thermal_resistance"] = logarithmic(rng, 1.0, 50.0)
    if rng.random() < 0.2:
        data["regulator"] = {
            "output_voltage": volts * rng.uniform(0.2, 1.5),
            "dropout": rng.choice([0.0, 1.5]),
            "quiescent_current": rng.choice([0.0, 0.01]),
            **IDEAL,
        }
    return Bench.model_validate(data)


def _wild_part(rng: random.Random) -> dict[str, Any]:
    kind = rng.randrange(3)
    if kind == 0:
        return capacitor(logarithmic(rng, 1e-6, 1.0), rng.choice([0.0, logarithmic(rng, 1e-4, 10.0)]))
    if kind == 1:
        return resistor(logarithmic(rng, 1e-2, 1e3))
    return choke(logarithmic(rng, 1e-5, 100.0), rng.choice([0.0, logarithmic(rng, 1e-3, 100.0)]))
