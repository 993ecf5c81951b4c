"""What a captured wave should look like by the bench file, and how its measures compare."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchmon.analyse.sampling import Sampled
from benchmon.analyse.wave import Wave
from benchmon.bench import Bench
from benchmon.prediction.result import Expected, Floats, Prediction
from benchmon.quantities import UNITS
from benchmon.watch.agreement import en_number, verdict_of
from benchmon.watch.records import Verdict

BINS = 512
"""Places of a mains period at which waves are laid over each other."""

_SAME_FREQUENCY = 0.03
_MEASURE_OF = {
    "voltage.peak": "highest",
    "voltage.valley": "lowest",
    "voltage.ripple": "peak_to_peak",
}


@dataclass(frozen=True, slots=True)
class Comparison:
    """One measure beside what the bench file leads to expect of it."""

    quantity: str
    measure: str
    value: float
    uncertainty: float
    expected: Expected
    en: float | None
    verdict: Verdict


def compare(wave: Wave, of: str, prediction: Prediction) -> list[Comparison]:
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
                Comparison(quantity, measure, measured.value, measured.uncertainty, expected, en, verdict_of(en))
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
    turns = (sampled.few.time * frequency) % 1.0
    place = (turns * BINS).astype(np.intp) % BINS
    counts = np.bincount(place, minlength=BINS)
    sums = np.bincount(place, sampled.few.value, BINS)
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
