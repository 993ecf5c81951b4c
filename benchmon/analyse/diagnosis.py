"""Why a captured wave looks unlike the expected one: causes ranked by how well the wave each would give fits.

Every cause says what the wave would look like; it is laid over the captured one at the phase where it fits best, and
what is left is taken as normal about what part values and the shape allow, as in `benchmon.watch.diagnosis.diagnosis`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchmon.analyse.expected import expected_wave, folded, is_frequency, laid_out
from benchmon.bench import Bench
from benchmon.errors import PredictionError
from benchmon.prediction.result import Prediction
from benchmon.signals.arrays import Floats
from benchmon.signals.samples import Sampled
from benchmon.watch.diagnosis.circuit_faults import faults_of
from benchmon.watch.diagnosis.diagnosis import NONE_OF_THESE, NOTHING_WRONG, PRIOR_KNOWN, PRIOR_NOTHING, PRIOR_UNKNOWN
from benchmon.watch.diagnosis.meter_faults import COMMON, RARE, USUAL
from benchmon.watch.records import Explanation

_FREE = 8.0
"""In how many independent ways the shape of a wave may differ."""
_SHAPE_DOUBT, _LEVEL_DOUBT = 0.02, 0.003
_BROAD = 0.5
_RATIOS = (0.001, 0.01, 0.1, 0.5, 2.0, 10.0, 100.0, 1000.0)
_ANY_SIZE = 0.05
_CLIPPED_BELOW = 0.97
_LEAST_SHARE = 0.005


@dataclass(frozen=True)
class _Cause:
    """A cause, what to do about it, its weight beforehand, and the wave (BINS,) that it would give."""

    cause: str
    remedy: str
    weight: float
    wave: Floats


def explain(sampled: Sampled, of: str, bench: Bench, prediction: Prediction) -> list[Explanation]:
    """Return the causes of how the captured wave `of` looks, the likeliest first; [] where nothing is predicted."""
    expected = expected_wave(prediction, of)
    if expected is None:
        return []
    captured, frequency = folded(sampled, prediction.mains_frequency)
    if not is_frequency(frequency, prediction.mains_frequency):
        return [_other_frequency(frequency, prediction.mains_frequency)]
    doubts = _ExpectedUncertainty.of(prediction, of, captured)
    known = [*_of_measuring(expected, captured), *_of_the_circuit(bench, prediction, of)]
    total = sum(one.weight for one in known)
    nothing = _Cause(NOTHING_WRONG, "the wave looks as expected: nothing needs explaining", PRIOR_NOTHING, expected)
    scores = [(one, math.log(PRIOR_KNOWN * one.weight / total) + _fit(captured, one.wave, doubts)) for one in known]
    scores.append((nothing, math.log(PRIOR_NOTHING) + _fit(captured, expected, doubts)))
    scores.append((_unknown(expected), math.log(PRIOR_UNKNOWN) + _fit_of_anything(captured, expected)))
    return _ranked(scores, captured, expected)


def _other_frequency(found: float, expected: float) -> Explanation:
    message = (
        f"the wave repeats at {found:.4g} Hz or a multiple, where {expected:.4g} Hz is expected; "
        "check the mains' frequency, the time base and the unit of time in the file"
    )
    return Explanation("another frequency", 1.0, message)


def _unknown(expected: Floats) -> _Cause:
    return _Cause(
        NONE_OF_THESE, "no known cause gives such a wave; look for one that is not in benchmon's list", 1.0, expected
    )


def _size(wave: Floats) -> float:
    return float(np.sqrt(np.mean(wave**2)))


@dataclass(frozen=True)
class _ExpectedUncertainty:
    """By what part of its mean, and of its alternating part, a right wave may differ (standard uncertainties).

    Each is that of the part values; `floor` is what the capture itself leaves open, in its unit.
    """

    of_mean: float
    of_shape: float
    floor: float

    @classmethod
    def of(cls, prediction: Prediction, of: str, captured: Floats) -> _ExpectedUncertainty:
        def relative(*names: str) -> float:
            known = [prediction.quantities.get(f"{of}.{name}") for name in names]
            return max((one.uncertainty / 2.0 / abs(one.value) for one in known if one and one.value), default=0.0)

        floor = _SHAPE_DOUBT * _size(captured - np.mean(captured))
        shape = max(relative("ac_rms", "ripple"), relative("rms") if of.endswith("current") else 0.0)
        return cls(math.hypot(relative("mean"), _LEVEL_DOUBT), math.hypot(shape, _SHAPE_DOUBT), floor)


def _of_measuring(expected: Floats, captured: Floats) -> Iterator[_Cause]:
    """Yield what a probe, a clamp or a scope's settings would make of the expected wave."""
    mean = float(np.mean(expected))
    alternating = expected - mean
    has_mean = abs(mean) > 0.05 * _size(expected)
    coupled = "the scope is a.c.-coupled: the mean is missing"
    if has_mean:
        yield _Cause(coupled, "select d.c. coupling", COMMON, alternating)
        yield _Cause(
            "the wave is upside down", "turn the probe or clamp round, or the trace's inversion off", USUAL, -expected
        )
    offset = float(np.mean(captured)) - mean
    yield _Cause(f"the wave is off by {offset:.3g}", "zero the probe or clamp", RARE, expected + offset)
    for ratio in _RATIOS:
        words = f"the values are {ratio:g} times what they should be: the ratio of the probe or clamp is wrong"
        remedy = f"set it right on the scope, or give --probe {1.0 / ratio:g}"
        yield _Cause(words, remedy, USUAL, ratio * expected)
        if has_mean:
            yield _Cause(f"{coupled}, and {words}", f"select d.c. coupling; {remedy}", RARE, ratio * alternating)
    yield _of_another_size(expected, captured)
    yield from _clipped(expected, captured)


