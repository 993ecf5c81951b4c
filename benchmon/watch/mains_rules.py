"""What volts, amperes, watts and factors at the mains must keep among each other."""

from __future__ import annotations

import math

from benchmon.bench import Bench
from benchmon.watch.rule import Rule, at_most

_MAINS_DISTORTION_DOUBT = 0.016

_VOLTS, _AMPERES = "mains.voltage.rms", "mains.current.rms"
_WATTS, _VOLT_AMPERES = "mains.power.active", "mains.power.apparent"


def _highest_power_factor(bench: Bench, distortion: float) -> float:
    """Return the largest power factor at a current of `distortion` (THD).

    1/√(1 + THD²) with a clean mains (IEEE 1459-2010); a mains with distortion d of its own may add d·THD (Cauchy).
    """
    own = bench.mains.voltage_thd + _MAINS_DISTORTION_DOUBT
    return min(1.0, (1.0 + own * distortion) / math.sqrt((1.0 + own**2) * (1.0 + distortion**2)))


MAINS_RULES = (
    Rule(
        "power above volts times amperes",
        "active power is at most volts × amperes",
        (_WATTS, _VOLTS, _AMPERES),
        lambda _, p, v, i: (p, v * i),
    ),
    at_most("active above apparent power", "active power is at most apparent power", _WATTS, _VOLT_AMPERES),
    Rule(
        "apparent power is volts times amperes",
        "apparent power is volts × amperes",
        (_VOLT_AMPERES, _VOLTS, _AMPERES),
        lambda _, s, v, i: (s, v * i),
        equal=True,
    ),
    Rule(
        "power factor from watts, volts and amperes",
        "power factor × volts × amperes is active power",
        (_WATTS, _VOLTS, _AMPERES, "mains.power_factor"),
        lambda _, p, v, i, factor: (p, factor * v * i),
        equal=True,
    ),
    Rule(
        "power factor from active and apparent power",
        "power factor × apparent power is active power",
        (_WATTS, _VOLT_AMPERES, "mains.power_factor"),
        lambda _, p, s, factor: (p, factor * s),
        equal=True,
    ),
    Rule(
        "power factor against distortion",
        "power factor is at most 1/√(1 + THD²)",
        ("mains.power_factor", "mains.current.thd"),
        lambda bench, factor, thd: (factor, _highest_power_factor(bench, thd)),
    ),
    Rule(
        "watts, volts and amperes against distortion",
        "active power is at most volts × amperes/√(1 + THD²)",
        (_WATTS, _VOLTS, _AMPERES, "mains.current.thd"),
        lambda bench, p, v, i, thd: (p, v * i * _highest_power_factor(bench, thd)),
    ),
    Rule(
        "power factor above 1",
        "a power factor is at most 1",
        ("mains.power_factor",),
        lambda _, factor: (abs(factor), 1.0),
    ),
    Rule(
        "displacement factor above 1",
        "a displacement factor is at most 1",
        ("mains.displacement_factor",),
        lambda _, factor: (abs(factor), 1.0),
    ),
    Rule(
        "power factor from displacement and distortion",
        "power factor × √(1 + THD²) is the displacement factor",
        ("mains.power_factor", "mains.displacement_factor", "mains.current.thd"),
        lambda _, factor, displacement, thd: (factor * math.hypot(1.0, thd), displacement),
        equal=True,
        slack=0.05,
    ),
    Rule(
        "crest factor below 1",
        "a crest factor is at least 1",
        ("mains.current.crest_factor",),
        lambda _, crest: (1.0, crest),
    ),
    Rule(
        "crest factor from peak and rms",
        "crest factor × rms is the peak",
        ("mains.current.crest_factor", _AMPERES, "mains.current.peak"),
        lambda _, crest, rms, peak: (crest * rms, peak),
        equal=True,
    ),
    at_most("line current's peak below its rms", "a peak is at least the rms", _AMPERES, "mains.current.peak"),
)
