"""A captured wave folded into one mains period, laid over the one that is expected."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchmon.errors import DataFileError
from benchmon.prediction.periods import Samples, frequency_of, samples_of
from benchmon.prediction.result import Floats
from benchmon.prediction.waveform import measure
from benchmon.session.predictions import StoredPrediction
from benchmon.watch.records import Waveform

_MOST_SAMPLES = 8_000
_NEAR = 0.2
_GRID = 512


@dataclass(frozen=True)
class Folded:
    """A wave within one mains period: `time` (n,) from 0 to `period`, rising, and `value` (n,)."""

    time: Floats
    value: Floats
    period: float


def trace_of(quantity: str) -> str:
    """Return the trace of a prediction that a quantity is measured on: `mains.current` for `mains.current.rms`."""
    return ".".join(quantity.split(".")[:2])


def expected_wave(prediction: StoredPrediction | None, quantity: str) -> Folded | None:
    """Return what the wave of a quantity should look like, None where the prediction has no such trace."""
    values = None if prediction is None else prediction.waveforms.traces.get(trace_of(quantity))
    if prediction is None or values is None:
        return None
    return Folded(prediction.waveforms.time, values, 1.0 / prediction.mains_frequency)


@dataclass(frozen=True)
class Captured:
    """A captured wave, folded, and its harmonics: pairs of order and rms."""

    folded: Folded
    harmonics: Sequence[tuple[int, float]]


def look_into(wave: Waveform, mains_frequency: float, beside: Folded | None = None) -> Captured:
    """Return a captured wave folded into one mains period, shifted to where it fits `beside` best, and its harmonics.

    A wave whose own frequency is near the mains' or twice that (ripple of a full wave) tells the period; else the
    mains frequency does. Raises `DataFileError` for what is no wave.
    """
    samples = samples_of(wave.times[:_MOST_SAMPLES], wave.values[:_MOST_SAMPLES])
    frequency = _frequency(samples, mains_frequency)
    harmonics = measure(samples.time, samples.value, frequency).harmonics
    phase = (samples.time - samples.time[0]) % (1.0 / frequency)
    folded = _sorted(phase, samples.value, 1.0 / frequency)
    if beside is not None:
        folded = _sorted((phase + _shift(folded, beside)) % folded.period, samples.value, folded.period)
    return Captured(folded, harmonics)


def _sorted(phase: Floats, value: Floats, period: float) -> Folded:
    order = np.argsort(phase, kind="stable")
    return Folded(phase[order], value[order], period)


def _frequency(samples: Samples, mains: float) -> float:
    try:
        own = frequency_of(samples)
    except DataFileError:
        return mains
    near = [own / times for times in (1, 2) if abs(own / (times * mains) - 1.0) < _NEAR]
    return near[0] if near else mains


def _shift(one: Folded, other: Folded) -> float:
    """Return by how many seconds `one` must be shifted to lie on `other`: where their product is largest."""
    first, second = _on_grid(one), _on_grid(other)
    likeness = np.fft.irfft(np.fft.rfft(second) * np.fft.rfft(first).conj(), _GRID)
    return float(np.argmax(likeness)) / _GRID * one.period


def _on_grid(folded: Folded) -> Floats:
    at = np.arange(_GRID) / _GRID * folded.period
    values = np.interp(at, folded.time, folded.value, period=folded.period)
    return np.asarray(values - values.mean())
