"""What a fit has learned of each part, and the bench file with these values.

That is a person's file, its comments kept, with new values and what is known of them.
All parts get their most probable values, since these belong together, and a `[[learned]]` entry with the uncertainty
that is left, alone and together with others; predictions take that in place of a usual tolerance.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import tomlkit

from benchmon.bench import Bench, ResistorLoad
from benchmon.fit.estimate import DETERMINED, Estimate, Fitted, interval_of
from benchmon.fit.model import SupplyModel
from benchmon.fit.readings import Data
from benchmon.prediction.circuit.parts import WINDING_WARMTH, unit_of_part
from benchmon.prediction.thermal.rated_rise import load_rise
from benchmon.prediction.uncertainty import input_of_learned
from benchmon.quantities import CURRENT, POWER, format_value, parse_value
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE
from benchmon.standards import TRANSFORMER_WARMS_IN
from benchmon.watch.wording import with_uncertainty

_DIGITS = 6
_CORRELATED, _MOST_CORRELATED = 0.01, 0.999
"""Coefficients of correlation that are written: at least, and at most."""
_RATED = ("rated_voltage", "regulation")
_WINDINGS = (
    "transformer.open_circuit_voltage",
    "transformer.primary_resistance",
    "transformer.secondary_resistance",
)
_RESISTANCES = _WINDINGS[1:]
_CORE = ("core.current", "core.loss")
_NOT_WRITTEN = ("mains.frequency",)
"""A part that is not the supply's own."""


@dataclass(frozen=True)
class LearnedValue:
    """What is known of a part after a fit: its `value` and expanded `uncertainty`, and before it, `prior`; in its unit.

    `place` is that among the unknowns, None where it is estimated by itself from the channels `shown_by`.
    `is_determined` is whether the readings narrowed it to half or less, and `relative_uncertainty` the expanded one of
    the value's logarithm, None where that is not what is estimated.
    """

    place: int | None
    part: str
    label: str
    prior: tuple[float, float]
    value: float
    uncertainty: float
    is_determined: bool
    relative_uncertainty: float | None
    shown_by: tuple[str, ...] = ()

    @property
    def unit(self) -> str:
        """The unit of the value, "" where it has none."""
        return unit_of_part(self.part)


def learned_values(fitted: Fitted) -> Iterator[LearnedValue]:
    """Yield what is known of every part."""
    posterior = fitted.posterior
    for place, one in enumerate(posterior.model.unknowns):
        if one.is_part:
            deviation = float(posterior.deviations[place])
            nominal = posterior.model.value_of(place, 0.0)
            yield LearnedValue(
                place,
                one.part,
                one.label,
                (nominal, COVERAGE * one.size * (nominal if one.relative else 1.0)),
                *interval_of(posterior, place),
                is_determined=deviation <= DETERMINED,
                relative_uncertainty=COVERAGE * one.size * deviation if one.relative else None,
            )
    yield from _rises_of_loads(posterior)
    yield from time_constants(posterior.model.data)


_DAYS_DIFFER = 0.1
"""Relative standard uncertainty of a load's rise from one day to the next: place, air, what stands beside it (from
memory)."""
_RISE = ".temperature_rise"


def _is_of_circuit(one: LearnedValue) -> bool:
    """Return whether the logarithm of a value is estimated with the circuit, together with others."""
    return one.relative_uncertainty is not None and (one.place is not None or one.part.endswith(_RISE))


def _warmth_places(model: SupplyModel, part: str) -> list[int]:
    """Return the places of the unknowns, one a session, of how warm the bench file's own load gets at its rating."""
    return [
        place
        for place, one in enumerate(model.unknowns)
        if one.load is None and part.endswith(_RISE) and one.part == input_of_learned(part)
    ]


def _rises_of_loads(posterior: Estimate) -> Iterator[LearnedValue]:
    """Yield by how much each of the bench file's own loads warms at its rating: the mean of all sessions."""
    bench = posterior.model.data.bench
    for point, load in (("load", bench.load), ("load_2", bench.load_2)):
        part = point + _RISE
        places = _warmth_places(posterior.model, part)
        if not places or not isinstance(load, ResistorLoad) or load.power_rating is None:
            continue
        size, nominal = posterior.model.unknowns[places[0]].size, load_rise(load)
        direction = np.zeros(len(posterior.u))
        direction[places] = size / len(places)
        left = math.sqrt(float(direction @ posterior.covariance @ direction))
        value, deviation = nominal * math.exp(float(direction @ posterior.u)), math.hypot(left, _DAYS_DIFFER)
        yield LearnedValue(
            None,
            part,
            "warmth of the load" + (" of output 2" if point == "load_2" else ""),
            (nominal, COVERAGE * size * nominal),
            value,
            COVERAGE * deviation * value,
            is_determined=left <= DETERMINED * size,
            relative_uncertainty=COVERAGE * deviation,
        )


