"""The questions about the filter: the reservoir, and a choke, a resistor or a second capacitor beside it.

The parts of a filter stand in sections of one name, so their questions begin with names of their own: `filter` is the
reservoir, `choke`, `series` and `second` are the others.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from pydantic import BaseModel

from benchmon.bench import Capacitor, Choke, SeriesResistor
from benchmon.bench.topology import TOPOLOGIES, RectifierKind
from benchmon.new_bench.bench_text import BenchText, TextSection
from benchmon.new_bench.questions import Asked, ModelKeys, Question, meaning, refused

NO_RESERVOIR, _NOT_KNOWN = "none", "not known"
CHAIN = "filter.chain"
_OTHER = "as in the file"
_ALONE, _SECOND_BY_CHOKE = "the reservoir alone", "reservoir, choke, second capacitor"
_CHAINS: Mapping[str, tuple[str, ...]] = {
    _ALONE: ("capacitor",),
    _SECOND_BY_CHOKE: ("capacitor", "choke", "capacitor"),
    "reservoir, resistor, second capacitor": ("capacitor", "resistor", "capacitor"),
    "choke, then the reservoir": ("choke", "capacitor"),
}
FILTER_MODELS: Mapping[str, type[BaseModel]] = {
    "filter": Capacitor,
    "choke": Choke,
    "series": SeriesResistor,
    "second": Capacitor,
}
"""By what the names of the questions about a part begin with, the model of its section."""
ALL_ASKED = {CHAIN: _SECOND_BY_CHOKE}
"""The answer from which most questions about the filter arise."""
_RESERVOIR, _SECOND = ModelKeys("filter", Capacitor), ModelKeys("second", Capacitor)


def ask_filter(asked: Asked) -> None:
    """Ask for the filter. What likely and usual answers are is from memory."""
    asked.group("Filter")
    kind: RectifierKind = asked["rectifier.kind"]  # type: ignore[assignment]
    without = "" if TOPOLOGIES[kind].capacitors else NO_RESERVOIR
    size = asked.ask(
        _RESERVOIR.value("capacitance", "reservoir capacitor", "4.7 mF", without=without, likely=(1e-6, 0.5))
    )
    if size == NO_RESERVOIR:
        return
    _ask_rest_of_capacitor(asked, _RESERVOIR)
    asked.ask(
        _RESERVOIR.value("ripple_current_rating", "its rated ripple current", without=_NOT_KNOWN, likely=(0.01, 200.0))
    )
    why = (
        "The parts from the rectifier to the load, in their order. A choke before the reservoir makes it a choke input."
    )
    choices = (*_CHAINS, *([_OTHER] if asked.given.get(CHAIN) == _OTHER else []))
    chain = asked.ask(Question(CHAIN, "the whole filter", why, _ALONE, choices=choices))
    parts = _CHAINS.get(chain, ())
    if "choke" in parts:
        choke = ModelKeys("choke", Choke)
        asked.ask(choke.value("inductance", "inductance of the choke", "10 mH", likely=(1e-5, 30.0)))
        asked.ask(choke.value("resistance", "resistance of the choke", "0.5 Ω", likely=(0.0, 500.0)))
    if "resistor" in parts:
        resistor = ModelKeys("series", SeriesResistor)
        asked.ask(resistor.value("resistance", "resistor between the capacitors", "1 Ω", likely=(0.01, 1e5)))
    if parts.count("capacitor") > 1:
        asked.ask(_SECOND.value("capacitance", "second capacitor", "4.7 mF", likely=(1e-7, 0.5)))
        _ask_rest_of_capacitor(asked, _SECOND)


def _ask_rest_of_capacitor(asked: Asked, keys: ModelKeys) -> None:
    asked.ask(
        Question(
            f"{keys.section}.tolerance", "its tolerance", meaning(Capacitor, "tolerance"), "20 %", _NOT_KNOWN,
            check=_is_tolerance, as_toml=_tolerance,
        )
    )  # fmt: skip
    asked.ask(keys.value("esr", "its ESR", without=_NOT_KNOWN, likely=(0.0, 5.0)))
    asked.ask(keys.value("voltage_rating", "its rated voltage", "40 V", without=_NOT_KNOWN, likely=(4.0, 1000.0)))


def _tolerance(text: str) -> Any:
    low, _, high = text.partition(",")
    return [low.strip(), high.strip()] if high else text


def _is_tolerance(text: str) -> str:
    return refused(Capacitor, "tolerance", _tolerance(text))


def filter_parts(text: BenchText) -> dict[str, TextSection]:
    """Return the sections of a filter that are asked for, by what the names of their questions begin with."""
    found = dict[str, TextSection]()
    for section in text.all("filter"):
        kind = section.content.get("kind")
        name = {"choke": "choke", "resistor": "series", "capacitor": "second" if "filter" in found else "filter"}
        found.setdefault(name.get(str(kind), ""), section)
    found.pop("", None)
    return found


def chain_of(text: BenchText) -> str:
    """Return which of the chains a filter is, "" where it has no capacitor."""
    kinds = tuple(section.content.get("kind") for section in text.all("filter"))
    if "capacitor" not in kinds:
        return ""
    return next((words for words, parts in _CHAINS.items() if parts == kinds), _OTHER)


def write_chain(text: BenchText, chain: str, set_part: Callable[[str], None]) -> None:
    """Put the parts of a chain beside the reservoir; `set_part` writes the answers about one of them."""
    if chain_of(text) == chain or chain == _OTHER:
        return
    remove_beside_reservoir(text)
    reservoir = filter_parts(text).get("filter")
    if reservoir is None:
        return
    parts = _CHAINS[chain]
    place = text.sections[text.sections.index(reservoir) - 1]
    for at, kind in enumerate(parts):
        if at == parts.index("capacitor"):
            place = reservoir
            continue
        place = text.add("filter", many=True, after=place)
        place.set("kind", kind)
    for name in filter_parts(text).keys() - {"filter"}:
        set_part(name)


def remove_beside_reservoir(text: BenchText) -> None:
    """Take every part of the filter away but the reservoir."""
    reservoir = filter_parts(text).get("filter")
    for section in text.all("filter"):
        if section is not reservoir:
            text.remove(section)
