"""What each way to wire the same windings costs: diodes, drops, reverse voltage, use of the windings, copper loss."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Any

from benchmon.bench import Bench, Capacitor, OpenLoad, ResistorLoad
from benchmon.bench.topology import TOPOLOGIES, Topology
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.solved import solve
from benchmon.quantities import format_value
from benchmon.text import table

_ROUNDS, _SAME_POWER = 6, 0.005
"""Most solutions of a wiring with a load that takes the same power, and the part of it that counts as none: the secant
method on logarithms needs two or three, four where the windings drop most of their volts."""

_FLATTEST = -0.15
"""Least change of the logarithm of the power by that of the ohms: nearer to its maximum no load takes the power."""


@dataclass(frozen=True)
class WiringCost:
    """A rectifier and the connection of its windings, and what they cost with loads that take `power` watts.

    Of two outputs each has its load, with half of the power; `unequal` is whether two outputs differ, `is_across`
    whether one load is across both, `regulated` whether the first of two that differ has a regulator. `drops` is how
    many of the `diodes` lie in the current's way. Volts: `output` (mean) and `reverse` (peak, of one diode). Watts:
    `diode_loss` of all diodes, `copper_loss` of all windings. `apparent` is the windings' VA, `use` that over the
    transformer's rating, None without one.
    """

    kind: str
    connection: str
    diodes: int
    drops: int
    power: float
    output: float
    reverse: float
    diode_loss: float
    apparent: float
    use: float | None
    copper_loss: float
    is_own: bool = False
    unequal: bool = False
    is_across: bool = False
    regulated: bool = False


def winding_power(bench: Bench, amperes: float) -> float:
    """Return full-load volts times `amperes` of all windings that carry current, VA."""
    transformer = bench.transformer
    return amperes * transformer.full_load_voltage * bench.rectifier.topology.windings(transformer.connection)


def copper_loss(bench: Bench, line: float, winding: float) -> float:
    """Return I²·R of primary and secondary windings, W, at rms amperes and the resistances of the bench file."""
    transformer = bench.transformer
    used = bench.rectifier.topology.windings(transformer.connection)
    return line**2 * transformer.primary_resistance + used * winding**2 * transformer.secondary_resistance


def wiring_costs(bench: Bench) -> list[WiringCost]:
    """Return what the bench's wiring costs, then every other one of its windings, diodes and filter.

    Each has a load resistor that takes the power of the bench's, or two that take half of it; behind a regulator it is
    the bench's own load. Where the two outputs differ, every other wiring has filter and regulator of the first, and
    takes the power of both also behind that regulator. What cannot be solved, or not give this power, is left out.
    Raises `PredictionError` for a bench that cannot be solved, or has no load.
    """
    if isinstance(bench.load, OpenLoad):
        raise PredictionError("load: is open, so no wiring costs anything; give a load")
    solved = _values(bench)
    own = _cost(bench, solved, is_own=True)
    if bench.outputs_apart:
        own = _cost_apart(bench, solved, own)
    ohms = solved["output.voltage.mean"] / solved["output.current.mean"]
    if bench.outputs_apart:
        ohms = 2.0 * solved["output.voltage.mean"] ** 2 / own.power
    others = (_with_power(other, own, ohms) for other in _rewired(bench))
    return [own, *(cost for cost in others if cost is not None)]


def _cost_apart(bench: Bench, values: dict[str, float], own: WiringCost) -> WiringCost:
    """Return the cost of a bench whose two outputs differ. Raises `PredictionError` if it cannot be solved."""
    other, transformer = _values(bench.seen_from_output_2()), bench.transformer
    squares = [each["secondary.current.rms"] ** 2 for each in (values, other)]
    mean = (sum(squares) / len(squares)) ** 0.5
    apparent = winding_power(bench, mean)
    return replace(
        own,
        unequal=True,
        is_across=bench.rectifier.loads == "across",
        regulated=bench.regulator is not None,
        power=values["output.power.mean"] + values.get("output_2.power.mean", 0.0),
        reverse=max(each["diode.voltage.reverse_peak"] for each in (values, other)),
        diode_loss=own.diodes / 2.0 * (values["diode.power.mean"] + other["diode.power.mean"]),
        apparent=apparent,
        use=None if transformer.rating is None else apparent / transformer.rating,
        copper_loss=copper_loss(bench, values["mains.current.rms"], mean),
    )


def _rewired(bench: Bench) -> Iterator[Bench]:
    """Yield the bench with every other rectifier and connection that its windings and filter allow.

    Where there are two outputs, both are loaded alike.
    """
    alike = {"filter_2": None, "regulator_2": None, "load_2": None}
    two = bench.transformer.secondaries == 2
    held = bool(bench.filter) and isinstance(bench.filter[0], Capacitor)
    for kind, topology in TOPOLOGIES.items():
        if (topology.needs_two_windings and not two) or (topology.capacitors and not held):
            continue
        if len(topology.rails) > 1 and bench.regulator is not None and not bench.outputs_apart:
            continue  # two regulators, each with the bench's own load, would deliver twice the power
        for connection in _connections(topology, two=two):
            if (kind, connection) != (bench.rectifier.kind, bench.transformer.connection):
                rectifier = bench.rectifier.model_copy(update={"kind": kind, "loads": "each"})
                windings = bench.transformer.model_copy(update={"connection": connection})
                yield bench.model_copy(update={"rectifier": rectifier, "transformer": windings, **alike})


def _connections(topology: Topology, *, two: bool) -> tuple[str, ...]:
    if topology.is_tapped:
        return ("series",)
    return ("series", "parallel") if two and topology.second_winding is None else ("single",)


def _with_power(bench: Bench, own: WiringCost, ohms: float) -> WiringCost | None:
    """Return the cost of a wiring whose load takes the power of `own`; None where it cannot be solved."""
    try:
        if bench.regulator is not None and not own.unequal:
            return _cost(bench, _values(bench))
        steepness, before = -1.0, (0.0, 0.0)
        for count in range(_ROUNDS):
            bench = bench.model_copy(update={"load": ResistorLoad(kind="resistor", resistance=ohms)})
            values = _values(bench)
            missing = math.log(len(bench.rectifier.topology.rails) * values["output.power.mean"] / own.power)
            if abs(missing) < _SAME_POWER:
                break
            at = math.log(ohms)
            if count and at != before[0]:
                steepness = min(max((missing - before[1]) / (at - before[0]), -1.2), _FLATTEST)
            before, ohms = (at, missing), math.exp(at - missing / steepness)
        else:
            if bench.regulator is not None:
                return None  # it starves before its load takes that power
        return _cost(bench, values)
    except PredictionError:
        return None


def _values(bench: Bench) -> dict[str, float]:
    return {name: float(value[0]) for name, value in solve(bench, parts_of(bench)).quantities.items()}


def _cost(bench: Bench, values: dict[str, float], *, is_own: bool = False) -> WiringCost:
    topology, rating = bench.rectifier.topology, bench.transformer.rating
    apparent = winding_power(bench, values["secondary.current.rms"])
    return WiringCost(
        kind=bench.rectifier.kind,
        connection=bench.transformer.connection,
        diodes=len(topology.diodes),
        drops=topology.drops,
        power=len(topology.rails) * values["output.power.mean"],
        output=values["output.voltage.mean"],
        reverse=values["diode.voltage.reverse_peak"],
        diode_loss=len(topology.diodes) * values["diode.power.mean"],
        apparent=apparent,
        use=None if rating is None else apparent / rating,
        copper_loss=copper_loss(bench, values["mains.current.rms"], values["secondary.current.rms"]),
        is_own=is_own,
    )


_MEANT = {
    "single": "Each winding by itself",
    "series": "Both windings, in series",
    "parallel": "Both windings, in parallel",
}


def wirings_as_text(costs: list[WiringCost]) -> str:
    """Return the costs as tables of at most 80 columns, one a connection of the windings."""
    own = costs[0]
    lines = [f"What each wiring costs; the load takes {format_value(own.power, 'W')} of each, * is this supply."]
    if any(len(TOPOLOGIES[each.kind].rails) > 1 for each in costs):
        lines.append("Split rail and two bridges have two outputs, each with half of that load.")
    if own.unequal:
        volts = "of both together" if own.is_across else "of the first"
        lines.append(f"Those of this supply are as its bench file says; its volts are {volts}.")
        parts = "filter and regulator" if own.regulated else "filter"
        lines.append(f"Every other wiring has the {parts} of the first output.")
    head = ("wiring", "output", "diodes", "drops", "reverse", "diode loss", "windings", "copper")
    units = ("", "V", "", "in way", "peak V", "W", "VA" if own.use is None else "% used", "W")
    for connection, meant in _MEANT.items():
        rows = [_row(each) for each in sorted(costs, key=_by_kind) if each.connection == connection]
        if rows:
            lines += ["", f"{meant}:", table(head, [units, *rows], range(1, len(head)))]
    return "\n".join(lines)


def _by_kind(cost: WiringCost) -> int:
    return list(TOPOLOGIES).index(cost.kind)


def _row(cost: WiringCost) -> tuple[str, ...]:
    used = f"{cost.apparent:.3g}" if cost.use is None else f"{100.0 * cost.use:.0f}"
    numbers = (f"{cost.output:.1f}", str(cost.diodes), str(cost.drops), f"{cost.reverse:.1f}")
    name = f"{'*' if cost.is_own else ' '} {cost.kind}"
    return (name, *numbers, f"{cost.diode_loss:.3g}", used, f"{cost.copper_loss:.3g}")


def wirings_as_list(costs: list[WiringCost]) -> list[dict[str, Any]]:
    """Return the costs as objects for JSON, in SI units."""
    return [asdict(each) for each in costs]