def _of_another_size(expected: Floats, captured: Floats) -> _Cause:
    """Return that the shape is right and the size is not; any size at all is less likely than a usual ratio."""
    size = _size(captured - np.mean(captured)) / max(_size(expected - np.mean(expected)), 1e-300)
    words = f"the shape is right, the size {size:.3g} times what it should be"
    remedy = "check the ratio and the calibration of the probe or clamp, then the load"
    return _Cause(words, remedy, _ANY_SIZE, size * expected)


def _clipped(expected: Floats, captured: Floats) -> Iterator[_Cause]:
    low, high = (float(level) for level in np.percentile(captured, [1.0, 99.0]))
    swing = float(np.ptp(expected))
    cut_above = high < float(np.max(expected)) - (1.0 - _CLIPPED_BELOW) * swing
    cut_below = low > float(np.min(expected)) + (1.0 - _CLIPPED_BELOW) * swing
    remedy = "select a coarser range, or move the trace to the middle of the screen"
    if cut_above:
        yield _Cause(f"the wave is clipped above {high:.3g}", remedy, USUAL, np.minimum(expected, high))
    if cut_below:
        yield _Cause(f"the wave is clipped below {low:.3g}", remedy, USUAL, np.maximum(expected, low))
    if cut_above and cut_below:
        both = f"the wave is clipped below {low:.3g} and above {high:.3g}"
        yield _Cause(both, remedy, USUAL, np.clip(expected, low, high))


def _of_the_circuit(bench: Bench, prediction: Prediction, of: str) -> Iterator[_Cause]:
    """Yield what faults of the circuit would make of the wave, each solved by the prediction engine."""
    if of.startswith("diode."):
        return
    for fault in faults_of(bench):
        if fault.is_solved_as(bench):
            continue
        try:
            traces = fault.traces(prediction.mains_voltage)
        except PredictionError:
            continue
        if of in traces:
            yield _Cause(fault.cause, fault.remedy, fault.weight, laid_out(traces.angle / (2 * np.pi), traces[of][0]))


def _fit(captured: Floats, wave: Floats, doubts: _ExpectedUncertainty) -> float:
    """Return the log likelihood of a captured wave if `wave` is the true one, at the phase where it fits best."""
    mean, level = float(np.mean(wave)), float(np.mean(captured))
    of_mean = math.hypot(doubts.of_mean * mean, doubts.floor)
    of_shape = math.hypot(doubts.of_shape * _size(wave - mean), doubts.floor)
    return _log_normal((level - mean) / of_mean, of_mean) + _log_of_shape(captured - level, wave - mean, of_shape)


def _log_normal(distance: float, doubt: float) -> float:
    return -0.5 * distance**2 - math.log(doubt)


def _log_of_shape(captured: Floats, wave: Floats, doubt: float) -> float:
    return -0.5 * _FREE * (_left(captured, wave) / doubt) ** 2 - _FREE * math.log(doubt)


def _fit_of_anything(captured: Floats, expected: Floats) -> float:
    """Return the log likelihood of a captured wave where anything may be wrong, so that the size alone says little."""
    doubt = _BROAD * max(_size(expected), _size(captured))
    return _log_normal(0.5, doubt) - 0.5 * _FREE * 0.5**2 - _FREE * math.log(doubt)


def _left(captured: Floats, wave: Floats) -> float:
    """Return the rms of what is left where one wave is taken from the other at the phase where they are most alike."""
    one, other = np.fft.rfft(captured), np.fft.rfft(wave)
    likeness = np.fft.irfft(one * other.conj(), len(wave))
    top = int(np.argmax(likeness))
    left, middle, right = (float(likeness[(top + step) % len(wave)]) for step in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    shift = top + (0.5 * (left - right) / bend if bend < 0.0 else 0.0)
    turned = np.fft.irfft(other * np.exp(-2j * np.pi * shift * np.arange(len(other)) / len(wave)), len(wave))
    return min(_size(captured - turned), _size(captured - np.roll(wave, top)))


def _ranked(scores: list[tuple[_Cause, float]], captured: Floats, expected: Floats) -> list[Explanation]:
    top = max(score for _, score in scores)
    weights: dict[str, float] = {}
    best: dict[str, tuple[float, _Cause]] = {}
    for one, score in scores:
        weights[one.cause] = weights.get(one.cause, 0.0) + math.exp(score - top)
        if one.cause not in best or score > best[one.cause][0]:
            best[one.cause] = (score, one)
    total = sum(weights.values())
    order = sorted(weights, key=lambda cause: -weights[cause])
    shown = f"the wave has {_size(captured) / _size(expected):.3g} of the expected rms{_missing(captured, expected)}"
    return [
        Explanation(cause, weights[cause] / total, _message(best[cause][1], shown))
        for place, cause in enumerate(order)
        if place < 1 or weights[cause] / total >= _LEAST_SHARE
    ]


def _missing(captured: Floats, expected: Floats) -> str:
    """Return that half waves are missing, where the wave repeats once a mains period instead of twice."""
    once, twice = np.abs(np.fft.rfft(captured))[1:3]
    due_once, due_twice = np.abs(np.fft.rfft(expected))[1:3]
    return ", every second half wave is missing or smaller" if once > 0.5 * twice and due_twice > 5.0 * due_once else ""


def _message(one: _Cause, shown: str) -> str:
    if one.cause in (NOTHING_WRONG, NONE_OF_THESE):
        return one.remedy
    return f"{shown}: {one.cause}; {one.remedy}"
