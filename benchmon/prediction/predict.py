"""Predict a bench: expected value and expanded uncertainty of every quantity, harmonics and waveforms.

The nominal circuit is solved first, then one variant for each input moved by a part of its standard uncertainty; the
differences are the sensitivities (first-order propagation, JCGM 100:2008, 5.1).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Literal

import numpy as np

from benchmon.bench import Bench, CurrentLoad, Load, OpenLoad, ResistorLoad, SetLoad, TwoLoads, first_of
from benchmon.errors import PredictionError
from benchmon.findings import Finding, FindingKind, findings_of_readings
from benchmon.prediction.circuit.leakage import LEAKAGE, effects_of_leakage
from benchmon.prediction.circuit.meter_response import MeterResponse
from benchmon.prediction.circuit.parts import Parts, parts_of
from benchmon.prediction.circuit.trace_measures import Harmonics
from benchmon.prediction.circuit.traces import choke_rests, largest_flux, least_choke_current
from benchmon.prediction.direct_mains import DIRECT, effects_of_direct_volts
from benchmon.prediction.draws import Nominal
from benchmon.prediction.mains_shape import ShapeSensitivities
from benchmon.prediction.monte_carlo import draw_around
from benchmon.prediction.result import Prediction, Waveforms
from benchmon.prediction.solved import STEP, SolvedQuantities, estimates_of, solve, varied_parts
from benchmon.prediction.thermal.equilibrium import ThermalEquilibrium
from benchmon.prediction.uncertainty import (
    APART,
    InputUncertainty,
    Shares,
    effects_of_difference,
    farthest_apart,
    input_uncertainties_of,
    model_uncertainty,
    not_given_in,
    shares_of,
    with_contribution,
    within_bounds,
)
from benchmon.prediction.winding_temperature import copper_sensitivities, copper_slopes
from benchmon.quantities import REGULATOR_TEMPERATURES, UNITS, Expected, at_second_output
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE
from benchmon.standards import LOAD_WARMS_IN, TRANSFORMER_WARMS_IN

_NOTABLE_REST = 0.02
"""Part of the time without current from which a choke counts as discontinuous."""

SATURATED = 1.25
"""Flux relative to that at rated voltage from which the core counts as saturated: 1.9 T in a core for 1.5 T."""


def predict(
    bench: Bench,
    *,
    mains_voltage: float | None = None,
    ambient: float | None = None,
    load: SetLoad = None,
) -> Prediction:
    """Return the settled reading expected of every meter on `bench`.

    `mains_voltage` (V rms) is a measured mains: it replaces the voltage of the bench, and the mains tolerance then does
    not add to the uncertainty. `ambient` is in °C; `load` is another load resistance in ohms, or "open", or
    `TwoLoads`. Raises `PredictionError` if the circuit cannot be solved.
    """
    bench = with_load(bench, load)
    parts = _at(parts_of(bench), mains_voltage, ambient)
    found = predict_parts(bench, parts, mains_is_measured=mains_voltage is not None)[0]
    return replace(found, quantities={name: within_bounds(name, entry) for name, entry in found.quantities.items()})


def predict_parts(
    bench: Bench, parts: Parts, *, mains_is_measured: bool, initial_guess: ThermalEquilibrium | None = None
) -> tuple[Prediction, ThermalEquilibrium]:
    """Return the prediction of a bench with the values in `parts` (b = 1), and the solved state.

    Intervals are those of first-order propagation, so that a measurement can narrow them: see `within_bounds`.
    `initial_guess` is a solved state to start from. Raises `PredictionError` if the circuit cannot be solved.
    """
    inputs = input_uncertainties_of(bench, parts, mains_is_measured=mains_is_measured)
    nominal = solve(bench, parts, initial_guess=initial_guess)
    moved, shift = varied_parts(parts, nominal.equilibrium, inputs)
    varied = solve(bench, moved, shift, initial_guess=nominal.equilibrium)
    expected, contributions = {}, {}
    all_changes: dict[str | MeterResponse, Floats] = {}
    labels = [entry.label for entry in inputs]
    for name, value in nominal.quantities.items():
        changes = (varied.quantities[name] - value[0]) / STEP
        model = model_uncertainty(name, float(value[0]))
        expected[name] = Expected(float(value[0]), _expanded(changes, model), UNITS[name])
        contributions[name] = shares_of(labels, changes, model)
        all_changes[name] = changes
    by_meter: dict[MeterResponse, Expected] = {}
    for response, value in nominal.by_meter.items():
        name = response.quantity
        changes = (varied.by_meter[response] - value[0]) / STEP
        by_meter[response] = Expected(
            float(value[0]), _expanded(changes, model_uncertainty(name, float(value[0]))), UNITS[name]
        )
        all_changes[response] = changes
    _allow_for_estimates(expected, contributions, estimates_of(bench))
    _allow_for_difference(expected, contributions, farthest_apart(bench))
    _allow_for_direct_volts(expected, contributions, bench, nominal.equilibrium)
    _allow_for_leakage(expected, contributions, bench)
    if bench.mains.harmonics is None:
        expected["mains.voltage.thd"] = _usual_distortion(expected["mains.voltage.thd"], inputs)
    expected |= with_drawn_limits(Nominal(bench, inputs, nominal, varied, shift), expected)
    prediction = Prediction(
        mains_voltage=float(parts["mains.voltage"][0]),
        mains_frequency=float(parts["mains.frequency"][0]),
        ambient=float(parts["ambient.temperature"][0]),
        quantities={name: expected[name] for name in UNITS if name in expected},
        harmonics={"mains.current": _sizes(nominal.harmonics[0])},
        waveforms=_waveforms(nominal.equilibrium, float(parts["mains.frequency"][0])),
        warm_up=_warm_up(bench),
        contributions=contributions,
        unspecified={name: found for name, shares in contributions.items() if (found := not_given_in(shares))},
        shape=_shape(bench, inputs, all_changes),
        copper=copper_sensitivities(bench, inputs, STEP, (nominal.equilibrium, varied.equilibrium), all_changes),
        warming=copper_slopes(bench, inputs, STEP, (nominal.equilibrium, varied.equilibrium), all_changes),
        findings=tuple(findings_of(bench, expected, nominal)),
        by_meter=by_meter,
    )
    return prediction, nominal.equilibrium


def findings_of(bench: Bench, expected: Mapping[str, Expected], solved: SolvedQuantities) -> list[Finding]:
    """Return what the expected readings and the solved circuit (its first variant) show besides."""
    found, state = findings_of_readings(bench, expected), solved.equilibrium.state
    rests, flux = choke_rests(state), largest_flux(state)
    # Behind a single diode a choke's current rests in every period, whatever the load is.
    if rests is not None and rests[0] > _NOTABLE_REST and bench.rectifier.topology.repeats_after_half:
        found.append(Finding(FindingKind.CHOKE_DISCONTINUOUS, float(rests[0]), 0.0, ""))
    if flux is not None and flux[0] > SATURATED:
        found.append(Finding(FindingKind.CORE_SATURATED, float(flux[0]), SATURATED, ""))
    return found


def with_load(bench: Bench, load: SetLoad) -> Bench:
    """Return the bench with another load: ohms, "open", or a constant current; or with one for each output."""
    first, changes = first_of(load), dict[str, Load]()
    if first is not None:
        changes["load"] = _as_part(first, bench.load)
    if isinstance(load, TwoLoads):
        changes["load_2"] = _as_part(load.second, bench.load if bench.load_2 is None else bench.load_2)
    return bench.model_copy(update=changes) if changes else bench


def _as_part(load: float | Literal["open"] | CurrentLoad, instead_of: Load) -> Load:
    """Return a load as a part of a bench; a resistor may turn as much into heat as the one that it is instead of."""
    if isinstance(load, CurrentLoad):
        return load
    if load == "open":
        return OpenLoad(kind="open")
    rating = instead_of.power_rating if isinstance(instead_of, ResistorLoad) else None
    return ResistorLoad(kind="resistor", resistance=load, power_rating=rating)


def at_step(bench: Bench, load: SetLoad, mains: float | None) -> Bench:
    """Return the bench as a step of its plan wants it: with another load, and another mains voltage (V rms) to keep."""
    mains_there = bench.mains if mains is None else bench.mains.model_copy(update={"voltage": mains})
    return with_load(bench.model_copy(update={"mains": mains_there}), load)


def _at(parts: Parts, mains_voltage: float | None, ambient: float | None) -> Parts:
    changes: dict[str, Floats] = {}
    if mains_voltage is not None:
        changes["mains.voltage"] = np.array([mains_voltage])
    if ambient is not None:
        changes["ambient.temperature"] = np.array([ambient])
    return parts.replaced(changes)


def _expanded(changes: Floats, model: float) -> float:
    """Return the expanded uncertainty by first-order propagation (JCGM 100:2008, 5.1), k = 2."""
    return COVERAGE * float(np.sqrt(np.sum(changes**2) + model**2))


def _allow_for_estimates(
    expected: dict[str, Expected], contributions: dict[str, Shares], estimates: Mapping[str, tuple[float, str]]
) -> None:
    """Widen the uncertainty of temperatures estimated from usual values, in proportion to their rise."""
    ambient = expected["ambient.temperature"].value
    for name, (relative, label) in estimates.items():
        if name in expected:
            _widen(expected, contributions, name, COVERAGE * relative * (expected[name].value - ambient), label)


def _allow_for_difference(expected: dict[str, Expected], contributions: dict[str, Shares], apart: float) -> None:
    """Widen what two unequal capacitors change, whose half relative difference is at most `apart`.

    Every difference within the tolerance lies inside, not only nineteen of twenty: two capacitors of a lot may well be
    at opposite limits of what a bench file states.
    """
    if apart == 0.0:
        return
    levels = {name: found.value for name, found in expected.items()}
    for name, (part, of) in effects_of_difference(apart).items():
        _widen(expected, contributions, name, abs(float(part) * levels[of]), APART)


def _allow_for_direct_volts(
    expected: dict[str, Expected], contributions: dict[str, Shares], bench: Bench, equilibrium: ThermalEquilibrium
) -> None:
    """Widen what a usual direct voltage of the mains changes."""
    levels = {name: found.value for name, found in expected.items()}
    for name, own in effects_of_direct_volts(bench, equilibrium, levels).items():
        _widen(expected, contributions, name, own, DIRECT)


def _allow_for_leakage(expected: dict[str, Expected], contributions: dict[str, Shares], bench: Bench) -> None:
    """Widen what leakage takes from a reservoir without a load, by as much as data sheets allow."""
    levels = {name: found.value for name, found in expected.items()}
    for name, drop in effects_of_leakage(bench, levels).items():
        _widen(expected, contributions, name, drop, LEAKAGE)


def _widen(expected: dict[str, Expected], contributions: dict[str, Shares], name: str, own: float, label: str) -> None:
    """Add a contribution of expanded uncertainty `own`, named `label`, to what is expected of a quantity."""
    found = expected[name]
    combined = math.hypot(found.uncertainty, own)
    expected[name] = replace(found, uncertainty=combined)
    share = (own / combined) ** 2 if combined > 0.0 else 0.0
    contributions[name] = with_contribution(contributions[name], label, share)


def _shape(
    bench: Bench, inputs: list[InputUncertainty], changes: Mapping[str | MeterResponse, Floats]
) -> ShapeSensitivities | None:
    """Return how quantities depend on the harmonics of the mains, from their `changes` with every input (k,)."""
    rows = [row for row, entry in enumerate(inputs) if entry.part.startswith("mains.harmonic.")]
    if not rows:
        return None
    distortion = math.sqrt(sum(inputs[row].size ** 2 for row in rows))
    moves = {name: value[rows] for name, value in changes.items()}
    return ShapeSensitivities(distortion, bench.mains.harmonics is not None, moves)


_DISTORTIONS_DIFFER = 0.45
"""Standard deviation of the distortion of mains from place to place, as a part of its root mean square."""


def _usual_distortion(found: Expected, inputs: list[InputUncertainty]) -> Expected:
    """Return the distortion of a mains whose harmonics are not given: as large as their allowances together.

    First-order propagation gives the distortion of a sine, which is none, although no mains has none.
    """
    variance = sum(entry.size**2 for entry in inputs if entry.part.startswith("mains.harmonic."))
    value = math.sqrt(found.value**2 + variance)
    return Expected(value, COVERAGE * _DISTORTIONS_DIFFER * value, found.unit)


def _sizes(harmonics: Harmonics) -> list[tuple[int, float]]:
    return [(order, float(size)) for order, size in enumerate(np.abs(harmonics), 1)]


def _waveforms(equilibrium: ThermalEquilibrium, frequency: float) -> Waveforms:
    time = equilibrium.traces.angle / (2.0 * np.pi * frequency)
    return Waveforms(time, {name: trace[0] for name, trace in equilibrium.traces.values.items()})


def _warm_up(bench: Bench) -> dict[str, float]:
    constants: dict[str, float] = {}
    if bench.diode.thermal_time_constant is not None:
        constants["diode.temperature.junction"] = bench.diode.thermal_time_constant
        constants["diode.temperature.case"] = bench.diode.thermal_time_constant
    for place, regulator in enumerate((bench.regulator, bench.second_regulator)):
        if regulator is not None and regulator.thermal_time_constant is not None:
            names = [at_second_output(name) or name if place else name for name in REGULATOR_TEMPERATURES]
            constants |= dict.fromkeys(names, regulator.thermal_time_constant)
    if bench.ntc is not None:
        constants["ntc.temperature"] = bench.ntc.time_constant
    windings = bench.transformer.thermal_time_constant or TRANSFORMER_WARMS_IN
    loads = {"load.temperature": LOAD_WARMS_IN, "load_2.temperature": LOAD_WARMS_IN}
    return constants | loads | {"transformer.temperature": windings}


_DRAWS = 240

_WIDER = 1.25
"""How many times as far as the first-order uncertainty a drawn limit lies, from which it takes its place."""

_BRIEF_REST = 0.15
"""Part of the time without current up to which a choke is near the corner at which its current becomes continuous."""

_NOT_DRAWN = "mains.voltage.thd"
"""What is expected of it is no nominal value, but what is usual."""


def with_drawn_limits(nominal: Nominal, expected: Mapping[str, Expected]) -> dict[str, Expected]:
    """Return the expected values whose limits come from draws, since a corner lies within the tolerances.

    It is empty where there is no such corner, or where a drawn circuit cannot be solved.
    """
    if not (_headroom_may_end(nominal, expected) or _choke_may_rest(nominal)):
        return {}
    try:
        drawn = draw_around(nominal, _DRAWS)
    except PredictionError:
        return {}
    found: dict[str, Expected] = {}
    for name, entry in expected.items():
        low, high = (float(limit) for limit in np.quantile(drawn[name], [0.025, 0.975]))
        low, high = min(low, entry.value), max(high, entry.value)
        farther = max(high - entry.value, entry.value - low)
        if name != _NOT_DRAWN and farther > _WIDER * entry.uncertainty:
            found[name] = replace(entry, uncertainty=farther, low=low, high=high)
    return found


def _headroom_may_end(nominal: Nominal, expected: Mapping[str, Expected]) -> bool:
    """Return whether some supplies within the tolerances regulate, and some do not."""
    regulator, headroom = nominal.bench.regulator, expected.get("regulator.voltage.headroom")
    if regulator is None or headroom is None:
        return False
    peak = expected["output.voltage.peak"]
    dropout = COVERAGE * sum(entry.size for entry in nominal.inputs if entry.part == "regulator.dropout")
    reach = np.hypot(headroom.uncertainty, dropout * regulator.dropout)
    may_end = headroom.value - regulator.dropout < reach
    return bool(may_end) and peak.value + peak.uncertainty >= regulator.output_voltage


def _choke_may_rest(nominal: Nominal) -> bool:
    """Return whether the current of a choke at the input ceases in some supplies within the tolerances, not in all."""
    state, moved = nominal.solved.equilibrium.state, nominal.moved.equilibrium.state
    rests, least, others = choke_rests(state), least_choke_current(state), least_choke_current(moved)
    if rests is None or least is None or others is None:
        return False
    if rests[0] > 0.0:
        return bool(rests[0] < _BRIEF_REST)
    return bool(least[0] < COVERAGE * np.sqrt(np.sum(((others - least[0]) / STEP) ** 2)))
