"""Figures by which supplies are weighed against each other: diode loss, winding use, ripple, power factor, heat."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from benchmon.bench import Bench
from benchmon.prediction.explained.wirings import copper_loss, winding_power
from benchmon.report.comparison.comparison import Compared, Comparison
from benchmon.text import with_minus
from benchmon.watch.wording import PER_CENT, with_uncertainty


@dataclass(frozen=True, slots=True)
class KeyFigure:
    """A figure of each session, shown in `unit`; `measured` is which of them are, the others are predicted.

    A part is a fraction here, though per cent is its unit; `is_count` says that the values are whole numbers.
    """

    name: str
    unit: str
    values: tuple[float, ...]
    measured: tuple[bool, ...]
    is_count: bool = False


Combine = Callable[[Bench, list[float]], float]


def key_figures(comparison: Comparison) -> list[KeyFigure]:
    """Return the figures that are known of at least one session, all under the common conditions."""

    def plain(_bench: Bench, values: list[float]) -> float:
        return values[0]

    wanted: list[tuple[str, str, tuple[str, ...], Combine]] = [
        ("ripple at the reservoir, peak to peak", "V", ("reservoir.voltage.ripple",), plain),
        ("ripple at the output, rms", "V", ("output.voltage.ac_rms",), plain),
        ("power factor", "", ("mains.power_factor",), plain),
        ("distortion of the line current", PER_CENT, ("mains.current.thd",), plain),
        ("rectifier diodes", "", (), _diodes),
        ("diode drops in the current path", "", (), _drops),
        ("loss in all rectifier diodes", "W", ("diode.power.mean",), _all_diodes),
        ("reverse voltage of a diode", "V", ("diode.voltage.reverse_peak",), plain),
        ("apparent power of the windings", "VA", ("secondary.current.rms",), _winding_power),
        ("load of the windings, part of their rating", PER_CENT, ("secondary.current.rms",), _winding_use),
        ("copper loss of the transformer", "W", ("mains.current.rms", "secondary.current.rms"), _copper_loss),
        ("heat in the supply", "W", ("mains.power.active", "output.power.mean"), _heat),
        ("heat in the supply, both outputs", "W", (*_POWERS, "output_2.power.mean"), _heat_of_both),
        ("diode case, settled", "°C", ("diode.temperature.case",), plain),
    ]
    found = [_figure(comparison, *each) for each in wanted]
    return [one for one in found if any(math.isfinite(value) for value in one.values)]


def _figure(comparison: Comparison, name: str, unit: str, quantities: tuple[str, ...], combine: Combine) -> KeyFigure:
    """Return a figure, of each session from measured values alone or from predicted ones alone.

    A difference of a measured and a predicted value would show how far the two are apart rather than the supply.
    """
    values, measured = [], []
    for at, found in enumerate(comparison.found):
        read = [_measured(comparison, at, quantity) for quantity in quantities]
        is_measured = all(map(math.isfinite, read))
        taken = read if is_measured else [_predicted(comparison, at, quantity) for quantity in quantities]
        values.append(combine(found.bench, taken) if all(map(math.isfinite, taken)) else math.nan)
        measured.append(is_measured)
    return KeyFigure(name, unit, tuple(values), tuple(measured), is_count=not quantities)


def _measured(comparison: Comparison, at: int, quantity: str) -> float:
    compared = next((one for one in comparison.compared if one.quantity == quantity), None)
    return math.nan if compared is None else compared.values[at].corrected


def _predicted(comparison: Comparison, at: int, quantity: str) -> float:
    prediction = comparison.predictions[at]
    expected = prediction.quantities.get(quantity) if prediction is not None else None
    return math.nan if expected is None else expected.value


def _all_diodes(bench: Bench, values: list[float]) -> float:
    if bench.outputs_apart:
        return math.nan  # what is measured is one diode of one output
    return len(bench.rectifier.topology.diodes) * values[0]


def _diodes(bench: Bench, _values: list[float]) -> float:
    return len(bench.rectifier.topology.diodes)


def _drops(bench: Bench, _values: list[float]) -> float:
    return bench.rectifier.topology.drops


def _winding_power(bench: Bench, values: list[float]) -> float:
    if bench.outputs_apart:
        return math.nan  # nor does one winding stand for both
    return winding_power(bench, values[0])


def _winding_use(bench: Bench, values: list[float]) -> float:
    rating = bench.transformer.rating
    return math.nan if rating is None else _winding_power(bench, values) / rating


def _copper_loss(bench: Bench, values: list[float]) -> float:
    return math.nan if bench.outputs_apart else copper_loss(bench, values[0], values[1])


_POWERS = ("mains.power.active", "output.power.mean")


def _heat(bench: Bench, values: list[float]) -> float:
    # Of two outputs that are alike, each takes as much; where one load is across both, its power is that of both.
    if bench.outputs_apart and bench.rectifier.loads == "each":
        return math.nan
    alike = bench.rectifier.topology.has_two_outputs and not bench.outputs_apart
    return values[0] - values[1] * (2.0 if alike else 1.0)


def _heat_of_both(bench: Bench, values: list[float]) -> float:
    return values[0] - values[1] - values[2] if bench.outputs_apart else math.nan


def topology_remarks(comparison: Comparison) -> Iterator[str]:
    """Yield what the wiring of the rectifiers makes different at the output, expected beside measured."""
    first = comparison.found[0].bench.rectifier
    for at, found in enumerate(comparison.found[1:], 1):
        other = found.bench.rectifier
        if other.kind == first.kind:
            continue
        more = other.topology.drops - first.topology.drops
        count = {1: "one diode drop", 2: "two diode drops"}.get(abs(more), "")
        words = f", {count} {'more' if more > 0 else 'less'} in the path" if more else ""
        words_of_both = f"{chr(65 + at)} is {_named(other.kind)}, A {_named(first.kind)}{words}"
        yield (
            words_of_both + "".join(_at_output(one, at) for one in comparison.compared if one.quantity in _OUTPUT) + "."
        )


def _named(kind: str) -> str:
    return kind if kind.startswith("two ") else f"a {kind}"


_OUTPUT = ("output.voltage.rms", "output.voltage.mean")


def _at_output(compared: Compared, at: int) -> str:
    difference = compared.differences[at - 1]
    if not (math.isfinite(difference.measured) and math.isfinite(difference.expected)):
        return ""
    expected = with_minus(f"{difference.expected:+.2f} V")
    measured = with_uncertainty(difference.measured, difference.uncertainty, "V")
    return f"; {compared.quantity}: expected {expected}, measured {measured}"