_WARM = {
    "diode": ("diode.temperature.case", "diode.temperature.junction"),
    "regulator": ("regulator.temperature.case", "regulator.temperature.junction"),
    "transformer": ("transformer.temperature",),
}
_USUAL_CONSTANTS = {"diode": 60.0, "regulator": 60.0, "transformer": TRANSFORMER_WARMS_IN}
_GIVEN_SIZE, _USUAL_SIZE = 0.35, 0.7
"""Standard uncertainty of the logarithm of a time constant that is given, or usual: a factor of 2 or 4 at k = 2 (from
memory: mounting and air decide it)."""


def time_constants(data: Data) -> Iterator[LearnedValue]:
    """Yield the time constant of each part whose temperature is seen to rise after the power came.

    It is the time in which 63 % of the rise are over, as a single time constant would have it; from what the sessions
    show of it and what is known before.
    """
    for section, quantities in _WARM.items():
        described = getattr(data.bench, section)
        if described is None:
            continue
        given = described.thermal_time_constant
        nominal, size = given or _USUAL_CONSTANTS[section], _GIVEN_SIZE if given else _USUAL_SIZE
        precision, pull, shown_by = 1.0 / size**2, 0.0, list[str]()
        for seen in data.constants:
            if seen.channel.quantity in quantities:
                precision += 1.0 / seen.deviation**2
                pull += math.log(seen.seconds / nominal) / seen.deviation**2
                shown_by.append(seen.channel.name)
        if shown_by:
            value, left = nominal * math.exp(pull / precision), precision**-0.5
            yield LearnedValue(
                None,
                f"{section}.thermal_time_constant",
                f"{section} time constant",
                (nominal, COVERAGE * size * nominal),
                value,
                COVERAGE * left * value,
                is_determined=left <= DETERMINED * size,
                relative_uncertainty=COVERAGE * left,
                shown_by=tuple(dict.fromkeys(shown_by)),
            )


def learned_file(fitted: Fitted, text: str, sessions: str) -> str:
    """Return the bench file `text` with the values of a fit; `sessions` is what they are from, in a few words.

    Its lines end with LF. Raises `tomlkit.exceptions.TOMLKitError` where the text is no TOML.
    """
    document: Any = tomlkit.parse(text.replace("\r\n", "\n"))
    found = [one for one in learned_values(fitted) if one.relative_uncertainty and one.part not in _NOT_WRITTEN]
    if any(one.part in _WINDINGS for one in found):
        for key in _RATED:
            document["transformer"].pop(key, None)
    if "forward" in document["diode"]:
        document["diode"].pop("forward")
        document["diode"]["emission_coefficient"] = round(
            fitted.posterior.model.nominal("diode.emission_coefficient"), 4
        )
    directions = {one.part: _direction(fitted, one) for one in found}
    if _holds_at_ambient(fitted):
        found = [_at_ambient(fitted, one, directions[one.part]) if one.part in _RESISTANCES else one for one in found]
        warm = f"{fitted.posterior.model.bench.ambient.temperature:g} °C"
        _put(document["transformer"], "resistance_temperature", warm, "learned: at which the resistances hold")
    entries = tomlkit.aot()
    written = [one for one in found if _set(document, fitted.posterior.model.bench, one)]
    for at, one in enumerate(written):
        others = [each for each in written[:at] if _is_of_circuit(one) and _is_of_circuit(each)]
        entries.append(_entry(one, sessions, list(_correlated(fitted, directions, one, others))))
    document.pop("learned", None)
    document.append("learned", entries)
    return tomlkit.dumps(document)


def _holds_at_ambient(fitted: Fitted) -> bool:
    """Return whether the resistances are written as they are at the ambient temperature of the bench file.

    That is where the file does not say at which temperature they hold. Readings then determine them there better than
    the resistances and their unknown warmth apart.
    """
    transformer = fitted.posterior.model.data.bench.transformer
    warmth = any(one.part == WINDING_WARMTH for one in fitted.posterior.model.unknowns)
    return warmth and transformer.resistance_temperature is None and transformer.rating is not None


