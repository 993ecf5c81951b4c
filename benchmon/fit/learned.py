"""The bench file with learned values: a person's file, its comments kept, with new values and what is known of them.

All parts get their most probable values, since these belong together, and a `[[learned]]` entry with the uncertainty
that is left; predictions take that in place of a usual tolerance. How parts depend on each other is not written.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import tomlkit

from benchmon.bench import Bench
from benchmon.fit.estimate import DETERMINED, Fitted, interval_of
from benchmon.prediction.circuit.parts import unit_of_part
from benchmon.quantities import CURRENT, POWER, format_value, parse_value
from benchmon.signals.uncertainty import COVERAGE
from benchmon.watch.wording import with_uncertainty

_DIGITS = 6
_RATED = ("rated_voltage", "regulation")
_WINDINGS = (
    "transformer.open_circuit_voltage",
    "transformer.primary_resistance",
    "transformer.secondary_resistance",
)
_CORE = ("core.current", "core.loss")


@dataclass(frozen=True)
class _Learned:
    part: str
    value: float
    uncertainty: float
    relative: float
    ratio: float
    determined: bool


def learned_file(fitted: Fitted, text: str, sessions: str) -> str:
    """Return the bench file `text` with the values of a fit; `sessions` is what they are from, in a few words.

    Raises `tomlkit.exceptions.TOMLKitError` where the text is no TOML.
    """
    document: Any = tomlkit.parse(text)
    found = list(_values(fitted))
    if any(one.part in _WINDINGS for one in found):
        for key in _RATED:
            document["transformer"].pop(key, None)
    if "forward" in document["diode"]:
        document["diode"].pop("forward")
        document["diode"]["emission_coefficient"] = round(
            fitted.posterior.model.nominal("diode.emission_coefficient"), 4
        )
    entries = tomlkit.aot()
    for one in found:
        if _set(document, fitted.posterior.model.bench, one):
            entries.append(_entry(one, sessions))
    document.pop("learned", None)
    document.append("learned", entries)
    return tomlkit.dumps(document)


def _values(fitted: Fitted) -> Iterator[_Learned]:
    posterior = fitted.posterior
    for k, one in enumerate(posterior.model.unknowns):
        if one.is_part and one.relative and one.part != "mains.frequency":
            value, uncertainty = interval_of(posterior, k)
            deviation = float(posterior.deviations[k])
            nominal = posterior.model.value_of(k, 0.0)
            relative = COVERAGE * one.size * deviation
            yield _Learned(one.part, value, uncertainty, relative, value / nominal, deviation <= DETERMINED)


def _entry(one: _Learned, sessions: str) -> Any:
    entry = tomlkit.table()
    entry["part"] = one.part
    entry["uncertainty"] = f"{100.0 * one.relative:.3g} %"
    entry["determined"] = one.determined
    entry["learned_from"] = sessions
    return entry


def _set(document: Any, bench: Bench, one: _Learned) -> bool:
    """Set a part's value where a file of this bench has a key for it; return whether it has."""
    section, _, key = one.part.partition(".")
    words = f"learned: {with_uncertainty(one.value, one.uncertainty, unit_of_part(one.part))}"
    words += "" if one.determined else ", hardly determined"
    if section == "filter":
        place, _, key = key.partition(".")
        return _put(document["filter"][int(place)], key, _text(one), words)
    if one.part in _CORE:
        return _scale_core(document["transformer"], one, words)
    if one.part == "regulator.ripple_passed":
        return _put(document["regulator"], "ripple_rejection", f"{-20.0 * math.log10(one.value):.2f} dB", words)
    if section not in document or key not in type(getattr(bench, section)).model_fields:
        return False
    return _put(document[section], key, _text(one), words)


def _text(one: _Learned) -> str:
    return format_value(one.value, unit_of_part(one.part), _DIGITS)


def _put(table: Any, key: str, value: str, words: str) -> bool:
    item = tomlkit.item(value)
    before = table.get(key)
    comment = before.trivia.comment.lstrip("# ") if before is not None and hasattr(before, "trivia") else ""
    table[key] = item
    table[key].comment(f"{words}; {comment}" if comment and not comment.startswith("learned:") else words)
    return True


def _scale_core(transformer: Any, one: _Learned, words: str) -> bool:
    """Set the core's current or loss: in every measured point, or as one value."""
    column = 1 + _CORE.index(one.part)
    if "no_load" not in transformer:
        return _put(transformer, ("no_load_current", "no_load_loss")[column - 1], _text(one), words)
    kind, unit = ((CURRENT, "A"), (POWER, "W"))[column - 1]
    for point in transformer["no_load"]:
        point[column] = format_value(parse_value(point[column], kind) * one.ratio, unit, _DIGITS)
    return True
