"""A hypothesis of why readings are as they are, and what every channel would read if it were so."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchmon.watch.meter_values import MeterValue


@dataclass(frozen=True)
class Hypothesis:
    """One possible cause: its name, what to do, how likely it is beforehand, and the channels it concerns.

    `readings` holds what each channel reads if it is so; a channel that is not in it may read anything.
    """

    cause: str
    remedy: str
    prior: float
    readings: Mapping[str, MeterValue]
    channels: tuple[str, ...] = ()
