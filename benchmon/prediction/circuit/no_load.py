"""What a transformer takes without load: measured, given, or usual for its rating; and the shape of its core."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from benchmon.bench.transformer import Transformer
from benchmon.prediction.circuit.core import Core, solve_core
from benchmon.prediction.collocation import Mesh
from benchmon.signals.arrays import Floats

USUAL_SATURATING, USUAL_EXPONENT = 0.6, 9.0
"""Usual core at its rated voltage: the part of the current's peak that saturates, and how steeply (from memory).

With them the current without load has a distortion near 0.35 and grows by a third for 6 % more volts.
"""

USUAL_LOSS_EXPONENT = 2.0
"""How the core's loss grows with volts: eddy currents by the square, hysteresis by the power of 1.6 (from memory)."""

_USUAL_CURRENT, _USUAL_FALL = 0.5, -0.4
_USUAL_LOSS, _LOSS_FALL = 0.45, -0.58
"""No-load current over rated current, and no-load loss over rating, of a transformer of 1 VA, and their power laws.

From memory: laminated cores of 10 VA take 1 to 1.5 W, of 50 VA 15 to 20 % and 2.5 W; toroids of 50 VA 2 to 3 % and
0.5 W. This is between the two, nearer to the laminated ones where there are hardly any toroids, below 15 VA.
"""

_USUAL_REGULATION, _REGULATION_FALL = 0.5, -0.36
"""Regulation of a transformer of 1 VA, and its power law: 22 % at 10 VA, 9.5 % at 100 VA (from memory)."""


def usual_rating(transformer: Transformer) -> float | None:
    """Return the rating in volt-amperes, or where it is not given that of such winding resistances; None without any.

    The regulation S·R/V² of a usual transformer gives S for the resistance R of all windings, at the primary.
    """
    if transformer.rating is not None:
        return transformer.rating
    ohms = transformer.primary_resistance
    ohms += transformer.secondary_resistance / (transformer.ratio**2 * transformer.secondaries)
    if ohms <= 0.0:
        return None
    short_circuit_power = transformer.primary_voltage**2 / ohms
    return float((_USUAL_REGULATION * short_circuit_power) ** (1.0 / (1.0 - _REGULATION_FALL)))


_FIT_ROUNDS, _FIT_INTERVALS = 4, 64
_NARROWINGS = 7
_PULL = 1e-7
"""How much an unusual shape counts against one that meets the points, in squared logarithms of the current."""

_LEAST_SPREAD = 0.01
"""Spread of the logarithm of volts below which points do not show how the loss grows."""


@dataclass(frozen=True)
class NoLoad:
    """What a transformer takes without load at its rated voltage: rms `current` in amperes and `loss` in watts.

    `saturating`, `exponent` and `loss_exponent` are the shape of its core, `match` the factor of the magnetising
    current that the drop in the primary winding asks for, and `turns` the rated voltage over the EMF that is left.
    """

    current: float
    loss: float
    saturating: float
    exponent: float
    loss_exponent: float
    match: float
    turns: float


def no_load_of(transformer: Transformer) -> NoLoad:
    """Return what a transformer takes without load, from what is given of it, else as is usual at its rating."""
    points = transformer.no_load or ()
    given = transformer.model_fields_set
    if not points:
        rating = usual_rating(transformer)
        loss = transformer.no_load_loss
        if "no_load_loss" not in given and rating is not None:
            loss = _USUAL_LOSS * rating ** (1.0 + _LOSS_FALL)
            if "no_load_current" in given:
                loss = min(loss, 0.7 * transformer.no_load_current * transformer.primary_voltage)
        current = transformer.no_load_current
        if "no_load_current" not in given and rating is not None:
            usual = _USUAL_CURRENT * rating ** (1.0 + _USUAL_FALL) / transformer.primary_voltage
            current = max(usual, 1.2 * loss / transformer.primary_voltage)
        points = ((transformer.primary_voltage, current, loss),)
    return _fitted(points, transformer.primary_voltage, transformer.primary_resistance)


