"""What a person may tell the simulated bench while it runs, one order a line."""

from __future__ import annotations

import re

from benchmon.errors import BadInput, one_line
from benchmon.quantities import RESISTANCE, VOLTAGE, parse_value
from benchmon_simulated.supply import SupplyUnderTest
from benchmon_simulated.troubles import Troubles, seconds

LONGEST_ORDER = 500

WORDS = (
    "fault NAME, clear NAME, clear all, mains 180 V, mains on, mains off, load 4.7 Ω, load open, load back, "
    "new fuse, list; at 10s ORDER does it later"
)
_FIRST_WORDS = ("fault ", "clear ", "mains ", "load ", "new fuse", "list")
_LATER = re.compile(r"at (?P<time>[0-9.]+ ?(s|min|h|ms)?)\s+(?P<order>\S.*)")
"""Every order, as the answer to one that is none."""


def delayed(text: str) -> tuple[float, str]:
    """Return the seconds that `at TIME ORDER` says to wait, and its order; 0 and `text` where it is none such.

    Raises `BadInput` for a time that is none, or an order that there is not.

    >>> delayed("at 10 s mains 23 V"), delayed("list")
    ((10.0, 'mains 23 V'), (0.0, 'list'))
    """
    match = _LATER.fullmatch(text.strip())
    if match is None:
        return 0.0, text
    if not match["order"].startswith(_FIRST_WORDS):
        raise BadInput(f"{one_line(match['order'], 40)!r} is no order; there is {WORDS}")
    return seconds(match["time"]), match["order"]


def obey(text: str, supply: SupplyUnderTest, troubles: Troubles) -> str:
    """Do what one line `text` says; return the answer, one line. Raises `BadInput` in one line."""
    order = re.sub(r"\s+", " ", text).strip()
    word, _, rest = order.partition(" ")
    if len(text) > LONGEST_ORDER:
        raise BadInput(f"an order has at most {LONGEST_ORDER} characters")
    if word == "fault" and rest:
        trouble = troubles.plan(rest, supply.snapshot.time)
        return f"{trouble.title}: {trouble.description}"
    if word == "clear" and rest:
        return f"cleared: {', '.join(troubles.clear(rest)) or 'nothing was at work'}"
    if word == "mains" and rest:
        return _turn_mains(supply, rest)
    if word == "load" and rest:
        return _change_load(supply, rest)
    if order == "new fuse":
        supply.replace_fuse()
        return "a new fuse is in"
    if order == "list":
        return f"{_state(supply)}; faults: {', '.join(troubles.titles) or 'none'}"
    raise BadInput(f"{one_line(order, 40)!r} is no order; there is {WORDS}")


def _turn_mains(supply: SupplyUnderTest, rest: str) -> str:
    if rest == "on":
        supply.switch_on()
    elif rest == "off":
        supply.switch_off()
    else:
        supply.set_mains(_value(f"mains {rest}", rest, "V"))
    return _state(supply)


def _change_load(supply: SupplyUnderTest, rest: str) -> str:
    if rest == "open":
        supply.set_load("open")
    elif rest == "back":
        supply.restore_load()
    else:
        supply.set_load(_value(f"load {rest}", rest, "Ω"))
    return f"load {rest}"


def _value(order: str, text: str, unit: str) -> float:
    try:
        return parse_value(text, VOLTAGE if unit == "V" else RESISTANCE)
    except BadInput as problem:
        raise BadInput(f"{one_line(order, 40)!r}: {problem}") from problem


def _state(supply: SupplyUnderTest) -> str:
    fuse = ", fuse blown" if supply.fuse_blown else ""
    return f"mains {supply.mains_volts:.4g} V, {'on' if supply.on else 'off'}{fuse}"
