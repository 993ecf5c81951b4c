"""Monte Carlo propagation of distributions (JCGM 101:2008), which also covers what first-order propagation misses.

`draws` solves the circuits; here inputs are drawn, and values counted.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.draws import Nominal, nominal_and_moved, solve_draws
from benchmon.prediction.solved import estimates_of, solve
from benchmon.prediction.uncertainty import (
    MODEL_FLOOR,
    InputUncertainty,
    effects_of_difference,
    farthest_apart,
    floor_of,
    input_uncertainties_of,
)
from benchmon.quantities import UNITS
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE

_PARTS = 48
"""Parts of a distribution in which draws are counted."""


@dataclass(frozen=True, slots=True)
class Distribution:
    """The distribution of a quantity: mean, standard deviation, and the probabilistically symmetric 95 % interval.

    `counts` are the draws in equal parts of the range from `least` to `greatest`, which holds 998 of 1000; the first
    and the last part count those beyond as well. They are () where nothing was counted.
    """

    mean: float
    deviation: float
    low: float
    high: float
    unit: str
    least: float = math.nan
    greatest: float = math.nan
    counts: tuple[int, ...] = ()


@dataclass(frozen=True)
class MonteCarlo:
    """The distribution of every quantity. `values` maps a quantity to its draws, (draws,).

    `solved_in_full` counts the draws for which the fast method was not accurate enough.
    """

    quantities: dict[str, Distribution]
    values: dict[str, Floats]
    solved_in_full: int


def monte_carlo(
    bench: Bench,
    draws: int = 10_000,
    *,
    mains_voltage: float | None = None,
    seed: int = 1,
    fast: bool = True,
    progress: Callable[[float], object] = lambda _: None,
) -> MonteCarlo:
    """Return the distribution of every predicted quantity of `bench` over `draws` draws of its uncertain inputs.

    Tolerances of mains and capacitors have rectangular distributions; all other inputs are normal, or log-normal if
    their uncertainty is relative. `mains_voltage` (V rms) is a measured mains, which is not drawn. The same `seed`
    gives the same draws. Without `fast` every draw is solved in full. `progress` is called with the fraction done; an
    exception that it raises ends the calculation. Raises `PredictionError` if the circuit of a draw cannot be solved.
    """
    parts = parts_of(bench)
    if mains_voltage is not None:
        parts = parts.replaced({"mains.voltage": np.array([mains_voltage])})
    inputs = input_uncertainties_of(bench, parts, mains_is_measured=mains_voltage is not None)
    random = np.random.default_rng(seed)
    deviates = deviates_of(random, inputs, max(draws, 2))
    nominal = nominal_and_moved(bench, inputs, solve(bench, parts))
    values, in_full = solve_draws(nominal, deviates, fast=fast, progress=progress)
    _add_difference(random, values, farthest_apart(bench))
    _add_model_uncertainty(random, values, estimates_of(bench))
    distributions = {name: distribution_of(value, UNITS[name]) for name, value in values.items()}
    return MonteCarlo(distributions, values, in_full)


def draw_around(nominal: Nominal, draws: int) -> dict[str, Floats]:
    """Return `draws` values, (draws,), of every quantity around a `nominal` solution; always the same ones.

    Raises `PredictionError` if the circuit of a draw cannot be solved.
    """
    random = np.random.default_rng(1)
    nominal = nominal_and_moved(nominal.bench, nominal.inputs, nominal.solved)
    values, _ = solve_draws(nominal, deviates_of(random, nominal.inputs, draws))
    _add_difference(random, values, farthest_apart(nominal.bench))
    _add_model_uncertainty(random, values, estimates_of(nominal.bench))
    return values


def distribution_of(values: Floats, unit: str) -> Distribution:
    """Return the distribution of `values` (draws,), in `unit`."""
    least, low, high, greatest = (float(each) for each in np.quantile(values, [0.001, 0.025, 0.975, 0.999]))
    counts, _ = np.histogram(np.clip(values, least, greatest), _PARTS, (least, greatest))
    mean, deviation = float(np.mean(values)), float(np.std(values, ddof=1))
    return Distribution(mean, deviation, low, high, unit, least, greatest, tuple(counts.tolist()))


def deviates_of(random: np.random.Generator, inputs: list[InputUncertainty], draws: int) -> Floats:
    """Return deviates of mean 0 and standard deviation 1, (draws, k); a tolerance with a narrower side has less."""
    found = random.standard_normal((draws, len(inputs)))
    for column, entry in enumerate(inputs):
        if entry.rectangular:
            found[:, column] = random.uniform(-np.sqrt(3.0) * entry.below, np.sqrt(3.0) * entry.above, draws)
    return found


def _add_difference(random: np.random.Generator, values: dict[str, Floats], apart: float) -> None:
    """Add what a doubler's two capacitors do that are not equal; half their difference is at most `apart`."""
    if apart == 0.0:
        return
    # The difference of two rectangular distributions is triangular.
    half = random.triangular(-apart, 0.0, apart, len(values["output.voltage.ripple"]))
    added = {name: part * values[of] for name, (part, of) in effects_of_difference(half).items()}
    for name, more in added.items():
        values[name] = values[name] + more


def _add_model_uncertainty(
    random: np.random.Generator, values: dict[str, Floats], estimates: Mapping[str, tuple[float, str]]
) -> None:
    """Add the uncertainty of the model itself, as first-order propagation does."""
    for name, (relative, _) in estimates.items():
        if name in values:
            rise = values[name] - values["ambient.temperature"]
            values[name] = values[name] + relative * rise * random.standard_normal(len(rise))
    for name, value in values.items():
        floor = floor_of(name) / COVERAGE
        values[name] = value + np.hypot(MODEL_FLOOR * value, floor) * random.standard_normal(len(value))
