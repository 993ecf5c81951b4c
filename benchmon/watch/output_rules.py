"""What rectifier, reservoir, output and load must keep, among each other and against the mains."""

from __future__ import annotations

import math

from benchmon.bench import Bench, OpenLoad, ResistorLoad
from benchmon.standards import LOAD_RISE
from benchmon.watch.rule import Rule, at_most

_LOAD_DOUBT = 0.01
_UNLIKE_HALVES = 0.02

_WATTS = "mains.power.active"
_OUT_RMS, _OUT_MEAN, _OUT_AC = "output.voltage.rms", "output.voltage.mean", "output.voltage.ac_rms"
_OUT_PEAK, _OUT_VALLEY, _RIPPLE = "output.voltage.peak", "output.voltage.valley", "output.voltage.ripple"


def _ratio(upper: float, lower: float) -> float:
    return upper / lower if lower else math.nan


def _load_ohms(bench: Bench) -> float:
    """Return the load's ohms, half warm: how hot it is by now is not known here."""
    if not isinstance(bench.load, ResistorLoad):
        return math.nan
    return bench.load.resistance * (1.0 + bench.load.temperature_coefficient * LOAD_RISE / 2.0)


def _load_doubt(bench: Bench) -> float:
    warm = bench.load.temperature_coefficient if isinstance(bench.load, ResistorLoad) else 0.0
    return math.hypot(_LOAD_DOUBT, warm * LOAD_RISE / 2.0)


def _share_doubt(bench: Bench) -> float:
    return math.hypot(_UNLIKE_HALVES, _load_doubt(bench))


def _diode_share(bench: Bench) -> float:
    """Return the part of the load's mean current that one diode carries."""
    topology = bench.rectifier.topology
    return topology.multiplies / len(topology.paths)


def _has_resistor(bench: Bench) -> bool:
    return isinstance(bench.load, ResistorLoad)


def _loaded_without_regulator(bench: Bench) -> bool:
    return bench.regulator is None and not isinstance(bench.load, OpenLoad)


def _same_charge_at_the_load(bench: Bench) -> bool:
    """Whether the diodes' mean current is the load's, but for the halves."""
    return bench.rectifier.topology.is_plain and _loaded_without_regulator(bench)


RECTIFIER_RULES = (
    at_most(
        "winding current's peak below its rms",
        "a peak is at least the rms",
        "secondary.current.rms",
        "secondary.current.peak",
    ),
    at_most("diode rms below its mean", "an rms is at least the mean", "diode.current.mean", "diode.current.rms"),
    at_most("diode peak below its rms", "a peak is at least the rms", "diode.current.rms", "diode.current.peak"),
    Rule(
        "diode's share of the load current",
        "one diode's mean current is its share of the load's",
        ("diode.current.mean", "output.current.mean"),
        lambda bench, diode, load: (diode, _diode_share(bench) * load),
        equal=True,
        slack=_UNLIKE_HALVES,
        applies=_same_charge_at_the_load,
    ),
    Rule(
        "diode's share of volts over load",
        "one diode's mean current is its share of mean volts ÷ load",
        ("diode.current.mean", _OUT_MEAN),
        lambda bench, diode, volts: (diode, _diode_share(bench) * volts / _load_ohms(bench)),
        equal=True,
        slack=_share_doubt,
        applies=lambda bench: _same_charge_at_the_load(bench) and _has_resistor(bench),
    ),
    at_most(
        "reservoir peak below its mean",
        "a peak is at least the mean",
        "reservoir.voltage.mean",
        "reservoir.voltage.peak",
    ),
    at_most(
        "reservoir mean below its valley",
        "a mean is at least the valley",
        "reservoir.voltage.valley",
        "reservoir.voltage.mean",
    ),
    Rule(
        "reservoir ripple from peak and valley",
        "ripple is peak less valley",
        ("reservoir.voltage.ripple", "reservoir.voltage.peak", "reservoir.voltage.valley"),
        lambda _, ripple, peak, valley: (ripple, peak - valley),
        equal=True,
    ),
)

