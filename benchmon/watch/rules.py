"""Rules that readings must keep, whatever the circuit does: all of them, and those that hold on a bench."""

from __future__ import annotations

from benchmon.bench import Bench
from benchmon.quantities import UNITS
from benchmon.watch.mains_rules import MAINS_RULES
from benchmon.watch.output_rules import LOAD_RULES, OUTPUT_RULES, RECTIFIER_RULES
from benchmon.watch.rule import Rule

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

RULES: tuple[Rule, ...] = (*MAINS_RULES, *RECTIFIER_RULES, *OUTPUT_RULES, *LOAD_RULES, *_HEAT_RULES, *_SIGN_RULES)
"""Every rule, from the mains to the load."""


def rules_of(bench: Bench) -> tuple[Rule, ...]:
    """Return the rules that hold on a bench and whose quantities it reads."""
    read = {channel.quantity for channel in bench.channel}
    return tuple(rule for rule in RULES if read.issuperset(rule.needs) and rule.applies(bench))
