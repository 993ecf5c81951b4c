"""The transformer's core: its flux, the magnetising current that saturation makes peaky, and its loss.

The winding's induced voltage v is the rate of change of the flux linkage ψ. The core draws i(ψ) + v·G beside what the
secondaries reflect, and all of it drops voltage in the primary's resistance. So no direct current crosses: a mean of
the reflected current shifts the flux until the magnetising current has the opposite mean.

The flux is stepped by Adams and Bashforth's second order; the magnetising current at the end of a step follows from it
before the network is solved, so that the core is a known source in each step. This is stable as the primary's
resistance times the steepest 1/L of the curve is far below a step's inverse.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchmon.bench import Transformer
from benchmon_simulated.effects import Floats

AIR = 1.5
"""Times rated flux beyond which the core is full, and its curve goes on straight (from experience)."""

_WAVE = np.sin(2.0 * np.pi * np.arange(400) / 400)
"""A sine, one period."""

SETTLED_FLUX = 1e-5
"""The part of the rated flux by which it may move in a period and still count as settled."""


@dataclass(frozen=True)
class MagnetisingCurve:
    """Magnetising current by flux linkage, amperes and Vs: i = peak·((1 − s)·u + s·uⁿ), odd, u = ψ/`rated`, s `steep`.

    `loss` is siemens at the primary at `volts` rms; watts grow as volts to the power of 1.8, between the 1.6 of
    hysteresis and the 2 of eddy currents (Steinmetz).
    """

    rated: float
    peak: float
    steep: float
    exponent: int
    loss: float
    volts: float

    def current(self, flux: float) -> float:
        """Return the magnetising current in amperes at a flux linkage in volt seconds."""
        size = flux / self.rated
        within = size if -AIR < size < AIR else math.copysign(AIR, size)
        # The exponent is odd, so this is never negative.
        power = within ** (self.exponent - 1)
        drawn = (1.0 - self.steep + self.steep * power) * within
        if within != size:
            drawn += (size - within) * (1.0 - self.steep + self.steep * self.exponent * power)
        return self.peak * drawn

    def currents(self, fluxes: Floats) -> Floats:
        """Return the currents along `fluxes`, shape (n,)."""
        return np.array([self.current(flux) for flux in fluxes.tolist()])

    def conductance(self, volts: float) -> float:
        """Return the siemens of the loss at `volts` rms."""
        return self.loss * math.pow(max(volts, 1.0) / self.volts, -0.2)


def usual_no_load(rating: float) -> tuple[float, float]:
    """Return the usual no-load current, as a part of the rated primary current, and loss in watts by a rating in VA.

    Laminated transformers of 2, 20, 200 VA take about 50, 25 and 12 % and 1.2, 3.5 and 10 W (from memory of
    manufacturers' lists; toroids take a fifth of it).
    """
    return min(0.6, 0.62 * math.pow(rating, -0.31)), 0.9 * math.pow(rating, 0.45)


def draw_curve(
    transformer: Transformer, frequency: float, random: np.random.Generator, scale: float
) -> MagnetisingCurve | None:
    """Return the curve of this transformer; None where the bench file gives its no-load current as zero.

    What the file gives is met within 5 %, the rest is drawn: a toroid or a laminated core, the steep part of the
    current at rated volts and the exponent so that 6 % more volts take 15 to 40 % more current (from experience).
    `scale` is on how far from usual it is.
    """
    volts, rating = transformer.primary_voltage, transformer.rating or 50.0
    part, usual_loss = usual_no_load(rating)
    size = float((3.0 * scale) ** random.uniform(-1.0, 0.3)) if scale > 0.4 else 1.0
    amperes, watts = part * size * rating / volts, usual_loss * math.sqrt(size)
    points = getattr(transformer, "no_load", None)
    named = transformer.model_fields_set
    nearly = 1.0 + 0.05 * float(random.uniform(-1.0, 1.0))
    if points:
        volts, amperes, watts = max(points, key=lambda point: point[0])
    else:
        if "no_load_current" in named and transformer.no_load_current is not None:
            amperes = nearly * transformer.no_load_current
        if "no_load_loss" in named and transformer.no_load_loss is not None:
            watts = nearly * transformer.no_load_loss
    if amperes <= 0.0:
        return None
    active = min(watts / volts, 0.9 * amperes)
    steep = min(0.85, float(random.uniform(0.25, 0.6)) * math.sqrt(scale))
    exponent = int(random.choice([7, 9, 11]))
    reactive = math.sqrt(amperes**2 - active**2)
    if points and len(points) > 1:
        steep, exponent = _through(points, reactive)
    drawn = (1.0 - steep) * _WAVE + steep * _WAVE**exponent
    rated = math.sqrt(2.0) * volts / (2.0 * math.pi * frequency)
    peak = reactive / math.sqrt(float(drawn @ drawn) / len(drawn))
    return MagnetisingCurve(rated, peak, steep, exponent, active / volts, volts)


def _through(points: list[tuple[float, float, float]], reactive: float) -> tuple[float, int]:
    """Return the steep part and the exponent that come nearest to the no-load `points` (volts, amperes, watts)."""
    highest = max(point[0] for point in points)
    best = (math.inf, 0.4, 9)
    for exponent in (5, 7, 9, 11, 13, 15):
        for steep in np.linspace(0.0, 0.95, 39).tolist():
            whole = (1.0 - steep) * _WAVE + steep * _WAVE**exponent
            off = 0.0
            for volts, amperes, watts in points:
                u = volts / highest
                here = (1.0 - steep) * u * _WAVE + steep * (u * _WAVE) ** exponent
                drawn = reactive * math.sqrt(float(here @ here) / float(whole @ whole))
                off += math.log(max(1e-6, math.hypot(drawn, watts / volts)) / amperes) ** 2
            best = min(best, (off, steep, exponent))
    return best[1], best[2]


class PrimaryCircuit:
    """The primary with its core, stepped beside the network: an EMF behind a resistance in every step.

    Its state, `flux` in volt seconds, passes from one period to the next.
    """

    def __init__(self, curve: MagnetisingCurve) -> None:
        self._curve = curve
        self.flux = 0.0
        self._volts = self._before = 0.0
        self._on = False

    @property
    def states(self) -> list[float]:
        """Its flux, the induced volts of the last step and of the one before, and 1 under power, else 0."""
        return [self.flux, self._volts, self._before, float(self._on)]

    @states.setter
    def states(self, states: list[float]) -> None:
        self.flux, self._volts, self._before, on = states
        self._on = on > 0.5

    @property
    def rated_flux(self) -> float:
        """The peak of the flux linkage at rated volts, in volt seconds."""
        return self._curve.rated

    def begin(self, mains_emf: Floats, frequency: float, resistance: float, shorted: float = 0.0) -> float:
        """Begin a period of `mains_emf`; return the resistance in ohms that the secondaries see behind the EMF.

        `resistance` is that of the primary circuit in ohms, `shorted` siemens of shorted turns, referred to the
        primary.
        """
        on = bool(mains_emf.any())
        if on and not self._on:
            # Switched on at the best moment, so that the flux is symmetrical at once.
            sine = np.sin(2.0 * np.pi * np.arange(len(mains_emf)) / len(mains_emf))
            self.flux = -float(mains_emf @ sine) / len(mains_emf) / (math.pi * frequency)
            self._volts = self._before = float(mains_emf[0])
        if not on:
            self.flux = self._volts = self._before = 0.0
        self._on = on
        rms = math.sqrt(float(mains_emf @ mains_emf) / len(mains_emf))
        self.conductance = self._curve.conductance(rms) + shorted if on else 0.0
        self._share = 1.0 / (1.0 + resistance * self.conductance)
        self._ohms, self._step = resistance, 1.0 / (frequency * len(mains_emf))
        self.magnetising: list[float] = []
        self.volts: list[float] = []
        return resistance * self._share

    def emf(self, mains_volts: float) -> float:
        """Advance the flux by one step; return the EMF that drives the secondaries, volts referred to the primary."""
        self.flux += self._step * (1.5 * self._volts - 0.5 * self._before)
        current = self._curve.current(self.flux) if self._on else 0.0
        self.magnetising.append(current)
        self._driving = (mains_volts - self._ohms * current) * self._share
        return self._driving

    def accept(self, reflected: float) -> None:
        """End the step with amperes that the secondaries reflect."""
        self._before = self._volts
        self._volts = self._driving - self._ohms * self._share * reflected
        self.volts.append(self._volts)
