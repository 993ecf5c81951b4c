"""A silicon diode: Shockley's equation with temperature, and the current of a diode in series with a resistance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchmon.bench import Diode

BOLTZMANN_PER_CHARGE = 8.617333e-5
"""Volts per kelvin: k/q (CODATA 2018)."""

BAND_GAP = 1.11
"""Electronvolts, silicon, as usual in circuit simulation."""

REFERENCE_TEMPERATURE = 25.0
ZERO_CELSIUS = 273.15


@dataclass(frozen=True, slots=True)
class DiodeLaw:
    """Shockley's diode with a series resistance in ohms; `saturation_current` in amperes at 25 °C."""

    saturation_current: float
    emission: float
    series_resistance: float
    band_gap: float = BAND_GAP
    """Electronvolts; about 0.69 of a Schottky barrier."""

    def slope_voltage(self, temperature: float) -> float:
        """Return n·k·T/q in volts at a junction of `temperature` °C."""
        return self.emission * BOLTZMANN_PER_CHARGE * (temperature + ZERO_CELSIUS)

    def saturation_at(self, temperature: float) -> float:
        """Return the saturation current in amperes at a junction of `temperature` °C.

        Is·(T/T0)^(3/n)·exp(Eg/(n·Vt)·(T/T0 − 1)), Vt at T: the temperature law of SPICE's diode with XTI = 3
        (Antognetti and Massobrio, Semiconductor Device Modeling with SPICE, ch. 1).
        """
        ratio = (temperature + ZERO_CELSIUS) / (REFERENCE_TEMPERATURE + ZERO_CELSIUS)
        exponent = self.band_gap / self.slope_voltage(temperature) * (ratio - 1.0)
        return self.saturation_current * math.pow(ratio, 3.0 / self.emission) * math.exp(exponent)

    def forward_voltage(self, current: float, temperature: float = REFERENCE_TEMPERATURE) -> float:
        """Return the forward voltage in volts at `current` amperes (≥ 0) and a junction of `temperature` °C."""
        knee = self.slope_voltage(temperature) * math.log1p(current / self.saturation_at(temperature))
        return knee + self.series_resistance * current


def diode_law(diode: Diode) -> DiodeLaw:
    """Return the law of the bench file's diode, fitted where the file gives forward points."""
    if diode.saturation_current is None or diode.emission_coefficient is None:
        return fit_forward(diode.forward or ())
    return DiodeLaw(diode.saturation_current, diode.emission_coefficient, diode.series_resistance)


def fit_forward(points: tuple[tuple[float, float], ...]) -> DiodeLaw:
    """Return the least-squares fit to forward `points` (volts, amperes) at 25 °C.

    Far above the saturation current V = a·ln I − a·ln Is + rs·I, which is linear in a, a·ln Is and rs. If the
    series resistance is undetermined (two points) or negative, it is zero.
    """
    volts, amperes = np.array(points).T
    columns = np.column_stack([np.log(amperes), np.ones_like(amperes), amperes])
    fit = np.linalg.lstsq(columns, volts, rcond=None)[0] if len(points) > 2 else np.array([-1.0, 0.0, -1.0])
    if fit[2] < 0 or fit[0] <= 0:
        fit = np.append(np.linalg.lstsq(columns[:, :2], volts, rcond=None)[0], 0.0)
    slope, constant, ohms = (float(value) for value in fit)
    thermal = BOLTZMANN_PER_CHARGE * (REFERENCE_TEMPERATURE + ZERO_CELSIUS)
    return DiodeLaw(max(math.exp(-constant / slope), 1e-30), slope / thermal, ohms)


def path_current(drive: float, resistance: float, slope: float, saturation: float) -> float:
    """Return the current in amperes of a resistance and an exponential diode in series at `drive` volts.

    Solves drive = R·i + a·ln(1 + i/Is), R in ohms (> 0), a = `slope` in volts, Is = `saturation` in amperes. In closed
    form i = (a/R)·ω(z) − Is with z = ln(Is·R/a) + (drive + Is·R)/a and Wright's ω; two steps of Fritsch, Shafer and
    Crowley's iteration (Comm. ACM 16, 1973) give ω to machine precision.

    >>> round(path_current(5.0, 10.0, 0.05, 1e-9), 4)
    0.401
    """
    scale = saturation * resistance / slope
    z = math.log(scale) + drive / slope + scale
    if z < -40.0:
        return -saturation
    if z > 1.0:
        omega = z - math.log(z)
    else:
        power = math.exp(z)
        omega = power / (1.0 + power)
    for _ in range(2):
        rest = z - omega - math.log(omega)
        above = 1.0 + omega
        twice = 2.0 * above * (above + rest * 2.0 / 3.0)
        omega *= 1.0 + rest / above * (twice - rest) / (twice - 2.0 * rest)
    return slope / resistance * omega - saturation
