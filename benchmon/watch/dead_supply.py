"""Supplies without power, in whole or in part: nothing flows into them, or nothing comes out of the rectifier."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from benchmon.bench import Bench
from benchmon.watch.circuit_fault import OFF, CircuitFault
from benchmon.watch.meter_values import MeterValue, MeterValues
from benchmon.watch.mistakes import USUAL

_IDLE_DOUBT = 0.15


def faults_without_power(bench: Bench) -> Iterator[CircuitFault]:
    """Yield what leaves a supply without power."""
    yield CircuitFault(
        "no current flows into the supply: the fuse has blown, or the primary circuit is open",
        OFF + "test diodes, reservoir and windings for the short that blew the fuse before replacing it",
        USUAL,
        bench,
        correct=lambda values: _dead(values, _off),
    )
    yield CircuitFault(
        "there is no mains voltage",
        "check the socket, the switch and the plug",
        USUAL,
        bench,
        correct=lambda values: _dead(values, _off, powered=False),
    )
    also = ", or one of the two windings in series is reversed" if bench.transformer.connection == "series" else ""
    yield CircuitFault(
        f"nothing comes from the rectifier: its feed is open{also}",
        OFF + "check windings and rectifier",
        USUAL,
        bench,
        correct=lambda values: _dead(values, lambda name, value: _idle(bench, name, value)),
    )


def _off(name: str, value: MeterValue) -> MeterValue | None:
    """Return what a quantity before the rectifier reads where nothing flows, None where it has no meaning."""
    return None if name.endswith(("factor", "thd", "frequency")) else value.scaled(0.0)


def _idle(bench: Bench, name: str, value: MeterValue) -> MeterValue | None:
    """Return what a quantity before the rectifier reads where only the transformer idles."""
    transformer = bench.transformer
    level = bench.mains.voltage / transformer.primary_voltage
    current, loss = level * transformer.no_load_current, level**2 * transformer.no_load_loss
    apparent = level * current * transformer.primary_voltage
    known = {"mains.current.rms": current, "mains.power.active": loss, "mains.power.apparent": apparent}
    if name in known:
        return MeterValue(known[name], np.zeros_like(value.moves), _IDLE_DOUBT * known[name])
    return value.scaled(0.0) if name.startswith("secondary.current") else None


def _dead(
    values: MeterValues, before: Callable[[str, MeterValue], MeterValue | None], *, powered: bool = True
) -> MeterValues:
    """Return the values without any direct voltage; `before` tells those at the mains and the windings."""
    quantities, absent = dict(values.quantities), set(values.absent)
    for name, value in values.quantities.items():
        now: MeterValue | None = value
        if "temperature" in name:
            now = values.quantities["ambient.temperature"]
        elif name.startswith(("mains.", "secondary.")):
            now = value if powered and name in ("mains.voltage.rms", "mains.frequency") else before(name, value)
        else:
            now = None if "factor" in name or "frequency" in name else value.scaled(0.0)
        if now is None:
            absent.add(name)
        else:
            quantities[name] = now
    return replace(values, quantities=quantities, absent=frozenset(absent))
