"""Assign quantities to the columns of a capture, by the quantities and probe ratios of the user, else by units."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from benchmon.captures.scope_file import CaptureColumn, ScopeCapture
from benchmon.errors import BadInput
from benchmon.quantities import CURRENT, UNITS, VOLTAGE, parse_value
from benchmon.text import one_line

WAVES: dict[str, str] = {
    point_and_what: unit
    for quantity, unit in UNITS.items()
    if unit in ("V", "A") and (point_and_what := quantity.rpartition(".")[0]).count(".") == 1
}
"""Waves that can be captured: the voltage or current at a point of the circuit, and its unit."""

_RATIO = re.compile(r"([0-9.]+)\s*(?::\s*([0-9.]+)|[x×])?")
_PER_AMPERE = re.compile(r"(.+)/\s*A")


@dataclass(frozen=True)
class ChosenColumn:
    """One column, scaled by its probe ratio to SI, with its quantity ("" if unknown)."""

    column: CaptureColumn
    quantity: str


def wave_of(quantity: str) -> str:
    """Return the wave that `quantity` is measured on: `mains.current` for `mains.current.rms`.

    Raises `BadInput` if it is not measured on a wave.
    """
    name = quantity if quantity in WAVES else quantity.rpartition(".")[0]
    if name not in WAVES:
        known = ", ".join(WAVES)
        raise BadInput(f"--quantity {one_line(quantity, 60)}: is not a wave that can be captured; choose from {known}")
    return name


def ratio_of(text: str) -> tuple[float, str]:
    """Return the factor of a probe or clamp, and the unit of the product ("" for that of the column).

    A probe is given as 10, 10:1 or 10x, a clamp by its output, such as "100 mV/A". Raises `BadInput` if `text` is
    neither, or the factor is extreme.

    >>> ratio_of("10:1"), ratio_of("100 mV/A")
    ((10.0, ''), (10.0, 'A'))
    """
    clamp = _PER_AMPERE.fullmatch(text.strip())
    plain = _RATIO.fullmatch(text.strip())
    try:
        if clamp is not None:
            factor, unit = 1.0 / parse_value(clamp[1].strip(), VOLTAGE), "A"
        elif plain is not None:
            factor, unit = float(plain[1]) / float(plain[2] or 1.0), ""
        else:
            raise ValueError
    except (ValueError, ZeroDivisionError) as problem:
        raise BadInput(f'--probe {one_line(text, 40)}: is not a ratio; give 10, 10:1 or "100 mV/A"') from problem
    if not (math.isfinite(factor) and 1e-6 <= abs(factor) <= 1e6):
        raise BadInput(f"--probe {one_line(text, 40)}: must be between 1e-6 and 1e6")
    return factor, unit


def choose_columns(capture: ScopeCapture, quantities: Sequence[str], probes: Sequence[str]) -> list[ChosenColumn]:
    """Return the columns of a capture to be measured, the requested one first.

    A quantity or a ratio is for the column it names, as in `CH2=mains.current`; without a name a quantity is for the
    first column of its unit or of none, and a ratio for all columns. Raises `BadInput` if a text is malformed or fits
    no column.
    """
    columns = [_scaled(column, probes) for column in capture.columns]
    _check_names(capture, [*quantities, *probes])
    given: dict[int, str] = {}
    for place, column in enumerate(columns):
        for quantity in quantities:
            name, _, wave = quantity.rpartition("=")
            if name == column.name:
                given[place] = wave_of(wave)
    for quantity in quantities:
        if "=" not in quantity:
            given[_place_for(wave_of(quantity), columns, given)] = wave_of(quantity)
    found = [
        ChosenColumn(_with_unit(column, given.get(place, "")), given.get(place, ""))
        for place, column in enumerate(columns)
    ]
    order = [wave_of(quantity.rpartition("=")[2]) for quantity in quantities]
    return sorted(found, key=lambda one: order.index(one.quantity) if one.quantity else len(order))


def _check_names(capture: ScopeCapture, given: Sequence[str]) -> None:
    names = [column.name for column in capture.columns]
    for text in given:
        name, equals, _ = text.rpartition("=")
        if equals and name not in names:
            raise BadInput(
                f"{one_line(text, 60)}: the file has no column {one_line(name, 40)!r}; it has {_listed(names)}"
            )


def _listed(names: Sequence[str]) -> str:
    return one_line(", ".join(names), 200)


def _scaled(column: CaptureColumn, probes: Sequence[str]) -> CaptureColumn:
    for probe in probes:
        name, _, ratio = probe.rpartition("=")
        if name in ("", column.name):
            factor, unit = ratio_of(ratio)
            column = CaptureColumn(column.name, unit or column.unit, factor * column.values)
    return column


def _place_for(wave: str, columns: Sequence[CaptureColumn], given: dict[int, str]) -> int:
    unit = WAVES[wave]
    free = [place for place in range(len(columns)) if place not in given]
    for fits in (lambda place: columns[place].unit == unit, lambda place: not columns[place].unit):
        place = next(filter(fits, free), None)
        if place is not None:
            return place
    kind = {"V": VOLTAGE, "A": CURRENT}[unit].name
    has = _listed([f"{column.name} ({column.unit or 'no unit'})" for column in columns])
    raise BadInput(
        f"--quantity {wave}: is {kind}, and the file has no column left for it: {has}; see --probe for clamps"
    )


def _with_unit(column: CaptureColumn, wave: str) -> CaptureColumn:
    if not wave:
        return column
    if column.unit and column.unit != WAVES[wave]:
        raise BadInput(f"{column.name}={wave}: the column is in {column.unit}; give the ratio of a clamp by --probe")
    return CaptureColumn(column.name, WAVES[wave], column.values)
