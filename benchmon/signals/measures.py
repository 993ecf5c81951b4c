"""Measures of a sampled wave: rms, mean, peaks, factors, harmonics and distortion, power and its factors.

Windows are those of IEC 61000-4-7, values of several windows are averaged by their squares (IEC 61000-4-30), power
quantities are those of IEEE 1459-2010. Harmonics are fitted, not taken from a transform, so the capture may start
anywhere and be sampled unevenly or out of step with the wave. For long captures `Levels` averages over every whole
period, and `shape_of` takes the harmonics from a decimated part.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchmon.errors import DataFileError
from benchmon.signals.arrays import Floats
from benchmon.signals.frequency import PeriodWindow, Samples, frequency_of, samples_of, windows_of
from benchmon.signals.samples import BLOCK, Sampled, averaging_response

ORDERS = 40
Complexes = NDArray[np.complex128]

_LEAST_EIGENVALUE = 1e-6
"""Ratio of smallest to largest eigenvalue below which the normal equations are ill-conditioned."""

_MOST_POWER = 1.2
"""Largest power of fitted harmonics relative to that of the samples."""

MOST_FOR_HARMONICS = 400_000
"""Most samples, after decimation, that harmonics are calculated from: some 1500 periods."""


@dataclass(frozen=True)
class WaveMeasures:
    """Measures of one wave, in its unit; factors are plain numbers, `frequency` is in Hz.

    `rms` is true rms with the mean, `ac_rms` without, `peak` the largest magnitude, `peak_to_peak` the ripple of a
    direct voltage, `form_factor` rms / mean magnitude, `crest_factor` peak / rms. `harmonics` are pairs of order and
    rms; `thd` covers orders 2 to 40, as a fraction of the fundamental (THD of IEC 61000-4-7, of the harmonics alone:
    what lies between them is in `rms` only).
    """

    frequency: float
    rms: float
    mean: float
    ac_rms: float
    peak: float
    peak_to_peak: float
    form_factor: float
    crest_factor: float
    thd: float
    harmonics: list[tuple[int, float]]
    cycles: int

    @property
    def ripple_factor(self) -> float:
        """The rms of the alternating part over the magnitude of the mean; infinite without a mean."""
        return self.ac_rms / abs(self.mean) if self.mean else float("inf")


@dataclass(frozen=True)
class PowerMeasures:
    """Measures of a voltage and a current: watts, volt-amperes, factors (negative if power flows back)."""

    voltage: WaveMeasures
    current: WaveMeasures
    active: float
    apparent: float
    power_factor: float
    displacement_factor: float


@dataclass(frozen=True)
class _HarmonicFit:
    """The harmonics of a window: mean, complex rms (orders,), `fitted` values and residual `rest`, both (n,)."""

    mean: float
    phasors: Complexes
    rest: Floats
    fitted: Floats
    weights: Floats

    def product(self, other: _HarmonicFit) -> float:
        """Return the mean of the product of two waves: exact for the harmonics, by the weights for the residual."""
        exact = self.mean * other.mean + float(np.sum((self.phasors * other.phasors.conj()).real))
        mixed = (self.fitted + self.rest) * (other.fitted + other.rest) - self.fitted * other.fitted
        return exact + float(self.weights @ mixed)


def measure(time: ArrayLike, value: ArrayLike, frequency: float | None = None) -> WaveMeasures:
    """Return the measures of a wave sampled at `time` (n,) seconds.

    `frequency` is its fundamental in Hz, if it is known better than from the wave. Raises `DataFileError`, in one line,
    for data that is no wave: too few samples, not finite, flat, without a whole period.
    """
    wave = samples_of(time, value)
    found = frequency_of(wave) if frequency is None else _known(frequency)
    windows = windows_of(wave, found)
    fits = [_fit(wave, window, found) for window in windows]
    return _wave_measures(wave, found, windows, fits)


def phasors_of(time: ArrayLike, value: ArrayLike) -> tuple[float, Complexes]:
    """Return the frequency of a wave in Hz and its harmonics (orders,), complex, as parts of the fundamental.

    Phases count from where the fundamental rises through zero: harmonic k is √2·V1·|r|·cos(kωt + arg r) where the
    fundamental is √2·V1·sin ωt. The mean is taken over windows of whole periods. Raises `DataFileError` as `measure`
    does.
    """
    wave = samples_of(time, value)
    frequency = frequency_of(wave)
    found = []
    for window in windows_of(wave, frequency):
        phasors = _fit(wave, window, frequency).phasors
        size, turn = abs(phasors[0]), phasors[0] / abs(phasors[0]) * 1j
        found.append(phasors / size * turn ** -np.arange(1.0, len(phasors) + 1.0))
    mean: Complexes = np.mean(found, axis=0)
    return frequency, mean


def measure_power(
    time: ArrayLike, voltage: ArrayLike, current: ArrayLike, frequency: float | None = None
) -> PowerMeasures:
    """Return the measures of a voltage and a current sampled together at `time` (n,) seconds.

    The voltage gives the frequency. Raises `DataFileError` as `measure` does.
    """
    volts, amperes = samples_of(time, voltage), samples_of(time, current)
    found = frequency_of(volts) if frequency is None else _known(frequency)
    windows = windows_of(volts, found)
    pairs = [(_fit(volts, window, found), _fit(amperes, window, found)) for window in windows]
    active = float(np.mean([first.product(second) for first, second in pairs]))
    crossing = complex(np.mean([first.phasors[0] * second.phasors[0].conj() for first, second in pairs]))
    of_volts = _wave_measures(volts, found, windows, [first for first, _ in pairs])
    of_amperes = _wave_measures(amperes, found, windows, [second for _, second in pairs])
    apparent = of_volts.rms * of_amperes.rms
    return PowerMeasures(
        of_volts,
        of_amperes,
        active,
        apparent,
        active / apparent,
        crossing.real / abs(crossing) if abs(crossing) > 0.0 else 0.0,
    )


def _known(frequency: float) -> float:
    if not np.isfinite(frequency) or frequency <= 0.0:
        raise DataFileError(f"{frequency:g} Hz is not a fundamental frequency; give hertz above zero")
    return frequency


def _fit(wave: Samples, window: PeriodWindow, frequency: float) -> _HarmonicFit:
    """Return the harmonics of a window by least squares, as many orders as its samples can resolve.

    The unknowns are the complex amplitudes of e^(jkθ), |k| ≤ orders: their normal equations are a Toeplitz matrix of
    the sums Σ e^(jkθ), so the work grows with samples × orders only.
    """
    time, value = wave.time[window.chosen] - wave.time[0], wave.value[window.chosen]
    turn = np.exp(2j * np.pi * frequency * time)
    orders = max(min(ORDERS, (len(time) // window.cycles - 1) // 2), 1)
    sums, projections = _sums(turn, value, orders)
    amplitudes = _solved(sums, projections, _MOST_POWER * float(window.weights @ value**2))
    fitted, power = np.full(len(time), amplitudes[0].real), np.ones_like(turn)
    for amplitude in amplitudes[1:]:
        power *= turn
        fitted += 2.0 * (amplitude * power).real
    phasors = np.zeros(ORDERS, np.complex128)
    phasors[: len(amplitudes) - 1] = np.sqrt(2.0) * amplitudes[1:]
    return _HarmonicFit(float(amplitudes[0].real), phasors, value - fitted, fitted, window.weights)


def _sums(turn: Complexes, value: Floats, orders: int) -> tuple[Complexes, Complexes]:
    """Return Σ e^(jkθ) for k = 0 to 2·orders, and Σ x·e^(−jkθ) for k = 0 to orders."""
    sums, projections = np.empty(2 * orders + 1, np.complex128), np.empty(orders + 1, np.complex128)
    power = np.ones_like(turn)
    for order in range(2 * orders + 1):
        sums[order] = power.sum()
        if order <= orders:
            projections[order] = (value * power).sum().conj()
        power *= turn
    return sums, projections


def _solved(sums: Complexes, projections: Complexes, most: float) -> Complexes:
    """Return the amplitudes of orders from 0, as many as the samples resolve with a power of at most `most`.

    Too many orders would oscillate in the gaps between the samples, with a power that was not measured.
    """
    orders = len(projections) - 1
    while orders > 0:
        two_sided = np.concatenate([sums[2 * orders : 0 : -1].conj(), sums[: 2 * orders + 1]])
        index = np.arange(2 * orders + 1)
        normal = two_sided[index[None, :] - index[:, None] + 2 * orders]
        right = np.concatenate([projections[orders:0:-1].conj(), projections[: orders + 1]])
        eigenvalues = np.linalg.eigvalsh(normal)
        if eigenvalues[0] > _LEAST_EIGENVALUE * eigenvalues[-1]:
            solved: Complexes = np.linalg.solve(normal, right)
            if np.sum(np.abs(solved) ** 2) <= most:
                return solved[orders:]
        orders = 3 * orders // 4
    raise DataFileError("the samples are too unevenly spaced to fit a wave to them; capture it again")


def _wave_measures(
    wave: Samples, frequency: float, windows: list[PeriodWindow], fits: list[_HarmonicFit]
) -> WaveMeasures:
    mean = float(np.mean([fit.mean + fit.weights @ fit.rest for fit in fits]))
    rms = float(np.sqrt(np.mean([max(fit.product(fit), 0.0) for fit in fits])))
    within = wave.value[windows[0].chosen.start : windows[-1].chosen.stop]
    magnitude = float(np.mean([window.weights @ np.abs(wave.value[window.chosen]) for window in windows]))
    sizes = np.sqrt(np.mean([np.abs(fit.phasors) ** 2 for fit in fits], axis=0))
    peak = float(np.max(np.abs(within)))
    alternating = [fit.product(fit) - (fit.mean + fit.weights @ fit.rest) ** 2 for fit in fits]
    return WaveMeasures(
        frequency=frequency,
        rms=rms,
        mean=mean,
        ac_rms=float(np.sqrt(max(float(np.mean(alternating)), 0.0))),
        peak=peak,
        peak_to_peak=float(np.ptp(within)),
        form_factor=rms / magnitude,
        crest_factor=peak / rms,
        thd=float(np.sqrt(np.sum(sizes[1:] ** 2)) / sizes[0]) if sizes[0] > 0.0 else 0.0,
        harmonics=[(order, float(size)) for order, size in enumerate(sizes, 1)],
        cycles=sum(window.cycles for window in windows),
    )


MOST_FOR_HARMONICS = 400_000
"""Samples from which harmonics are taken, after averaging: some 1500 periods."""


def is_exact(sampled: Sampled) -> bool:
    """Return whether the harmonics are calculated from all samples, so that averages may be taken from them."""
    return sampled.decimation == 1 and len(sampled.wave.time) <= MOST_FOR_HARMONICS


def shape_of(sampled: Sampled) -> tuple[WaveMeasures, tuple[str, ...]]:
    """Return the measures of a decimated part of a wave, with harmonics corrected for the averaging, and notes.

    Raises `DataFileError` as `measure` does.
    """
    part, notes = sampled.decimated, tuple[str, ...]()
    if len(part.time) > MOST_FOR_HARMONICS:
        part = Samples(part.time[:MOST_FOR_HARMONICS], part.value[:MOST_FOR_HARMONICS])
        notes = (f"harmonics are those of its first {part.duration:.3g} s",)
    shape = measure(part.time, part.value, sampled.frequency)
    if sampled.decimation == 1:
        return shape, notes
    orders = np.array([order for order, _ in shape.harmonics])
    spacing = part.spacing / sampled.decimation
    response = averaging_response(orders, sampled.frequency, spacing, sampled.decimation)
    sizes = np.array([size for _, size in shape.harmonics]) / response
    thd = float(np.sqrt(np.sum(sizes[1:] ** 2)) / sizes[0]) if sizes[0] > 0.0 else 0.0
    harmonics = [(order, float(size)) for order, size in enumerate(sizes, 1)]
    return replace(shape, thd=thd, harmonics=harmonics), notes


@dataclass(frozen=True)
class Levels:
    """Levels of each piece of a wave, (p,): mean, mean square, mean magnitude; the extremes; averages over all."""

    mean: Floats
    square: Floats
    magnitude: Floats
    highest: float
    lowest: float
    rms: float
    whole_mean: float
    ac_rms: float
    whole_magnitude: float

    @classmethod
    def of(cls, sampled: Sampled, shape: WaveMeasures) -> Levels:
        """Return the levels of a wave; averages over the whole are those of its harmonics if these are exact."""
        found = np.zeros((3, len(sampled.pieces)))
        highest, lowest = -math.inf, math.inf
        for row, piece in enumerate(sampled.pieces):
            values = sampled.wave.value[piece.chosen]
            for start in range(0, len(values), BLOCK):
                value = values[start : start + BLOCK]
                weighted = piece.weights[start : start + BLOCK] * value
                found[:, row] += weighted.sum(), weighted @ value, np.abs(weighted).sum()
                highest, lowest = max(highest, float(value.max())), min(lowest, float(value.min()))
        mean, square, magnitude = found
        if is_exact(sampled):
            averages = (shape.rms, shape.mean, shape.ac_rms, shape.rms / shape.form_factor)
        else:
            whole = (float(np.mean(square)), float(np.mean(mean)), float(np.mean(_ac_square(square, mean))))
            averages = (math.sqrt(whole[0]), whole[1], math.sqrt(whole[2]), float(np.mean(magnitude)))
        return cls(mean, square, magnitude, highest, lowest, *averages)

    @property
    def ac_square(self) -> Floats:
        """The mean square of each piece without its mean."""
        return _ac_square(self.square, self.mean)

    @property
    def swing(self) -> float:
        """The difference of the highest and the lowest sample."""
        return self.highest - self.lowest


def _ac_square(square: Floats, mean: Floats) -> Floats:
    without: Floats = np.maximum(square - mean**2, 0.0)
    return without
