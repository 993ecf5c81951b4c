"""The rules that readings must keep whatever the circuit does, and which of them apply to a bench.

A rule compares two sides that are made from readings: the left one is at most, or equal to, the right one. `slack` is
an expanded uncertainty (k = 2), relative to the right side, of what the rule takes for granted besides the readings.
There are rules of the mains (voltage, current, power, power factor) and of the output (means, peaks, ripple, powers).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from benchmon.bench import Bench, OpenLoad, ResistorLoad
from benchmon.prediction.thermal.rated_rise import load_rise
from benchmon.quantities import UNITS, at_second_output
from benchmon.standards import PUBLIC_SUPPLY_THD

Sides = Callable[..., tuple[float, float]]


@dataclass(frozen=True)
class Rule:
    """One rule: its name, what it says, the quantities it needs, and its two sides.

    `sides` takes the bench and the readings of `needs` in their order, and returns left and right, both in `unit`, by
    default that of the first of `needs`. `applies` is whether it holds for a bench; `equal` whether both sides must be
    the same (else left is at most right).
    """

    name: str
    says: str
    needs: tuple[str, ...]
    sides: Sides
    equal: bool = False
    slack: float | Callable[[Bench], float] = 0.0
    applies: Callable[[Bench], bool] = lambda _: True
    unit: str | None = None

    @property
    def side_unit(self) -> str:
        """The unit of both sides, "" where they have none."""
        return UNITS[self.needs[0]] if self.unit is None else self.unit


def slack_of(rule: Rule, bench: Bench) -> float:
    """Return a rule's slack on a bench, relative to its right side, expanded (k = 2)."""
    return rule.slack(bench) if callable(rule.slack) else rule.slack


def at_most(name: str, says: str, low: str, high: str) -> Rule:
    """Return the rule that one quantity is at most another."""
    return Rule(name, says, (low, high), lambda _, smaller, larger: (smaller, larger))


_MAINS_DISTORTION_DOUBT = 0.016

_VOLTS, _AMPERES = "mains.voltage.rms", "mains.current.rms"
_WATTS, _VOLT_AMPERES = "mains.power.active", "mains.power.apparent"


def _highest_power_factor(bench: Bench, distortion: float) -> float:
    """Return the largest power factor at a current of `distortion` (THD).

    1/√(1 + THD²) with a clean mains (IEEE 1459-2010); a mains with distortion d of its own may add d·THD (Cauchy).
    """
    known = bench.mains.distortion
    own = PUBLIC_SUPPLY_THD if known is None else known + _MAINS_DISTORTION_DOUBT
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
        unit="A",
    ),
    at_most("line current's peak below its rms", "a peak is at least the rms", _AMPERES, "mains.current.peak"),
)


_LOAD_DOUBT = 0.01
_UNLIKE_HALVES = 0.02

_OUTPUT_WATTS = "mains.power.active"
_OUT_RMS, _OUT_MEAN, _OUT_AC = "output.voltage.rms", "output.voltage.mean", "output.voltage.ac_rms"
_OUT_PEAK, _OUT_VALLEY, _RIPPLE = "output.voltage.peak", "output.voltage.valley", "output.voltage.ripple"


def _ratio(upper: float, lower: float) -> float:
    return upper / lower if lower else math.nan


def _load_ohms(bench: Bench) -> float:
    """Return the load's ohms, half warm: how hot it is by now is not known here."""
    if not isinstance(bench.load, ResistorLoad):
        return math.nan
    return bench.load.resistance * (1.0 + bench.load.temperature_coefficient * load_rise(bench.load) / 2.0)


def _load_doubt(bench: Bench) -> float:
    load = bench.load
    warm = load.temperature_coefficient * load_rise(load) if isinstance(load, ResistorLoad) else 0.0
    return math.hypot(_LOAD_DOUBT, warm / 2.0)


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
        unit="V",
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
        unit="V",
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
    at_most("output power above input power", "what goes out comes in", "output.power.mean", _OUTPUT_WATTS),
    at_most("load power above input power", "what goes out comes in", "load.power.mean", _OUTPUT_WATTS),
    Rule(
        "output volts times amperes above input power",
        "what goes out comes in",
        (_OUT_RMS, "output.current.rms", _OUTPUT_WATTS),
        lambda _, volts, amperes, p: (volts * amperes, p),
        unit="W",
        applies=_has_resistor,
    ),
    Rule(
        "output volts into the load above input power",
        "what goes out comes in",
        (_OUT_RMS, _OUTPUT_WATTS),
        lambda bench, volts, p: (volts**2 / _load_ohms(bench), p),
        unit="W",
        slack=_load_doubt,
        applies=_has_resistor,
    ),
)


_HEAT_RULES = tuple(
    Rule(
        f"{part} colder than the air",
        "what is powered is not colder than the air around it",
        ("ambient.temperature", f"{part}.temperature{'' if part in ('transformer', 'load', 'ntc') else '.case'}"),
        lambda _, air, case: (air, case),
    )
    for part in ("diode", "regulator", "reservoir", "transformer", "load", "ntc")
)

_NEVER_NEGATIVE = (
    "rms",
    "ac_rms",
    "ripple",
    "thd",
    "crest_factor",
    "ripple_factor",
    "reverse_peak",
    "apparent",
    "frequency",
)

_SIGN_RULES = tuple(
    Rule(
        f"{quantity} below zero",
        "it is zero at least, by what it means",
        (quantity,),
        lambda _, value: (0.0, value),
    )
    for quantity in UNITS
    if quantity.rpartition(".")[2] in _NEVER_NEGATIVE
)


def _at_output_2(rule: Rule) -> Rule | None:
    """Return a rule as it holds at a second output; None where it is of the first one or of the whole supply."""
    needs = tuple(at_second_output(name) or name for name in rule.needs)
    if needs == rule.needs or any(name.startswith(("diode.", "secondary.")) for name in needs):
        return None
    slack, sides, applies = rule.slack, rule.sides, rule.applies

    def slack_there(bench: Bench) -> float:
        return slack(bench.seen_from_output_2()) if callable(slack) else slack

    return replace(
        rule,
        name=f"{rule.name}, output 2",
        needs=needs,
        sides=lambda bench, *values: sides(bench.seen_from_output_2(), *values),
        slack=slack_there,
        applies=lambda bench: bench.rectifier.topology.has_two_outputs and applies(bench.seen_from_output_2()),
    )


_BOTH_OUTPUTS = Rule(
    "power of both outputs above input power",
    "what goes out comes in",
    ("output.power.mean", "output_2.power.mean", _OUTPUT_WATTS),
    lambda _, first, second, p: (first + second, p),
)

_AT_ONE_OUTPUT = (*MAINS_RULES, *RECTIFIER_RULES, *OUTPUT_RULES, *LOAD_RULES, *_HEAT_RULES)
_SECOND_RULES = tuple(rule for each in _AT_ONE_OUTPUT if (rule := _at_output_2(each)) is not None)

RULES: tuple[Rule, ...] = (*_AT_ONE_OUTPUT, *_SECOND_RULES, _BOTH_OUTPUTS, *_SIGN_RULES)
"""Every rule, from the mains to the load."""


def rules_of(bench: Bench) -> tuple[Rule, ...]:
    """Return the rules that hold on a bench and whose quantities it reads."""
    read = {channel.quantity for channel in bench.channel}
    return tuple(rule for rule in RULES if read.issuperset(rule.needs) and rule.applies(bench))
