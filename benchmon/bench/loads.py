"""What a step of a plan or a point of a sweep connects to the outputs of a supply."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from benchmon.bench.supply import CurrentLoad
from benchmon.quantities import format_value

OutputLoad = float | Literal["open"] | CurrentLoad | None
"""The load of one output: ohms, "open", or a constant current; None for the bench file's own."""


@dataclass(frozen=True, slots=True)
class TwoLoads:
    """A load for each of two outputs; `first` is None where that of the bench file stays."""

    first: OutputLoad
    second: float | Literal["open"] | CurrentLoad


SetLoad = OutputLoad | TwoLoads
"""A load that is set: that of the first output, of both where the bench file has no load of its own at the second."""


def two_loads(first: OutputLoad, second: OutputLoad) -> SetLoad:
    """Return the loads of both outputs as one; `second` is None where nothing sets that of the second."""
    return first if second is None else TwoLoads(first, second)


def first_of(load: SetLoad) -> OutputLoad:
    """Return the load that is set at the first output."""
    return load.first if isinstance(load, TwoLoads) else load


def with_first(load: SetLoad, first: float | Literal["open"] | CurrentLoad) -> SetLoad:
    """Return a load with another one at the first output, and at the second where nothing was set there."""
    return TwoLoads(first, load.second) if isinstance(load, TwoLoads) else first


def second_of(load: SetLoad, *, has_own: bool) -> OutputLoad:
    """Return the load that is set at the second output; `has_own` is whether the bench file has one for it alone.

    >>> second_of(10.0, has_own=False), second_of(10.0, has_own=True), second_of(TwoLoads(None, 22.0), has_own=True)
    (10.0, None, 22.0)
    """
    if isinstance(load, TwoLoads):
        return load.second
    return None if has_own else load


def load_in_words(
    load: SetLoad, digits: int = 4, *, own: str = "the bench file's load", nothing: str = "no load", of: str = ""
) -> str:
    """Return a load in words; `own` stands for the bench file's own, `nothing` for none, and `of` before a value.

    >>> load_in_words(TwoLoads("open", 22.0), 3, of="a load of ")
    'no load, and a load of 22.0 Ω at output 2'
    """
    if isinstance(load, TwoLoads):
        first = load_in_words(load.first, digits, own=own, nothing=nothing, of=of)
        return f"{first}, and {load_in_words(load.second, digits, nothing=nothing, of=of)} at output 2"
    if load is None:
        return own
    if isinstance(load, CurrentLoad):
        return of + format_value(load.current, "A", digits)
    return nothing if load == "open" else of + format_value(load, "Ω", digits)
