"""The likelihood of readings under a hypothesis: one density of all channels together, many hypotheses at once.

A hypothesis has what every channel would read if it were true, with shared and own uncertainties.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Channel
from benchmon.signals.arrays import Floats
from benchmon.watch.diagnosis.meter_values import MeterValue

_ANYTHING = 0.5
"""A channel that may read anything is off by about this part of what it should read."""

_ANY_RATIO = 0.15
"""By which a power factor, a distortion or a crest factor is off then besides: it may have been next to nothing."""

_LEAST_ERROR = 0.02
_SMALLEST = 1e-24

_DISCREPANCY: Mapping[str, tuple[float, float]] = {
    "mains.voltage.rms": (0.0, 0.0),
    "mains.current.rms": (0.01, 0.0),
    "mains.power.active": (0.01, 0.0),
    "mains.power_factor": (0.0, 0.008),
    "mains.displacement_factor": (0.0, 0.008),
    "mains.current.thd": (0.02, 0.02),
    "mains.current.crest_factor": (0.03, 0.0),
}
_DISCREPANCY_BY_MEASURE: Mapping[str, tuple[float, float]] = {
    "mean": (0.003, 0.0),
    "rms": (0.008, 0.0),
    "ac_rms": (0.03, 0.0),
    "ripple": (0.03, 0.0),
    "peak": (0.03, 0.0),
    "case": (0.02, 1.0),
    "junction": (0.02, 1.0),
}
"""What any model of a supply may miss of a quantity beside its inputs (k = 1): a part of it, and an amount in its unit.

From memory: wave shapes depend on strays that no bench file holds, means hardly.
"""

TAILS = 30.0
"""Degrees of freedom of the t-distribution of readings: how well allowances and accuracies themselves are known."""


@dataclass(frozen=True, slots=True)
class Observation:
    """What a channel reads, settled, in its quantity's unit; ±inf is overload.

    Where `value` is foreseen and not read, `doubt` is its expanded uncertainty beyond the meter's, and `read` what the
    channel reads now.
    """

    channel: Channel
    value: float
    doubt: float = 0.0
    read: float | None = None


def log_likelihoods(
    usable: Sequence[Observation],
    causes: Sequence[Mapping[str, MeterValue]],
    expected: Mapping[str, MeterValue],
    left_out: NDArray[np.bool_] | None = None,
    width: float = 1.0,
) -> Floats:
    """Return the logarithm of the density of all of `usable` (n finite readings) under each of `causes`, (h,).

    A cause says what channels read, by name, with the uncertainties that they share; one that it leaves out may read
    anything, as may those that are `left_out` (h, n). `expected` is what each reads where nothing is wrong. All
    deviations are `width` times as wide.
    """
    values, left, shared = _values_of_causes(usable, causes, expected, left_out)
    readings, doubts = (
        np.array(column) for column in zip(*((one.value, one.doubt / 2.0) for one in usable), strict=True)
    )
    relative = np.array([one.channel.accuracy.relative for one in usable])
    absolute = np.array([one.channel.accuracy.absolute for one in usable])
    right = np.array([expected[one.channel.name].value for one in usable])
    anything = np.isnan(left)
    of_right = relative * np.abs(right) + absolute
    # A meter that is only specified in per cent still does not show zero without any error.
    accuracy = np.maximum(relative * np.abs(values) + absolute, _LEAST_ERROR * of_right) / 2.0
    parts, amounts = (np.array(column) for column in zip(*map(missed_by_a_model, usable), strict=True))
    own = accuracy**2 + left**2 + (parts * values) ** 2 + amounts**2 + _SMALLEST
    ratio = np.array([_ANY_RATIO if one.channel.unit == "" else 0.0 for one in usable])
    own = np.where(anything, (_ANYTHING * np.abs(right) + 3.0 * of_right + ratio) ** 2, own)
    return _log_t(readings - values, (own + doubts**2) * width**2, shared * width)


def missed_by_a_model(one: Observation) -> tuple[float, float]:
    """Return what a model may miss of a reading: a part of it, and an amount in its unit."""
    quantity = one.channel.quantity
    found = _DISCREPANCY.get(quantity) or _DISCREPANCY_BY_MEASURE.get(quantity.rpartition(".")[2])
    return found or (0.01, 0.0)


def _values_of_causes(
    usable: Sequence[Observation],
    causes: Sequence[Mapping[str, MeterValue]],
    expected: Mapping[str, MeterValue],
    left_out: NDArray[np.bool_] | None,
) -> tuple[Floats, Floats, Floats]:
    """Return what each cause says of each reading: values (h, n), own deviations (h, n), shared moves (h, n, k).

    Of a channel that may read anything the own deviation is NaN, and the value the expected one.
    """
    names = [one.channel.name for one in usable]
    right = [expected[name].value for name in names]
    # Causes come more than once, and most share most of their values: each is looked into once.
    each = {id(cause): cause for cause in causes}
    known: dict[int, int] = {}
    distinct: list[MeterValue] = []
    places = []
    for reading in (cause.get(name) for cause in each.values() for name in names):
        place = -1 if reading is None else known.get(id(reading))
        if place is None:
            known[id(reading)] = place = len(distinct)
            distinct += [] if reading is None else [reading]
        places.append(place)
    rows = {cause: row for row, cause in enumerate(each)}
    which = np.array(places, int).reshape(len(each), len(names))[[rows[id(cause)] for cause in causes]]
    if left_out is not None:
        which = np.where(left_out, -1, which)
    moves = np.zeros((len(distinct) + 1, max((len(one.moves) for one in distinct), default=0)))
    for row, one in zip(moves, distinct, strict=False):
        row[: len(one.moves)] = one.moves
    values = np.array([*(one.value for one in distinct), 0.0])[which]
    own = np.array([*(one.own for one in distinct), np.nan])[which]
    return np.where(which < 0, right, values), own, moves[which]


def _log_t(rest: Floats, own: Floats, shared: Floats) -> Floats:
    """Return the log density of each row of `rest` (h, n) with scale diag(own) + shared·sharedᵀ, (h,).

    It is the multivariate t-distribution, up to a constant that all rows share: all accuracies and allowances may be
    too narrow by one common factor. Scaled by the own deviations (h, n), so that channels of very different size stay
    in range; `shared` is (h, n, k).
    """
    sizes, count = np.sqrt(own), rest.shape[1]
    scaled = shared / sizes[:, :, None]
    factors = np.linalg.cholesky(np.eye(count) + scaled @ scaled.transpose(0, 2, 1))
    inside = np.linalg.solve(factors, (rest / sizes)[:, :, None])[:, :, 0]
    diagonals = np.diagonal(factors, axis1=1, axis2=2)
    distance = np.log1p(np.sum(inside**2, axis=1) / TAILS)
    found: Floats = -0.5 * (TAILS + count) * distance - np.sum(np.log(diagonals) + np.log(sizes), axis=1)
    return found


COMMON, USUAL, RARE = 4.0, 1.0, 0.25
"""Weights of the causes beforehand. A range is left wrong more often than a prefix is read wrong."""


@dataclass(frozen=True)
class Hypothesis:
    """One possible cause: its name, what to do, how likely it is beforehand, and the channels it concerns.

    `readings` holds what each channel reads if it is so; a channel that is not in it may read anything. `shown_by` are
    channels of which one at least must be read for the cause to show; none where any may.
    """

    cause: str
    remedy: str
    prior: float
    readings: Mapping[str, MeterValue]
    channels: tuple[str, ...] = ()
    shown_by: frozenset[str] = frozenset()
