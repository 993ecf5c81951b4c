"""What is wrong with the supply under test, as one value: how it differs from the supply that was meant."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Defects:
    """How a supply differs from what it should be; by itself it does not.

    `diodes` maps a diode's number (from 1; diode 1 carries the meters) to "open" or "shorted"; `reversed_windings` are
    windings by number. `reservoir_left` is the part of its capacitance that is left. `load` is the factor on what it
    draws, `load_open` whether it is off. `mains` is a factor on the voltage, `mains_distortion` is added to its THD,
    `primary_ohms` to the primary circuit. `cooling` is a factor on every thermal resistance, `air` is kelvins on the
    ambient. `stuck` is whether the mains stays on when it is switched off.
    """

    diodes: Mapping[int, str] = field(default_factory=dict)
    reversed_windings: frozenset[int] = frozenset()
    reservoir_left: float = 1.0
    load: float = 1.0
    load_open: bool = False
    mains: float = 1.0
    mains_distortion: float = 0.0
    primary_ohms: float = 0.0
    cooling: float = 1.0
    air: float = 0.0
    stuck: bool = False


SOUND = Defects()
