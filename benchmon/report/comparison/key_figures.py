"""Figures by which supplies are weighed against each other: diode loss, winding use, ripple, power factor, heat."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from benchmon.bench import Bench
from benchmon.report.comparison.comparison import Compared, Comparison
from benchmon.watch.wording import with_uncertainty


@dataclass(frozen=True, slots=True)
class KeyFigure:
    """A figure of each session, in `unit`; `measured` is which of them are, the others are predicted."""

    name: str
    unit: str
    values: tuple[float, ...]
    measured: tuple[bool, ...]


Combine = Callable[[Bench, list[float]], float]


def key_figures(comparison: Comparison) -> list[KeyFigure]:
    """Return the figures that are known of at least one session, all under the common conditions."""

    def plain(_bench: Bench, values: list[float]) -> float:
        return values[0]

    wanted: list[tuple[str, str, tuple[str, ...], Combine]] = [
        ("ripple at the reservoir, peak to peak", "V", ("reservoir.voltage.ripple",), plain),
        ("ripple at the output, rms", "V", ("output.voltage.ac_rms",), plain),
        ("power factor", "", ("mains.power_factor",), plain),
        ("distortion of the line current", "", ("mains.current.thd",), plain),
        ("loss in all rectifier diodes", "W", ("diode.power.mean",), _all_diodes),
        ("load of the windings, part of their rating", "", ("secondary.current.rms",), _winding_use),
        ("heat in the supply", "W", ("mains.power.active", "output.power.mean"), _heat),
        ("diode case, settled", "°C", ("diode.temperature.case",), plain),
    ]
    found = [_figure(comparison, *each) for each in wanted]
    return [one for one in found if any(math.isfinite(value) for value in one.values)]


def _figure(comparison: Comparison, name: str, unit: str, quantities: tuple[str, ...], combine: Combine) -> KeyFigure:
    values, measured = [], []
    for at, found in enumerate(comparison.found):
        pairs = [_value_of(comparison, at, quantity) for quantity in quantities]
        known = all(math.isfinite(value) for value, _ in pairs)
        values.append(combine(found.bench, [value for value, _ in pairs]) if known else math.nan)
        measured.append(known and all(is_measured for _, is_measured in pairs))
    return KeyFigure(name, unit, tuple(values), tuple(measured))


def _value_of(comparison: Comparison, at: int, quantity: str) -> tuple[float, bool]:
    """Return a quantity of a session and whether it was measured, else as predicted."""
    compared = next((one for one in comparison.compared if one.quantity == quantity), None)
    if compared is not None and compared.values[at].is_measured:
        return compared.values[at].corrected, True
    prediction = comparison.predictions[at]
    expected = prediction.quantities.get(quantity) if prediction is not None else None
    return (math.nan if expected is None else expected.value), False


def _all_diodes(bench: Bench, values: list[float]) -> float:
    return len(bench.rectifier.topology.diodes) * values[0]


def _winding_use(bench: Bench, values: list[float]) -> float:
    transformer = bench.transformer
    if transformer.rating is None:
        return math.nan
    volts = transformer.rated_voltage or transformer.open_circuit_voltage
    return values[0] * volts * transformer.secondaries / transformer.rating


def _heat(_bench: Bench, values: list[float]) -> float:
    return values[0] - values[1]


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
        words_of_both = f"{chr(65 + at)} is a {other.kind}, A a {first.kind}{words}"
        yield (
            words_of_both + "".join(_at_output(one, at) for one in comparison.compared if one.quantity in _OUTPUT) + "."
        )


_OUTPUT = ("output.voltage.rms", "output.voltage.mean")


def _at_output(compared: Compared, at: int) -> str:
    difference = compared.differences[at - 1]
    if not (math.isfinite(difference.measured) and math.isfinite(difference.expected)):
        return ""
    expected = f"{difference.expected:+.2f} V".replace("-", "−")
    measured = with_uncertainty(difference.measured, difference.uncertainty, "V").replace("-", "−")
    return f"; {compared.quantity}: expected {expected}, measured {measured}"