def _direction(fitted: Fitted, one: LearnedValue) -> Floats:
    """Return by how much of the unknowns (k,) the logarithm of the value that is written changes."""
    unknowns = fitted.posterior.model.unknowns
    found = np.zeros(len(unknowns))
    if one.place is not None:
        found[one.place] = unknowns[one.place].size
    warmths = _warmth_places(fitted.posterior.model, one.part)
    for place in warmths:
        found[place] = unknowns[place].size / len(warmths)
    if one.part in _RESISTANCES and _holds_at_ambient(fitted):
        for place, unknown in enumerate(unknowns):
            if unknown.part == WINDING_WARMTH and unknown.from_session is None:
                # The warmth is a factor near one, and its size a part of one.
                found[place] = unknown.size
    return found


def _at_ambient(fitted: Fitted, one: LearnedValue, direction: Floats) -> LearnedValue:
    """Return a winding's resistance at the ambient temperature of the bench file."""
    posterior = fitted.posterior
    warmth = 1.0
    for place, unknown in enumerate(posterior.model.unknowns):
        if unknown.part == WINDING_WARMTH and unknown.from_session is None:
            warmth = posterior.model.value_of(place, float(posterior.u[place]))
    deviation = COVERAGE * math.sqrt(float(direction @ posterior.covariance @ direction))
    value = one.value * warmth
    return replace(one, value=value, uncertainty=value * deviation, relative_uncertainty=deviation)


def _correlated(
    fitted: Fitted, directions: Mapping[str, Floats], one: LearnedValue, others: Sequence[LearnedValue]
) -> Iterator[list[Any]]:
    """Yield the parts of `others` with which a part is correlated, each with the coefficient."""
    covariance, mine = fitted.posterior.covariance, directions[one.part]
    for other in others:
        its = directions[other.part]
        # What differs from day to day is in the uncertainty of a load's rise, and not in what it has with others.
        both = (one.relative_uncertainty or 0.0) * (other.relative_uncertainty or 0.0) / COVERAGE**2
        coefficient = float(mine @ covariance @ its) / both
        if abs(coefficient) >= _CORRELATED:
            yield [other.part, round(min(_MOST_CORRELATED, max(-_MOST_CORRELATED, coefficient)), 3)]


def _entry(one: LearnedValue, sessions: str, correlated: Sequence[list[Any]]) -> Any:
    entry = tomlkit.table()
    entry["part"] = one.part
    entry["uncertainty"] = f"{100.0 * (one.relative_uncertainty or 0.0):.3g} %"
    entry["determined"] = one.is_determined
    entry["learned_from"] = sessions
    if correlated:
        entry["correlated"] = correlated
    return entry


def _set(document: Any, bench: Bench, one: LearnedValue) -> bool:
    """Set a part's value where a file of this bench has a key for it; return whether it has."""
    section, _, key = one.part.partition(".")
    words = f"learned: {with_uncertainty(one.value, one.uncertainty, one.unit)}"
    words += "" if one.is_determined else ", hardly determined"
    first = section.removesuffix("_2")
    if section != first and section not in document and first in document:
        # What was like the first output's has values of its own from now on.
        document[section] = copy.deepcopy(document[first])
    if first == "filter":
        place, _, key = key.partition(".")
        return _put(document[section][int(place)], key, _text(one), words)
    if one.part in _CORE:
        return _scale_core(document["transformer"], one, words)
    if first == "regulator" and key == "ripple_passed":
        return _put(document[section], "ripple_rejection", f"{-20.0 * math.log10(one.value):.2f} dB", words)
    if section not in document or key not in type(getattr(bench, section)).model_fields:
        return False
    return _put(document[section], key, _text(one), words)


def _text(one: LearnedValue) -> str:
    return format_value(one.value, one.unit, _DIGITS)


def _put(table: Any, key: str, value: str, words: str) -> bool:
    item = tomlkit.item(value)
    before = table.get(key)
    comment = before.trivia.comment.lstrip("# ") if before is not None and hasattr(before, "trivia") else ""
    table[key] = item
    table[key].comment(f"{words}; {comment}" if comment and not comment.startswith("learned:") else words)
    return True


def _scale_core(transformer: Any, one: LearnedValue, words: str) -> bool:
    """Set the core's current or loss: in every measured point, or as one value."""
    column = 1 + _CORE.index(one.part)
    if "no_load" not in transformer:
        return _put(transformer, ("no_load_current", "no_load_loss")[column - 1], _text(one), words)
    kind, unit = ((CURRENT, "A"), (POWER, "W"))[column - 1]
    for point in transformer["no_load"]:
        point[column] = format_value(parse_value(point[column], kind) * one.value / one.prior[0], unit, _DIGITS)
    return True
