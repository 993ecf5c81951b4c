"""Choose a part from the series in which it is sold: a reservoir for a ripple, a fuse that survives switch-on.

Every candidate is judged by the engine with the tolerances and conditions of the bench, not by a rule of thumb.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

from benchmon.bench import Bench, Capacitor, Fuse
from benchmon.errors import BadInput, PredictionError
from benchmon.prediction.predict import predict
from benchmon.prediction.ratings.margins import fuse_heating, gate_i2t
from benchmon.prediction.ratings.worst_case import WorstCase, worst_case_of
from benchmon.quantities import Expected
from benchmon.standards import E_SERIES, FUSE_RATINGS, FUSE_SPARE

SeriesName = Literal["E6", "E12"]
FuseSpeed = Literal["fast", "time-lag"]

_DECADES = range(-6, 0)
"""Powers of ten of the capacitors tried: 1 µF to 0.68 F or 0.82 F."""

_SHOWN = ("output.voltage.mean", "reservoir.current.rms", "diode.current.peak", "mains.power_factor")


@dataclass(frozen=True)
class CapacitorChoice:
    """A candidate for the reservoir, farads, the ripple with it, and what else it changes, by quantity.

    `ripple` is None where nothing can be predicted with it. `suffices` is whether the ripple and its uncertainty stay
    within what is allowed.
    """

    capacitance: float
    ripple: Expected | None
    others: Mapping[str, Expected]
    suffices: bool


@dataclass(frozen=True)
class ReservoirChoice:
    """The `chosen` candidate, None where none suffices, and its neighbours with it, rising.

    `quantity` is the ripple that was asked for, `allowed` volts of it.
    """

    quantity: str
    allowed: float
    chosen: CapacitorChoice | None
    candidates: tuple[CapacitorChoice, ...]


def choose_reservoir(bench: Bench, allowed: float, series: SeriesName = "E12") -> ReservoirChoice:
    """Return the smallest first capacitor of a series with which the ripple stays within `allowed` volts, ± included.

    The ripple is that of the output, with a regulator that of the reservoir. Raises `BadInput` where the bench has no
    capacitor.
    """
    if bench.reservoir is None:
        raise BadInput(f"{bench.origin}: has no [[filter]] that is a capacitor, so none can be chosen")
    quantity = "output.voltage.ripple" if bench.regulator is None else "reservoir.voltage.ripple"
    values = [float(f"{step}e{decade}") for decade in _DECADES for step in E_SERIES[series]]
    known: dict[int, CapacitorChoice] = {}

    def candidate(at: int) -> CapacitorChoice:
        if at not in known:
            known[at] = _with_capacitor(bench, values[at], quantity, allowed)
        return known[at]

    # The ripple falls with the capacitance, so the first that suffices is found by halving.
    low, high = 0, len(values)
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if candidate(middle).suffices else (middle + 1, high)
    if low == len(values):
        return ReservoirChoice(quantity, allowed, None, (candidate(low - 1),))
    beside = tuple(candidate(at) for at in (low - 1, low, low + 1) if 0 <= at < len(values))
    return ReservoirChoice(quantity, allowed, candidate(low), beside)


def _with_capacitor(bench: Bench, farads: float, quantity: str, allowed: float) -> CapacitorChoice:
    at = next(index for index, part in enumerate(bench.filter) if isinstance(part, Capacitor))
    parts = list(bench.filter)
    parts[at] = parts[at].model_copy(update={"capacitance": farads})
    try:
        found = predict(bench.model_copy(update={"filter": tuple(parts)})).quantities
    except PredictionError:
        return CapacitorChoice(farads, None, {}, suffices=False)
    ripple = found[quantity]
    most = ripple.value + ripple.reaches[1]
    others = {name: found[name] for name in _SHOWN if name in found}
    return CapacitorChoice(farads, ripple, others, suffices=most <= allowed)


@dataclass(frozen=True)
class FuseChoice:
    """A fuse of a `rating` in A and a `speed`, judged for the primary circuit.

    `surge` is the I²t, A²s, that charging the reservoirs puts through it, and `withstands` the least that IEC 60127-2
    has it survive, None where the surge is beyond its gates. `carries` is whether it carries the steady current, and
    `withstands_core` whether it also survives the upper bound of the core's inrush.
    """

    rating: float
    speed: FuseSpeed
    surge: float
    withstands: float | None
    carries: bool
    withstands_core: bool

    @property
    def suffices(self) -> bool:
        """Whether it carries the current and survives the reservoirs' charge."""
        return self.carries and self.withstands is not None and self.surge <= self.withstands


@dataclass(frozen=True)
class PrimaryFuseChoice:
    """The smallest fuse of each speed that suffices, None where there is none, and all that were judged.

    `current` is the largest rms current of the primary with load, A, `rated` that of the transformer's rating, None
    without one, and `core_i2t` the upper bound of the core's inrush, A²s, None where nothing bounds it.
    """

    current: float
    rated: float | None
    core_i2t: float | None
    chosen: Mapping[FuseSpeed, FuseChoice | None]
    candidates: tuple[FuseChoice, ...]


def choose_fuse(bench: Bench) -> PrimaryFuseChoice:
    """Return the smallest fuses to IEC 60127-2 that carry the primary's current and survive switch-on.

    Raises `PredictionError` if the circuit cannot be solved.
    """
    worst_case = worst_case_of(bench.model_copy(update={"fuse": None}))
    speeds: tuple[FuseSpeed, ...] = ("time-lag", "fast")
    candidates = tuple(_judged(worst_case, rating, speed) for speed in speeds for rating in FUSE_RATINGS)
    chosen = {
        speed: next((each for each in candidates if each.speed == speed and each.suffices), None) for speed in speeds
    }
    rating = bench.transformer.rating
    rated = None if rating is None else rating / bench.transformer.primary_voltage
    current = worst_case.largest("mains.current.rms")
    return PrimaryFuseChoice(current, rated, worst_case.core.i2t, chosen, candidates)


def _judged(worst_case: WorstCase, rating: float, speed: FuseSpeed) -> FuseChoice:
    fuse = Fuse(rating=rating, speed=speed)
    with_it = replace(worst_case, bench=worst_case.bench.model_copy(update={"fuse": fuse}))
    least, core = gate_i2t(fuse, worst_case.surge.line_peak), worst_case.core.i2t
    return FuseChoice(
        rating,
        speed,
        fuse_heating(with_it),
        least,
        carries=worst_case.largest("mains.current.rms") * FUSE_SPARE <= rating,
        withstands_core=core is not None and least is not None and core <= least,
    )
