"""The rectifier diode: a Shockley junction with a series resistance, its temperature, and the current of a path."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchmon.errors import PredictionError
from benchmon.standards import DIODE_FALL

if TYPE_CHECKING:
    from benchmon.bench import Diode
    from benchmon.signals.arrays import Floats

BOLTZMANN_PER_CHARGE = 8.617333262e-5
"""k/q in volts per kelvin, exact in the SI of 2019."""

ZERO_CELSIUS = 273.15
REFERENCE = 25.0
"""Temperature, in °C, at which a bench file specifies its diode."""

_LARGEST_EMISSION = 2.0
_LEAST_RESISTANCE = 1e-6
_EXPONENTIAL_BELOW = -37.0


@dataclass(frozen=True)
class DiodeCharacteristic:
    """A diode at one reference temperature: amperes, dimensionless, ohms; scalars or arrays of one shape."""

    saturation_current: Floats
    emission: Floats
    resistance: Floats

    def at(self, celsius: Floats) -> tuple[Floats, Floats]:
        """Return saturation current and emission × thermal voltage at a junction temperature in °C.

        At any current the forward drop falls by 2 mV/K from its value at 25 °C (for silicon); that
        is a saturation current that grows as exp(2 mV/K · ΔT / (n·Vt)). Fair from −40 to 175 °C.
        """
        thermal = self.emission * BOLTZMANN_PER_CHARGE * (REFERENCE + ZERO_CELSIUS)
        growth = np.exp(np.clip(DIODE_FALL * (celsius - REFERENCE) / thermal, -100.0, 100.0))
        return self.saturation_current * growth, thermal


def forward_voltage(current: Floats, saturation: Floats, thermal: Floats, resistance: Floats) -> Floats:
    """Return the diode voltage at `current` amperes: n·Vt·ln(1 + i/Is) + r·i (Shockley 1949, with the ohmic part)."""
    return thermal * np.log1p(np.maximum(current / saturation, -1.0 + 1e-15)) + resistance * current


def junction_of(diode: Diode) -> tuple[float, float, float]:
    """Return saturation current, emission coefficient and series resistance of the diode in a bench file, at 25 °C.

    Raises `PredictionError` if it has neither Shockley values nor forward points, or if `fit_forward` fails.
    """
    if diode.forward is not None:
        return fit_forward(diode.forward)
    if diode.saturation_current is None or diode.emission_coefficient is None:
        raise PredictionError("diode: has neither Shockley values nor forward points; give one of them")
    return diode.saturation_current, diode.emission_coefficient, diode.series_resistance


def fit_forward(points: tuple[tuple[float, float], ...]) -> tuple[float, float, float]:
    """Return (Is, n, r) of the Shockley curve nearest to data-sheet points of (volts, amperes).

    Linear least squares of v = n·Vt·ln i − n·Vt·ln Is + r·i at 25 °C, with r ≥ 0 and n ≤ 2 (the largest emission
    coefficient of a silicon junction). Two points determine the junction alone, exactly; a curve steeper than n = 2 is
    attributed to the ohmic part. Raises `PredictionError` if no such curve fits the points.
    """
    volts, amperes = (np.array(column) for column in zip(*points, strict=True))
    thermal = BOLTZMANN_PER_CHARGE * (REFERENCE + ZERO_CELSIUS)
    logs = thermal * np.log(amperes)
    ones = np.ones_like(logs)
    candidates = []
    if len(points) > 2:
        candidates.append(np.linalg.lstsq(np.column_stack([logs, amperes, ones]), volts, rcond=None)[0])
    slope, offset = np.linalg.lstsq(np.column_stack([logs, ones]), volts, rcond=None)[0]
    candidates.append(np.array([slope, 0.0, offset]))
    rest = volts - _LARGEST_EMISSION * logs
    resistance, offset = np.linalg.lstsq(np.column_stack([amperes, ones]), rest, rcond=None)[0]
    candidates.append(np.array([_LARGEST_EMISSION, resistance, offset]))
    for emission, ohms, start in candidates:
        if 0.5 <= emission <= _LARGEST_EMISSION and ohms >= 0:
            return float(np.exp(-start / (emission * thermal))), float(emission), float(ohms)
    raise PredictionError(
        "diode.forward: no silicon diode passes through these points; check volts and amperes of each"
    )


def conduct(drive: Floats, resistance: Floats, saturation: Floats, thermal: Floats) -> tuple[Floats, Floats]:
    """Return current and conductance of a path with `drive` volts across a resistance in series with junctions.

    Solves drive = R·i + a·ln(1 + i/Is) in closed form: with w = R·(i + Is)/a it is w + ln w = z, Wright's omega
    function. `thermal` is a, the emission × thermal voltage of all junctions in series. Any shapes that broadcast.
    """
    ohms = np.maximum(resistance, _LEAST_RESISTANCE)
    scale = ohms * saturation / thermal
    omega = wright_omega(drive * (1.0 / thermal) + (scale + np.log(scale)))
    return omega * (thermal / ohms) - saturation, omega / ((1.0 + omega) * ohms)


def wright_omega(z: Floats) -> Floats:
    """Return w > 0 with w + ln w = z, for real z, to near machine precision.

    Two steps of the fourth-order iteration of Fritsch, Shafer and Crowley (CACM 16, 1973, algorithm 443). Far below
    zero, where most blocking diodes are, w is e^z: an iteration would gain nothing and be slow with subnormal numbers.
    """
    z = np.asarray(z, np.float64)
    bounded = np.maximum(z, -700.0)
    found = np.empty_like(bounded)
    # As they lie in memory, without gaps: their order does not matter.
    flat, filled = bounded.ravel("K"), found.ravel("K")
    some = flat > _EXPONENTIAL_BELOW
    if some.all():
        return _iterated(z)
    np.exp(np.minimum(flat, 0.0), out=filled)
    if some.any():
        filled[some] = _iterated(flat[some])
    return found


def _iterated(z: Floats) -> Floats:
    """Return Wright's ω of any shape, by two steps."""
    low = np.exp(np.minimum(z, 0.0))
    high = np.maximum(z, 1.0)
    omega = np.where(z < 0.0, low / (1.0 + low), np.where(z < 1.0, 0.567 + 0.42 * z, high - np.log(high)))
    for _ in range(2):
        rest = z - omega - np.log(omega)
        one = 1.0 + omega
        inner = 2.0 * one * (one + 2.0 / 3.0 * rest)
        omega = omega * (1.0 + rest / one * (inner - rest) / (inner - 2.0 * rest))
    return omega
