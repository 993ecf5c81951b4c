"""Usual values of what every real part has and a bench file may leave out: leakage, source resistance, ESR.

A value that is given, zero too, is taken as it is. What is left out is known to a factor only; `uncertainty` has it.
"""

from __future__ import annotations

import math

from benchmon.bench import Capacitor, Mains, Regulator, Transformer
from benchmon.standards import (
    USUAL_DISSIPATION,
    USUAL_LEAD_OHMS,
    USUAL_LEAKAGE,
    USUAL_REGULATOR_NOISE,
    USUAL_RESISTANCE,
    USUAL_RIPPLE_REJECTION,
    USUAL_SOURCE_OHMS,
)

_FILM_BELOW = 10e-6
"""Farads below which a capacitor is taken as a film one, whose losses are a twentieth of an electrolytic one's."""
_RIPPLE_FREQUENCY = 100.0
"""Hertz at which the losses of electrolytic capacitors are stated."""


def leakage_inductance_of(transformer: Transformer, frequency: float) -> float:
    """Return the leakage inductance of one winding in henries, referred to the secondary.

    Left out, its reactance at `frequency` (hertz) is a usual part of the rated impedance of one winding; without a
    rating, that impedance is taken from the winding resistances, and is zero where these are.
    """
    if transformer.leakage_inductance is not None:
        return transformer.leakage_inductance
    if transformer.rating is not None:
        impedance = transformer.full_load_voltage**2 * transformer.secondaries / transformer.rating
    else:
        primary = transformer.primary_resistance * transformer.ratio**2 * transformer.secondaries
        impedance = (transformer.secondary_resistance + primary) / USUAL_RESISTANCE
    return USUAL_LEAKAGE * impedance / (2.0 * math.pi * frequency)


def source_resistance_of(mains: Mains) -> float:
    """Return the resistance of source, socket and lead in ohms."""
    return USUAL_SOURCE_OHMS if mains.source_resistance is None else mains.source_resistance


def usual_tolerance_of(capacitor: Capacitor) -> float:
    """Return the usual tolerance of a capacitor either way: ±20 % for electrolytics, ±10 % for films (from memory)."""
    return 0.1 if capacitor.capacitance < _FILM_BELOW else 0.2


def esr_of(capacitor: Capacitor) -> float:
    """Return the series resistance of a capacitor in ohms; left out, tan δ / (2πf·C) and its leads."""
    if capacitor.esr is not None:
        return capacitor.esr
    loss = USUAL_DISSIPATION * (0.05 if capacitor.capacitance < _FILM_BELOW else 1.0)
    return loss / (2.0 * math.pi * _RIPPLE_FREQUENCY * capacitor.capacitance) + USUAL_LEAD_OHMS


def ripple_passed_by(regulator: Regulator) -> float:
    """Return the part of the input's ripple that a regulator passes to its output."""
    decibels = USUAL_RIPPLE_REJECTION if regulator.ripple_rejection is None else regulator.ripple_rejection
    return float(10.0 ** (-decibels / 20.0))


def noise_of(regulator: Regulator) -> float:
    """Return the noise of a regulator's output in rms volts."""
    return USUAL_REGULATOR_NOISE * regulator.output_voltage if regulator.noise is None else regulator.noise
