"""Margins to ratings at the measured values, beside those of the worst state that was predicted."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from benchmon.bench import ResistorLoad
from benchmon.prediction.margins import Margin, above, below
from benchmon.report.findings import Finding, Findings
from benchmon.report.supply_sections import capacitors_of
from benchmon.watch.heat import junction_from_case
from benchmon.watch.insight import CASE_TO_JUNCTION


@dataclass(frozen=True)
class MeasuredMargin:
    """A rating: the margin predicted for the worst state, and the one at the measured value, if that is known.

    `source` says which channel, or which calculation from which channels, gave the measured value.
    """

    predicted: Margin
    measured: Margin | None
    source: str


def measured_margins(found: Findings, predicted: tuple[Margin, ...]) -> list[MeasuredMargin]:
    """Return every rating with the margin at the end of the test, where a channel tells it."""
    rows = []
    for margin in predicted:
        value, source = _measured(found, margin.name)
        made = above if margin.name == "regulator headroom" else below
        rows.append(
            MeasuredMargin(
                margin,
                made(margin.name, value, margin.limit, margin.unit) if math.isfinite(value) else None,
                source if math.isfinite(value) else "",
            )
        )
    return rows


_DIRECT = {
    "diode mean current": "diode.current.mean",
    "diode reverse voltage": "diode.voltage.reverse_peak",
    "fuse current": "mains.current.rms",
    "inrush limiter current": "mains.current.rms",
    "regulator headroom": "regulator.voltage.headroom",
    "regulator junction temperature": "regulator.temperature.junction",
}


def _measured(found: Findings, name: str) -> tuple[float, str]:
    if name in _DIRECT:
        return _of(found.of(_DIRECT[name]))
    ways: dict[str, Callable[[Findings], tuple[float, str]]] = {
        "diode junction temperature": _junction,
        "transformer apparent power": _windings,
        "load power": _load,
    }
    if name in ways:
        return ways[name](found)
    first = next((place for place, _ in capacitors_of(found.bench)), None)
    if name == f"capacitor {first} voltage":
        return _highest_on_reservoir(found)
    return _of(found.of("reservoir.current.rms")) if name == f"capacitor {first} ripple current" else (math.nan, "")


def _of(one: Finding | None) -> tuple[float, str]:
    return (math.nan, "") if one is None else (one.value, one.channel.name)


def _junction(found: Findings) -> tuple[float, str]:
    """Return the junction's temperature: measured, or from the case's and the diode's loss as predicted."""
    direct = found.of("diode.temperature.junction")
    if direct is not None:
        return _of(direct)
    case, resistance = found.of("diode.temperature.case"), found.bench.diode.thermal_resistance
    power = found.prediction.quantities.get("diode.power.mean") if found.prediction else None
    if case is None or resistance is None or power is None:
        return math.nan, ""
    hot = junction_from_case(case.value, power.value, resistance, CASE_TO_JUNCTION)
    return hot, f"{case.channel.name}, and the loss as predicted"


def _windings(found: Findings) -> tuple[float, str]:
    transformer, current = found.bench.transformer, found.of("secondary.current.rms")
    if current is None:
        return math.nan, ""
    volts = transformer.rated_voltage or transformer.open_circuit_voltage
    return current.value * volts * transformer.secondaries, f"{current.channel.name} × volts of all windings"


def _load(found: Findings) -> tuple[float, str]:
    for quantity in ("load.power.mean", "output.power.mean"):
        if (direct := found.of(quantity)) is not None:
            return _of(direct)
    load, volts = found.bench.load, found.of("output.voltage.rms")
    if not isinstance(load, ResistorLoad) or found.load is not None:
        return math.nan, ""
    if volts is not None:
        return volts.value**2 / load.resistance, f"{volts.channel.name} into the load's resistance"
    mean, rest = found.of("output.voltage.mean"), found.of("output.voltage.ac_rms")
    if mean is None or rest is None:
        return math.nan, ""
    power = (mean.value**2 + rest.value**2) / load.resistance
    return power, f"{mean.channel.name} and {rest.channel.name} into the load's resistance"


def _highest_on_reservoir(found: Findings) -> tuple[float, str]:
    """Return the highest volts on the reservoir: measured, or the mean and half the ripple."""
    direct = found.of("reservoir.voltage.peak")
    if direct is not None:
        return _of(direct)
    mean, ripple = found.of("reservoir.voltage.mean"), found.of("reservoir.voltage.ripple")
    if mean is None or ripple is None:
        return math.nan, ""
    return mean.value + ripple.value / 2.0, f"{mean.channel.name} + half of {ripple.channel.name}"
