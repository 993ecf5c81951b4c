"""A direct component of the mains voltage, which no bench file gives: what it may do to the line current.

A few hundred millivolts drive a direct current through the primary's resistance alone, and that magnetises the core:
the flux is offset until the magnetising current has this mean. One half wave then saturates more than the other. The
effect goes by the square of the voltage, so that no small step shows it: it is worked out at the largest usual one.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.circuit.trace_measures import mains_readings
from benchmon.prediction.circuit.traces import line_traces_of
from benchmon.prediction.thermal.equilibrium import ThermalEquilibrium

DIRECT = "direct voltage on the mains"
"""The label of what a direct voltage does in an uncertainty budget."""

_USUAL = 0.2 / 230.0
"""Direct part of a mains voltage up to which it is usual (k = 2), from memory: EN 50160 has no limit.

It is some tens of millivolts mostly; a load on one half wave, as a heater at half its power, makes it a few hundred.
"""

_MOST_OF_THE_CURRENT = 3.0
"""Direct current over the no-load current beyond which the resistances are those of no real primary circuit."""

_MOVED = ("mains.current.", "mains.power", "mains.displacement_factor")
"""How the quantities begin that the core's current is part of."""


def effects_of_direct_volts(
    bench: Bench, equilibrium: ThermalEquilibrium, levels: Mapping[str, float]
) -> dict[str, float]:
    """Return by how much a direct voltage of the mains may change what its meters read (k = 2), by quantity.

    `levels` are the readings without it. It is empty where the core takes no current, or where the harmonics of the
    mains are given: they were measured at this socket.
    """
    parts, state = equilibrium.parts, equilibrium.state
    if bench.mains.harmonics is not None or not parts["core.current"][0] > 0.0:
        return {}
    most = _MOST_OF_THE_CURRENT * parts["core.current"] * parts.primary_ohms
    volts = np.minimum(_USUAL * parts["mains.voltage"], most)
    found, _ = mains_readings(line_traces_of(state, parts, volts), parts["mains.frequency"])
    return {name: abs(float(found[name][0]) - levels[name]) for name in found if name.startswith(_MOVED)}