@lru_cache(maxsize=64)
def _fitted(points: tuple[tuple[float, float, float], ...], volts: float, ohms: float) -> NoLoad:
    """Return the core whose rms current and watts are those of the measured `points` of volts, amperes and watts.

    `volts` is the rated voltage. Where the resistance of the primary takes some of it, the flux is no sine: the points
    are solved with the core found so far, and the currents aimed at are corrected by what is missing.
    """
    given = np.array(points)
    level, amperes = given[:, 0] / volts, given[:, 1]
    # The copper's share of the measured watts is none of the core's.
    loss = np.maximum(given[:, 2] - ohms * amperes**2, 0.0)
    rated_loss, loss_exponent = _loss_law(level, loss)
    measured = np.maximum(amperes, loss / given[:, 0])
    aimed = np.sqrt(np.maximum(measured**2 - (loss / given[:, 0]) ** 2, 0.0))
    if np.max(aimed) <= 1e-6 * np.max(measured, initial=1e-30):
        return NoLoad(rated_loss / volts, rated_loss, USUAL_SATURATING, USUAL_EXPONENT, loss_exponent, 1.0, 1.0)
    current, emf = 0.0, volts
    for _ in range(_FIT_ROUNDS):
        peak, share, exponent = _shape_of(level, np.maximum(aimed, 1e-3 * np.max(aimed)))
        values = (peak, share, exponent, rated_loss / emf**2, ohms, 1.0 / (np.sqrt(2.0) * volts))
        core = Core(*(np.array([value]) for value in values))
        idle = [_idle(core, one * volts, one ** (loss_exponent - 2.0)) for one in [*level, 1.0]]
        aimed = aimed * measured / [amperes for amperes, _ in idle[:-1]]
        current, emf = idle[-1]
    expected = np.sqrt(max(current**2 - (rated_loss / volts) ** 2, 1e-30)) / rms_of_shape(share, exponent)
    return NoLoad(current, rated_loss, share, exponent, loss_exponent, float(peak / expected), volts / emf)


def _idle(core: Core, volts: float, loss_factor: float) -> tuple[float, float]:
    """Return the rms line current of one `core` without load, amperes, and its EMF, volts, at a sine of `volts` rms."""
    mesh = Mesh(np.linspace(0.0, np.pi, _FIT_INTERVALS + 1))
    source = np.sqrt(2.0) * volts * np.sin(mesh.stages)[None]
    core = replace(core, conductance=core.conductance * loss_factor)
    state = solve_core(core, mesh, source, np.zeros_like(source), symmetric=True)
    line = state.magnetising + state.loss
    waves = line, source - core.ohms * line
    amperes, emf = (float(np.sqrt(np.einsum("bms,ms->", wave**2, mesh.weights))) for wave in waves)
    return amperes, emf


def _loss_law(level: Floats, loss: Floats) -> tuple[float, float]:
    """Return the watts at the rated voltage and the exponent of their growth, by a straight line of logarithms."""
    if np.any(loss <= 0.0):
        return float(np.mean(loss / level**USUAL_LOSS_EXPONENT)), USUAL_LOSS_EXPONENT
    logs, watts = np.log(level), np.log(loss)
    spread = float(np.sum((logs - logs.mean()) ** 2))
    exponent = USUAL_LOSS_EXPONENT
    if spread > _LEAST_SPREAD**2:
        exponent = float(np.clip(np.sum((logs - logs.mean()) * watts) / spread, 1.0, 4.0))
    return float(np.exp(np.mean(watts - exponent * logs))), exponent


def _shape_of(level: Floats, reactive: Floats) -> tuple[float, float, float]:
    """Return peak current, saturating part and exponent of the core nearest to `reactive` rms amperes at `level`.

    Where the points leave it open, the shape is the usual one. A grid of shapes is narrowed around the best.
    """
    if len(level) == 1:
        shape = rms_of_shape(USUAL_SATURATING, USUAL_EXPONENT, float(level[0]))
        return float(np.max(reactive) / shape), USUAL_SATURATING, USUAL_EXPONENT
    logit, power = np.log(USUAL_SATURATING / (1.0 - USUAL_SATURATING)), np.log(USUAL_EXPONENT)
    usual, width = np.array([logit, power]), np.array([8.0, 1.2])
    best, peak, at = usual, usual, 0
    steps = np.linspace(-1.0, 1.0, 25)
    for _ in range(_NARROWINGS):
        logits = best[0] + width[0] * np.repeat(steps, len(steps))
        powers = np.clip(best[1] + width[1] * np.tile(steps, len(steps)), np.log(3.0), np.log(30.0))
        share, exponent = 1.0 / (1.0 + np.exp(-logits)), np.exp(powers)
        away = np.log(reactive) - np.log(rms_of_shape(share[:, None], exponent[:, None], level))
        peak = np.mean(away, axis=1)
        unusual = (logits - usual[0]) ** 2 / 4.0 + (powers - usual[1]) ** 2
        cost = np.sum((away - peak[:, None]) ** 2, axis=1) + _PULL * unusual
        at = int(np.argmin(cost))
        best, width = np.array([logits[at], powers[at]]), width / 4.0
    return float(np.exp(peak[at])), float(share[at]), float(exponent[at])


_QUARTER = (np.arange(64) + 0.5) * (np.pi / 128.0)
"""Angles over which powers of a sine are averaged."""


def rms_of_shape(saturating: Floats | float, exponent: Floats | float, level: Floats | float = 1.0) -> Floats:
    """Return the rms of h(x) = (1 − s)·x + s·xⁿ for x = level·cos θ, in any shapes that broadcast."""
    share, power, flux = (np.asarray(value, float)[..., None] for value in (saturating, exponent, level))
    flux = flux * np.cos(_QUARTER)
    shape = (1.0 - share) * flux + share * flux**power
    found: Floats = np.sqrt(np.mean(shape * shape, axis=-1))
    return found
