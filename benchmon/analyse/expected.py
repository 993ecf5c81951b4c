"""The wave expected from a bench file: compared with the measures of a captured wave, and aligned with it in a plot.

Waves are compared over one mains period as arrays of `BINS` values, (BINS,).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.result import Prediction
from benchmon.quantities import UNITS, Expected
from benchmon.signals.arrays import Floats
from benchmon.signals.captured_wave import Wave
from benchmon.signals.samples import Sampled
from benchmon.signals.uncertainty import UncertainValue
from benchmon.watch.records import Verdict
from benchmon.watch.verdict import en_number, verdict_of

BINS = 512
"""Equal parts of a mains period in which waves are compared."""

_SAME_FREQUENCY = 0.03
_MOST_POINTS = 4000
_MEASURE_OF = {
    "voltage.peak": "highest",
    "voltage.valley": "lowest",
    "voltage.ripple": "peak_to_peak",
}
_POWERS = {
    "active": "power.active",
    "apparent": "power.apparent",
    "power_factor": "power_factor",
    "displacement_factor": "displacement_factor",
}


@dataclass(frozen=True, slots=True)
class MeasureComparison:
    """One measure with its expanded uncertainty, compared with its expected value."""

    quantity: str
    measure: str
    value: float
    uncertainty: float
    expected: Expected
    en: float | None
    verdict: Verdict


def compare(wave: Wave, name: str, prediction: Prediction) -> list[MeasureComparison]:
    """Return the measures of the wave called `name`, such as `output.voltage`, that have an expected value."""
    if not name:
        return []
    measures = {
        quantity: _MEASURE_OF.get(".".join(quantity.split(".")[1:]), quantity.removeprefix(f"{name}."))
        for quantity in UNITS
        if quantity.startswith(f"{name}.")
    }
    return _compared(measures, wave.measures, prediction)


def compare_power(power: Mapping[str, UncertainValue], point: str, prediction: Prediction) -> list[MeasureComparison]:
    """Return the power at a point of the circuit, by the names of `POWER_UNITS`, beside what is expected there."""
    return _compared({f"{point}.{end}": name for name, end in _POWERS.items()}, power, prediction)


def _compared(
    measures: Mapping[str, str], found: Mapping[str, UncertainValue], prediction: Prediction
) -> list[MeasureComparison]:
    """Return what was found of `measures`, by quantity, and has an expected value."""
    compared = []
    for quantity, measure in measures.items():
        expected, measured = prediction.quantities.get(quantity), found.get(measure)
        if expected is None or measured is None or not math.isfinite(measured.value):
            continue
        en = en_number(measured.value, measured.uncertainty, expected.value, expected.uncertainty)
        compared.append(
            MeasureComparison(quantity, measure, measured.value, measured.uncertainty, expected, en, verdict_of(en))
        )
    return compared


def expected_wave(prediction: Prediction, name: str) -> Floats | None:
    """Return the expected wave called `name` over one mains period, (BINS,), or None if it is not predicted."""
    trace = prediction.waveforms.traces.get(name)
    return None if trace is None else resampled(prediction.waveforms.time * prediction.mains_frequency, trace)


def resampled(turns: Floats, trace: Floats) -> Floats:
    """Return a trace (k,) at `turns` (k,), in periods, interpolated to the middles of `BINS` equal parts, (BINS,)."""
    middles = (np.arange(BINS) + 0.5) / BINS
    return np.interp(middles, turns, trace, period=1.0)


def folded(sampled: Sampled, mains_frequency: float) -> tuple[Floats, float]:
    """Return the wave folded into one mains period and averaged, (BINS,), and the frequency of that period, Hz.

    A wave that repeats twice in a mains period, as behind a full-wave rectifier, fills it twice.
    """
    repetitions = max(round(sampled.frequency / mains_frequency), 1)
    frequency = sampled.frequency / repetitions
    turns = (sampled.decimated.time * frequency) % 1.0
    place = (turns * BINS).astype(np.intp) % BINS
    counts = np.bincount(place, minlength=BINS)
    sums = np.bincount(place, sampled.decimated.value, BINS)
    filled = counts > 0
    middles = (np.arange(BINS) + 0.5) / BINS
    return np.interp(middles, middles[filled], sums[filled] / counts[filled], period=1.0), frequency


def is_same_frequency(found: float, expected: float) -> bool:
    """Return whether two frequencies are equal within the possible deviation of a mains."""
    return abs(found / expected - 1.0) <= _SAME_FREQUENCY


def predict_for(bench: Bench, mains: float | None) -> Prediction:
    """Return the settled prediction of a bench, at a measured mains voltage (V rms) if there is one.

    Raises `PredictionError` if the bench cannot be solved.
    """
    # Imported late: a capture without a bench needs no circuit engine.
    from benchmon.prediction import predict  # noqa: PLC0415

    return predict(bench, mains_voltage=mains)


@dataclass(frozen=True)
class DrawnWave:
    """A wave to be drawn: `time` (n,) seconds from 0 and `values` (n,); the expected one (m,), if there is one."""

    name: str
    unit: str
    time: Floats
    values: Floats
    expected_time: Floats | None = None
    expected: Floats | None = None


def to_draw(
    name: str, unit: str, sampled: Sampled, of: str, prediction: Prediction | None, *, periods: float | None = None
) -> DrawnWave:
    """Return a captured wave, at most `periods` of it, with the wave `of` expected from `prediction` at its phase."""
    wave = sampled.decimated if len(sampled.wave.time) > 2 * _MOST_POINTS else sampled.wave
    stride = max(len(wave.time) // _MOST_POINTS, 1)
    time, values = wave.time[::stride] - sampled.wave.time[0], wave.value[::stride]
    if periods is not None:
        shown = time <= periods / sampled.frequency
        time, values = time[shown], values[shown]
    expected = expected_wave(prediction, of) if prediction is not None and of else None
    if expected is None or prediction is None:
        return DrawnWave(name, unit, time, values)
    period, frequency = folded(sampled, prediction.mains_frequency)
    many = (np.arange(int(float(time[-1]) * frequency * BINS) + 1) + 0.5) / BINS
    # Phase zero of the folded wave is a whole number of periods before time zero.
    begin = float(sampled.wave.time[0]) * frequency % 1.0
    turns = (np.arange(BINS) + 0.5) / BINS
    aligned = np.interp((many + begin) % 1.0, turns, np.roll(expected, _best_shift(period, expected)), period=1.0)
    return DrawnWave(name, unit, time, values, many / frequency, aligned)


def _best_shift(captured: Floats, expected: Floats) -> int:
    """Return the shift of `expected`, in bins, with the largest cross-correlation."""
    correlation = np.fft.irfft(np.fft.rfft(captured) * np.fft.rfft(expected).conj(), len(expected))
    return int(np.argmax(correlation))