OUTPUT_RULES = (
    at_most("rms below mean", "an rms is at least the mean", _OUT_MEAN, _OUT_RMS),
    at_most("rms below its AC part", "an rms is at least that of the AC part", _OUT_AC, _OUT_RMS),
    at_most("peak below rms", "a peak is at least the rms", _OUT_RMS, _OUT_PEAK),
    at_most("peak below mean", "a peak is at least the mean", _OUT_MEAN, _OUT_PEAK),
    at_most("mean below valley", "a mean is at least the valley", _OUT_VALLEY, _OUT_MEAN),
    Rule(
        "rms from mean and AC part",
        "rms² is mean² + AC rms²",
        (_OUT_RMS, _OUT_MEAN, _OUT_AC),
        lambda _, rms, mean, ac: (rms, math.hypot(mean, ac)),
        equal=True,
    ),
    Rule(
        "ripple from peak and valley",
        "ripple is peak less valley",
        (_RIPPLE, _OUT_PEAK, _OUT_VALLEY),
        lambda _, ripple, peak, valley: (ripple, peak - valley),
        equal=True,
    ),
    Rule(
        "AC rms above half the ripple",
        "AC rms is at most half the ripple",
        (_OUT_AC, _RIPPLE),
        lambda _, ac, ripple: (ac, ripple / 2.0),
    ),
    Rule(
        "form factor below 1",
        "a form factor is at least 1",
        ("output.voltage.form_factor",),
        lambda _, form: (1.0, form),
    ),
    Rule(
        "form factor from rms and mean",
        "form factor × mean is the rms",
        ("output.voltage.form_factor", _OUT_MEAN, _OUT_RMS),
        lambda _, form, mean, rms: (form * mean, rms),
        equal=True,
    ),
    Rule(
        "form factor from ripple factor",
        "form factor² is 1 + ripple factor²",
        ("output.voltage.form_factor", "output.voltage.ripple_factor"),
        lambda _, form, ripple: (form, math.hypot(1.0, ripple)),
        equal=True,
    ),
    Rule(
        "ripple factor from AC part and mean",
        "ripple factor × mean is the AC rms",
        ("output.voltage.ripple_factor", _OUT_MEAN, _OUT_AC),
        lambda _, factor, mean, ac: (factor * mean, ac),
        equal=True,
    ),
    Rule(
        "ripple frequency against mains frequency",
        "ripple repeats once or twice a mains period",
        ("output.voltage.frequency", "mains.frequency"),
        lambda _, ripple, mains: (ripple, mains * min(max(round(_ratio(ripple, mains)), 1), 2) if mains else math.nan),
        equal=True,
        slack=0.005,
    ),
)

LOAD_RULES = (
    at_most(
        "load current's rms below its mean", "an rms is at least the mean", "output.current.mean", "output.current.rms"
    ),
    Rule(
        "mean volts over amperes is the load",
        "mean volts ÷ mean amperes is the load",
        (_OUT_MEAN, "output.current.mean"),
        lambda bench, volts, amperes: (volts, amperes * _load_ohms(bench)),
        equal=True,
        slack=_load_doubt,
        applies=_has_resistor,
    ),
    Rule(
        "rms volts over amperes is the load",
        "rms volts ÷ rms amperes is the load",
        (_OUT_RMS, "output.current.rms"),
        lambda bench, volts, amperes: (volts, amperes * _load_ohms(bench)),
        equal=True,
        slack=_load_doubt,
        applies=_has_resistor,
    ),
    Rule(
        "output power above volts times amperes",
        "output power is at most rms volts × rms amperes",
        ("output.power.mean", _OUT_RMS, "output.current.rms"),
        lambda _, p, volts, amperes: (p, volts * amperes),
    ),
    Rule(
        "output power from volts and load",
        "output power is rms volts² ÷ load",
        ("output.power.mean", _OUT_RMS),
        lambda bench, p, volts: (p, volts**2 / _load_ohms(bench)),
        equal=True,
        slack=_load_doubt,
        applies=_has_resistor,
    ),
    at_most("output power above input power", "what goes out comes in", "output.power.mean", _WATTS),
    at_most("load power above input power", "what goes out comes in", "load.power.mean", _WATTS),
    Rule(
        "output volts times amperes above input power",
        "what goes out comes in",
        (_OUT_RMS, "output.current.rms", _WATTS),
        lambda _, volts, amperes, p: (volts * amperes, p),
        applies=_has_resistor,
    ),
    Rule(
        "output volts into the load above input power",
        "what goes out comes in",
        (_OUT_RMS, _WATTS),
        lambda bench, volts, p: (volts**2 / _load_ohms(bench), p),
        slack=_load_doubt,
        applies=_has_resistor,
    ),
)
