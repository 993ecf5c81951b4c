"""Causes of a difference between a captured wave and the expected one, ranked by how well the wave of each fits.

Every cause predicts a wave. It is aligned with the captured one at the phase where it fits best; the residual has a
normal distribution with the uncertainty of part values and shape, as in `benchmon.watch.diagnosis.explainer`.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchmon.analyse.expected import expected_wave, folded, is_same_frequency, resampled
from benchmon.bench import Bench
from benchmon.errors import PredictionError
from benchmon.prediction.result import Prediction
from benchmon.signals.arrays import Floats
from benchmon.signals.samples import Sampled
from benchmon.signals.uncertainty import COVERAGE
from benchmon.text import with_minus
from benchmon.watch.diagnosis.ac_side_faults import ac_side_faults
from benchmon.watch.diagnosis.dc_side_faults import dc_side_faults
from benchmon.watch.diagnosis.explainer import NONE_OF_THESE, NOTHING_WRONG, PRIOR_KNOWN, PRIOR_NOTHING, PRIOR_UNKNOWN
from benchmon.watch.diagnosis.likelihood import COMMON, RARE, USUAL
from benchmon.watch.records import Explanation

_FREEDOM = 8.0
"""Degrees of freedom of the shape of a wave."""
_SHAPE_UNCERTAINTY, _LEVEL_UNCERTAINTY = 0.02, 0.003
"""Relative standard uncertainties of the model, for the shape and the mean of a wave."""
_BROAD = 0.5
_RATIOS = (0.001, 0.01, 0.1, 0.5, 2.0, 10.0, 100.0, 1000.0)
_ANY_SIZE = 0.05
_CLIPPED_BELOW = 0.97
_LEAST_SHARE = 0.005


@dataclass(frozen=True)
class _Cause:
    """A cause, its remedy, its prior weight, and the wave (BINS,) that it would give."""

    cause: str
    remedy: str
    weight: float
    wave: Floats


def explain(sampled: Sampled, name: str, bench: Bench, prediction: Prediction) -> list[Explanation]:
    """Return the causes of the difference of the captured wave called `name`, the most likely first.

    Returns an empty list if that wave is not predicted.
    """
    expected = expected_wave(prediction, name)
    if expected is None:
        return []
    captured, frequency = folded(sampled, prediction.mains_frequency)
    if not is_same_frequency(frequency, prediction.mains_frequency):
        return [_other_frequency(frequency, prediction.mains_frequency)]
    uncertainty = _ExpectedUncertainty.of(prediction, name, captured)
    known = [*_measurement_causes(expected, captured), *_circuit_causes(bench, prediction, name)]
    total = sum(one.weight for one in known)
    nothing = _Cause(NOTHING_WRONG, "the wave looks as expected: nothing needs explaining", PRIOR_NOTHING, expected)
    scores = [
        (one, math.log(PRIOR_KNOWN * one.weight / total) + _log_likelihood(captured, one.wave, uncertainty))
        for one in known
    ]
    scores.append((nothing, math.log(PRIOR_NOTHING) + _log_likelihood(captured, expected, uncertainty)))
    scores.append((_unknown(expected), math.log(PRIOR_UNKNOWN) + _log_likelihood_of_unknown(captured, expected)))
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


def _rms(wave: Floats) -> float:
    return float(np.sqrt(np.mean(wave**2)))


@dataclass(frozen=True)
class _ExpectedUncertainty:
    """Relative standard uncertainties of the mean and the alternating part of the expected wave.

    `floor` is the standard uncertainty of the capture, in the unit of the wave.
    """

    of_mean: float
    of_shape: float
    floor: float

    @classmethod
    def of(cls, prediction: Prediction, name: str, captured: Floats) -> _ExpectedUncertainty:
        def relative(*measures: str) -> float:
            known = [prediction.quantities.get(f"{name}.{measure}") for measure in measures]
            return max((one.uncertainty / COVERAGE / abs(one.value) for one in known if one and one.value), default=0.0)

        floor = _SHAPE_UNCERTAINTY * _rms(captured - np.mean(captured))
        shape = max(relative("ac_rms", "ripple"), relative("rms") if name.endswith("current") else 0.0)
        return cls(math.hypot(relative("mean"), _LEVEL_UNCERTAINTY), math.hypot(shape, _SHAPE_UNCERTAINTY), floor)


def _measurement_causes(expected: Floats, captured: Floats) -> Iterator[_Cause]:
    """Yield the waves that wrong settings of probe, clamp or oscilloscope would give."""
    mean = float(np.mean(expected))
    alternating = expected - mean
    has_mean = abs(mean) > 0.05 * _rms(expected)
    coupled = "the scope is a.c.-coupled: the mean is missing"
    if has_mean:
        yield _Cause(coupled, "select d.c. coupling", COMMON, alternating)
        yield _Cause(
            "the wave is upside down", "reverse the probe or clamp, or turn off the inversion", USUAL, -expected
        )
    offset = float(np.mean(captured)) - mean
    yield _Cause(f"the wave is off by {_level(offset)}", "zero the probe or clamp", RARE, expected + offset)
    for ratio in _RATIOS:
        words = f"the values are {ratio:g} times what they should be: the ratio of the probe or clamp is wrong"
        remedy = f"correct it on the scope, or give --probe {1.0 / ratio:g}"
        yield _Cause(words, remedy, USUAL, ratio * expected)
        if has_mean:
            yield _Cause(f"{coupled}, and {words}", f"select d.c. coupling; {remedy}", RARE, ratio * alternating)
    yield _of_another_size(expected, captured)
    yield from _clipped(expected, captured)


def _level(value: float) -> str:
    return with_minus(f"{value:.3g}")


def _of_another_size(expected: Floats, captured: Floats) -> _Cause:
    """Return the cause that the size alone is wrong; an arbitrary size is less likely than a usual ratio."""
    size = _rms(captured - np.mean(captured)) / max(_rms(expected - np.mean(expected)), 1e-300)
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
        yield _Cause(f"the wave is clipped above {_level(high)}", remedy, USUAL, np.minimum(expected, high))
    if cut_below:
        yield _Cause(f"the wave is clipped below {_level(low)}", remedy, USUAL, np.maximum(expected, low))
    if cut_above and cut_below:
        both = f"the wave is clipped below {_level(low)} and above {_level(high)}"
        yield _Cause(both, remedy, USUAL, np.clip(expected, low, high))


def _circuit_causes(bench: Bench, prediction: Prediction, name: str) -> Iterator[_Cause]:
    """Yield the waves that faults of the circuit would give, each solved by the prediction engine."""
    if name.startswith("diode."):
        return
    for fault in (*dc_side_faults(bench), *ac_side_faults(bench)):
        if fault.is_solved_as(bench):
            continue
        try:
            traces = fault.traces(prediction.mains_voltage)
        except PredictionError:
            continue
        if name in traces:
            wave = resampled(traces.angle / (2 * np.pi), traces[name][0])
            yield _Cause(fault.cause, fault.remedy, fault.weight, wave)


def _log_likelihood(captured: Floats, wave: Floats, uncertainty: _ExpectedUncertainty) -> float:
    """Return the log likelihood of a captured wave if `wave` is the true one, at the phase where it fits best."""
    mean, level = float(np.mean(wave)), float(np.mean(captured))
    of_mean = math.hypot(uncertainty.of_mean * mean, uncertainty.floor)
    of_shape = math.hypot(uncertainty.of_shape * _rms(wave - mean), uncertainty.floor)
    return _log_normal((level - mean) / of_mean, of_mean) + _log_of_shape(captured - level, wave - mean, of_shape)


def _log_normal(distance: float, deviation: float) -> float:
    return -0.5 * distance**2 - math.log(deviation)


def _log_of_shape(captured: Floats, wave: Floats, deviation: float) -> float:
    return -0.5 * _FREEDOM * (_residual(captured, wave) / deviation) ** 2 - _FREEDOM * math.log(deviation)


def _log_likelihood_of_unknown(captured: Floats, expected: Floats) -> float:
    """Return the log likelihood of a captured wave with an unknown cause: a broad distribution of its size."""
    deviation = _BROAD * max(_rms(expected), _rms(captured))
    return _log_normal(0.5, deviation) - 0.5 * _FREEDOM * 0.5**2 - _FREEDOM * math.log(deviation)


def _residual(captured: Floats, wave: Floats) -> float:
    """Return the rms of the difference of two waves at the phase with the largest cross-correlation."""
    one, other = np.fft.rfft(captured), np.fft.rfft(wave)
    correlation = np.fft.irfft(one * other.conj(), len(wave))
    top = int(np.argmax(correlation))
    left, middle, right = (float(correlation[(top + step) % len(wave)]) for step in (-1, 0, 1))
    bend = left - 2.0 * middle + right
    shift = top + (0.5 * (left - right) / bend if bend < 0.0 else 0.0)
    shifted = np.fft.irfft(other * np.exp(-2j * np.pi * shift * np.arange(len(other)) / len(wave)), len(wave))
    return min(_rms(captured - shifted), _rms(captured - np.roll(wave, top)))


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
    shown = f"the rms of the wave is {_rms(captured) / _rms(expected):.3g} times the expected one"
    shown += _missing(captured, expected)
    return [
        Explanation(cause, weights[cause] / total, _message(best[cause][1], shown))
        for place, cause in enumerate(order)
        if place < 1 or weights[cause] / total >= _LEAST_SHARE
    ]


def _missing(captured: Floats, expected: Floats) -> str:
    """Return a note on missing half waves if the wave repeats once a mains period instead of twice, else ""."""
    once, twice = np.abs(np.fft.rfft(captured))[1:3]
    expected_once, expected_twice = np.abs(np.fft.rfft(expected))[1:3]
    is_missing = once > 0.5 * twice and expected_twice > 5.0 * expected_once
    return ", and every second half wave is missing or smaller" if is_missing else ""


def _message(one: _Cause, shown: str) -> str:
    if one.cause in (NOTHING_WRONG, NONE_OF_THESE):
        return one.remedy
    return f"{shown}: {one.cause}; {one.remedy}"
