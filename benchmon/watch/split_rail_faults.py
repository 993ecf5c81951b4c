"""Faults of one diode or winding of a split rail: the two rails no longer draw alike, and the engine has no circuit.

What each reading becomes is told as a part of what it should be, from a time-stepped circuit of four diodes in which
all of these were tried, with a doubt (k = 1) for what source resistance and capacitance make of it elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchmon.bench import Bench, Channel
from benchmon.watch.hypothesis import Hypothesis
from benchmon.watch.meter_values import MeterValue, MeterValues

_OFF = "switch off, let capacitors discharge, "
_OPEN = ("a diode is open", _OFF + "test each diode, its joints and its half of the winding")
_REVERSED = (
    "one winding is reversed: each rail is charged once a period",
    _OFF + "check the connection of the windings",
)
_HALF = ("the rectifier is wired as half-wave instead of full-wave", _OFF + "check the wiring of the rectifier")


@dataclass(frozen=True)
class _Parts:
    """What becomes of a rail's level, its ripple, a winding's current, a diode's, and of the mains; (part, doubt)."""

    level: tuple[float, float]
    ripple: tuple[float, float]
    winding: tuple[float, float]
    diode: tuple[float, float]
    current: tuple[float, float] = (0.96, 0.05)
    power: tuple[float, float] = (0.97, 0.03)


_FAULTS = (
    (*_OPEN, _Parts((0.93, 0.025), (2.1, 0.2), (0.58, 0.08), (0.0, 0.03))),
    (*_OPEN, _Parts((0.93, 0.025), (2.1, 0.2), (1.47, 0.1), (2.0, 0.25))),
    (*_OPEN, _Parts((1.0, 0.01), (1.35, 0.15), (0.58, 0.08), (0.8, 0.15))),
    (*_OPEN, _Parts((1.0, 0.01), (1.35, 0.15), (1.47, 0.1), (1.25, 0.15))),
    (*_REVERSED, _Parts((0.99, 0.01), (2.35, 0.2), (0.99, 0.04), (1.0, 0.1), (0.98, 0.03), (0.99, 0.02))),
    (*_HALF, _Parts((0.91, 0.025), (2.1, 0.2), (1.16, 0.07), (1.87, 0.2), (1.04, 0.05), (0.91, 0.03))),
)


def split_rail_hypotheses(bench: Bench, channels: Sequence[Channel], right: MeterValues) -> list[Hypothesis]:
    """Return what every channel reads with each of these faults; [] for other rectifiers. `right` is without one."""
    if bench.rectifier.kind != "split rail" or bench.reservoir is None:
        return []
    found = []
    for cause, remedy, parts in _FAULTS:
        readings = {
            channel.name: value
            for channel in channels
            if (value := _reading(channel.quantity, parts, right)) is not None
        }
        found.append(Hypothesis(cause, remedy, 1.0, readings))
    return found


def _reading(quantity: str, parts: _Parts, right: MeterValues) -> MeterValue | None:
    value, air = right.of(quantity), right.of("ambient.temperature")
    if value is None or quantity in ("mains.voltage.rms", "mains.frequency", "ambient.temperature"):
        return value
    part = _part(quantity, parts)
    if part is None:
        return None
    if quantity.startswith("diode.temperature") and air is not None:
        rise = value.value - air.value
        moves = air.moves + part[0] * (value.moves - air.moves)
        return MeterValue(air.value + part[0] * rise, moves, math.hypot(value.own, part[1] * rise))
    changed = value.scaled(part[0])
    return MeterValue(changed.value, changed.moves, math.hypot(changed.own, part[1] * value.value))


def _part(quantity: str, parts: _Parts) -> tuple[float, float] | None:
    """Return the part for a quantity, None where nothing is known of it."""
    known: Mapping[str, tuple[float, float]] = {
        "output.voltage.mean": parts.level,
        "output.voltage.rms": parts.level,
        "output.current.mean": parts.level,
        "output.current.rms": parts.level,
        "reservoir.voltage.mean": parts.level,
        "output.voltage.ripple": parts.ripple,
        "output.voltage.ac_rms": parts.ripple,
        "reservoir.voltage.ripple": parts.ripple,
        "secondary.current.rms": parts.winding,
        "diode.current.mean": parts.diode,
        "diode.temperature.case": parts.diode,
        "diode.temperature.junction": parts.diode,
        "mains.current.rms": parts.current,
        "mains.power.active": parts.power,
    }
    return known.get(quantity)
