"""What a captured wave should look like by the bench file, and how its measures compare.

A captured wave to be drawn, with the expected one laid where it fits best.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.result import Prediction
from benchmon.quantities import UNITS, Expected
from benchmon.signals.arrays import Floats
from benchmon.signals.captured_wave import Wave
from benchmon.signals.samples import Sampled
from benchmon.watch.records import Verdict
from benchmon.watch.verdict import en_number, verdict_of

BINS = 512
"""Places of a mains period at which waves are laid over each other."""

_SAME_FREQUENCY = 0.03
_MEASURE_OF = {
    "voltage.peak": "highest",
    "voltage.valley": "lowest",
    "voltage.ripple": "peak_to_peak",
}


@dataclass(frozen=True, slots=True)
class MeasureComparison:
    """One measure beside what the bench file leads to expect of it."""

    quantity: str
    measure: str
    value: float
    uncertainty: float
    expected: Expected
    en: float | None
    verdict: Verdict


def compare(wave: Wave, of: str, prediction: Prediction) -> list[MeasureComparison]:
    """Return those measures of the wave `of` that the prediction speaks of, each beside its expected value."""
    found = []
    for quantity in UNITS:
        what = quantity.removeprefix(f"{of}.")
        measure = _MEASURE_OF.get(".".join(quantity.split(".")[1:]), what) if what != quantity else ""
        expected = prediction.quantities.get(quantity)
        if measure not in wave.measures or expected is None:
            continue
        measured = wave.measures[measure]
        if math.isfinite(measured.value):
            en = en_number(measured.value, measured.uncertainty, expected.value, expected.uncertainty)
            found.append(
                MeasureComparison(quantity, measure, measured.value, measured.uncertainty, expected, en, verdict_of(en))
            )
    return found


def expected_wave(prediction: Prediction, of: str) -> Floats | None:
    """Return the expected wave over one mains period, (BINS,); None where nothing is predicted of it."""
    trace = prediction.waveforms.traces.get(of)
    return None if trace is None else laid_out(prediction.waveforms.time * prediction.mains_frequency, trace)


def laid_out(turns: Floats, trace: Floats) -> Floats:
    """Return a trace (k,) at `turns` of its period (k,) as its values in the middle of each of `BINS` equal parts."""
    middles = (np.arange(BINS) + 0.5) / BINS
    return np.interp(middles, turns, trace, period=1.0)


def folded(sampled: Sampled, mains_frequency: float) -> tuple[Floats, float]:
    """Return the wave laid over itself into one mains period, (BINS,), and that period's frequency, Hz.

    A wave that repeats twice in a mains period, as behind a full-wave rectifier, fills it twice.
    """
    often = max(round(sampled.frequency / mains_frequency), 1)
    frequency = sampled.frequency / often
    turns = (sampled.reduced.time * frequency) % 1.0
    place = (turns * BINS).astype(np.intp) % BINS
    counts = np.bincount(place, minlength=BINS)
    sums = np.bincount(place, sampled.reduced.value, BINS)
    filled = counts > 0
    middles = (np.arange(BINS) + 0.5) / BINS
    return np.interp(middles, middles[filled], sums[filled] / counts[filled], period=1.0), frequency


def is_frequency(found: float, expected: float) -> bool:
    """Return whether two frequencies are the same within what a mains may wander."""
    return abs(found / expected - 1.0) <= _SAME_FREQUENCY


def predict_for(bench: Bench, mains: float | None) -> Prediction:
    """Return the settled prediction of a bench, at a measured mains voltage (V rms) where there is one."""
    # Imported late: a capture without a bench needs no circuit engine.
    from benchmon.prediction import predict  # noqa: PLC0415

    return predict(bench, mains_voltage=mains)


_MOST_POINTS = 4000


@dataclass(frozen=True)
class DrawnWave:
    """A wave to be drawn: `time` (n,) seconds from 0 and `values` (n,); the expected one (m,), where there is one."""

    name: str
    unit: str
    time: Floats
    values: Floats
    expected_time: Floats | None = None
    expected: Floats | None = None


def to_draw(
    name: str, unit: str, sampled: Sampled, of: str, prediction: Prediction | None, *, periods: float | None = None
) -> DrawnWave:
    """Return a captured wave, at most `periods` of it, with what `prediction` leads to expect of the wave `of`."""
    wave = sampled.reduced if len(sampled.wave.time) > 2 * _MOST_POINTS else sampled.wave
    stride = max(len(wave.time) // _MOST_POINTS, 1)
    time, values = wave.time[::stride] - sampled.wave.time[0], wave.value[::stride]
    if periods is not None:
        shown = time <= periods / sampled.frequency
        time, values = time[shown], values[shown]
    expected = expected_wave(prediction, of) if prediction is not None and of else None
    if expected is None or prediction is None:
        return DrawnWave(name, unit, time, values)
    laid, frequency = folded(sampled, prediction.mains_frequency)
    many = (np.arange(int(float(time[-1]) * frequency * BINS) + 1) + 0.5) / BINS
    # Phase zero of what was laid over itself is a whole number of periods before time zero.
    begin = float(sampled.wave.time[0]) * frequency % 1.0
    turns = (np.arange(BINS) + 0.5) / BINS
    placed = np.interp((many + begin) % 1.0, turns, np.roll(expected, _best_shift(laid, expected)), period=1.0)
    return DrawnWave(name, unit, time, values, many / frequency, placed)


def _best_shift(captured: Floats, expected: Floats) -> int:
    likeness = np.fft.irfft(np.fft.rfft(captured) * np.fft.rfft(expected).conj(), len(expected))
    return int(np.argmax(likeness))
