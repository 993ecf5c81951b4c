"""A fit as one JSON object and as text."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from benchmon.fit.estimate import Fitted, change_of
from benchmon.fit.learned import learned_values
from benchmon.fit.model import Unknown
from benchmon.fit.readings import Condition
from benchmon.quantities import format_value
from benchmon.report.formatting import plural
from benchmon.signals.uncertainty import COVERAGE
from benchmon.text import NOTHING, table
from benchmon.watch.wording import with_uncertainty

_MOST_CHANNELS = 3
_NOTABLE = 1.05
"""Growth of a part's uncertainty without a channel, from which that channel counts as one that shows the part."""
_NO_LOAD_TEST = "a no-load test at two mains voltages: volts, amperes and watts"
_FORWARD = "the forward drop of a diode at two currents"
_MEASURED_BY: Mapping[str, str] = {
    "mains.frequency": "a frequency meter",
    "mains.source_resistance": "the mains voltage with and without a known load",
    "transformer.open_circuit_voltage": "the winding's voltage without load, with the mains voltage beside it",
    "transformer.leakage_inductance": "a short-circuit test: volts, amperes and watts at the primary",
    "transformer.winding_warmth": "the temperature at which the winding resistances hold",
    "transformer.rise": "the resistance of a winding, cold and at the end of the test",
    "core.current": _NO_LOAD_TEST,
    "core.loss": _NO_LOAD_TEST,
    "core.saturating": _NO_LOAD_TEST,
    "core.exponent": _NO_LOAD_TEST,
    "diode.saturation_current": _FORWARD,
    "diode.series_resistance": _FORWARD,
    "load.current": "an ammeter in the load's lead",
    "regulator.output_voltage": "the output voltage",
    "regulator.dropout": "the output while the mains voltage is lowered until it falls",
    "regulator.quiescent_current": "the regulator's own current, without load",
    "regulator.ripple_passed": "the output's AC voltage, with the reservoir's ripple beside it",
    "regulator.noise": "the output's AC voltage without load",
    "resistance": "an ohmmeter with four wires, without power and at a known temperature",
    "esr": "an ESR meter, or the ripple beside the capacitor's current",
    "capacitance": "a capacitance meter, or the ripple at a known load",
    "inductance": "the ripple before and after the choke, at a known load",
    "thermal_resistance": "the case temperature once it stands still, at a known dissipation",
    "thermal_time_constant": "the temperature from switching on until it stands still, at one load",
    "r25": "an ohmmeter at the cold part",
}
"""What would determine a part, by its name or how that ends (from memory: the usual tests on a bench)."""


def _measured_by(part: str) -> str:
    """Return the measurement that would determine a part."""
    ends = [end for end in _MEASURED_BY if part.endswith(end)]
    return _MEASURED_BY[max(ends, key=len)] if ends else "a measurement of the part itself"


def fit_as_dict(fitted: Fitted) -> dict[str, Any]:
    """Return a fit as one object of the contract."""
    posterior = fitted.posterior
    parts, left = {}, []
    for one in learned_values(fitted):
        parts[one.part] = {
            "label": one.label,
            "prior": list(one.prior),
            "value": one.value,
            "uncertainty": one.uncertainty,
            "unit": one.unit,
            "determined": one.is_determined,
            "told_by": list(one.shown_by if one.place is None else _shown_by(fitted, one.place)),
        }
        if not one.is_determined:
            left.append({"part": one.part, "measure": _measured_by(one.part)})
    data = posterior.model.data
    return {
        "parts": parts,
        "not_determined": left,
        "agreement": [posterior.chi_square, posterior.freedom],
        "outliers": [
            {
                "channel": data.readings[one.reading].channel.name,
                "session": str(data.sessions[_condition(fitted, one.reading).session].path),
                "step": _condition(fitted, one.reading).name,
                "deviations": one.deviations,
            }
            for one in fitted.outliers
        ],
        "changes": [
            {
                "part": one.part,
                "label": one.label,
                "session": str(data.sessions[one.from_session or 0].path),
                "change": change,
                "uncertainty": uncertainty,
            }
            for one, change, uncertainty in _changes(fitted)
        ],
        "meters": {
            f"{one.meter[0]} {one.part}": [
                float(posterior.u[k]) * one.size,
                COVERAGE * one.size * float(posterior.deviations[k]),
            ]
            for k, one in enumerate(posterior.model.unknowns)
            if one.meter
        },
    }


def _condition(fitted: Fitted, reading: int) -> Condition:
    data = fitted.posterior.model.data
    return data.conditions[data.readings[reading].condition]


def _changes(fitted: Fitted) -> Iterator[tuple[Unknown, float, float]]:
    for one in fitted.changes:
        yield one, *change_of(fitted.posterior, fitted.posterior.model.unknowns.index(one))


def _shown_by(fitted: Fitted, k: int) -> Iterator[str]:
    """Yield the channels that show a part, the one without which least would be known of it first."""
    posterior = fitted.posterior
    readings = posterior.model.data.readings
    names = list(dict.fromkeys(one.channel.name for one in readings))
    grown = []
    for name in names:
        mask = np.array([one.channel.name == name for one in readings])
        grown.append((float(posterior.without(mask)[k] / posterior.deviations[k]), name))
    grown.sort(reverse=True)
    yield from (name for growth, name in grown[:_MOST_CHANNELS] if growth > _NOTABLE)


def fit_as_text(fitted: Fitted) -> str:
    """Return a fit as tables for a terminal."""
    found = fit_as_dict(fitted)
    known: list[list[str]] = []
    rest: list[list[str]] = []
    for name, part in found["parts"].items():
        unit = part["unit"]
        row = [
            name,
            with_uncertainty(part["prior"][0], part["prior"][1], unit),
            with_uncertainty(part["value"], part["uncertainty"], unit),
        ]
        (known if part["determined"] else rest).append([*row, ", ".join(part["told_by"]) or NOTHING])
    head = ("part", "before", "from the readings", "shown by")
    lines = [table(head, known, (1, 2)) if known else "The readings determine no part.", ""]
    if rest:
        lines += ["Hardly determined:", table(head, rest, (1, 2)), ""]
        lines += [f"{one['part']} would be determined by {one['measure']}." for one in found["not_determined"]]
    for change in found["changes"]:
        words = with_uncertainty(100.0 * change["change"], 100.0 * change["uncertainty"], "%")
        lines.append(f"Changed: {change['label']} ({change['part']}) by {words}, from {change['session']} on.")
    for one in found["outliers"]:
        far = min(one["deviations"], 999.0)
        lines.append(f"Left out: {one['channel']} in {one['step']} of {one['session']} is {far:.0f} deviations off.")
    chi_square, freedom = found["agreement"]
    lines.append(
        f"Agreement: χ² = {chi_square:.0f} of {plural(freedom, 'reading')}; {_agreement(chi_square, freedom)}."
    )
    return "\n".join(lines)


def _agreement(chi_square: float, freedom: int) -> str:
    usual = freedom + 3.0 * math.sqrt(2.0 * freedom)
    return "as usual" if chi_square <= usual else f"more than {format_value(usual, '', 3)}: the model does not fit"
