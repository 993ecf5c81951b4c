"""The simulated bench: a supply, the meters on it, and servers that speak their protocols on sockets and serial lines.

A bench file is enough: `SimulatedBench` builds one supply from it, with parts that differ from the file's within their
tolerances, and starts a server in place of every instrument. Drivers reach these servers as they reach real
instruments. The physics here is written independently of the prediction, which is checked against it.

What it has of a real bench is switched by `Effects`; `Effects()` has all of it, `Effects.none()` nothing,
`Effects(scale=2.0)` twice the magnitudes. The same seed draws the same bench:

- mains with harmonics 3 to 13 of drawn or given sizes and phases, slow wander, flicker and steps (`supply/mains`);
- a core with flux, saturation and loss: its magnetising current is peaky and grows steeply, the direct current of a
  half-wave rectifier magnetises it, and no direct current crosses the transformer (`supply/core`);
- leakage inductance, and parts spread by manufacture, also where the bench file gives none (`supply/parts`);
- parts that warm in two stages, air that moves, copper that warms within 20 to 60 minutes (`supply/thermal`);
- meters with bandwidth, errors over most of their accuracy, 1/f noise, drift while they warm up, last digits and, where
  the channel says so, average response (`meters/meter`).

For benchmarks there is `OfflineBench`: the supply and its meters without lines, threads or a clock. It gives the true
values and what a channel shows at any time since power-on, and a log of all channels as they would be read. A settled
supply is solved at a few neighbouring states (mains, copper, junctions, load) and interpolated between them, so twenty
minutes cost about two seconds of processor time:

    offline = OfflineBench(bench, seed=3, effects=Effects(scale=2.0), faults=["open-diode:2@600s"])
    for time, channel, value in offline.log(until=1200.0): ...

Faults come from the catalogue (`faults.FAULTS`) or, for judging a diagnosis, from outside it (`faults.FURTHER_FAULTS`).

What it does not simulate:

- inrush of the magnetising current (it is switched on at the best moment), hysteresis of the core (its loss is a
  conductance), capacitance between windings;
- the diodes' recovery, capacitance, avalanche and leakage over temperature beyond Shockley's law; a diode that is too
  hot, or carries too much current, does not fail (the fuse may melt);
- anything faster than 1/400 of a mains period: where the path has next to no resistance, the first step of a charging
  pulse is too high;
- parts that fail or age on their own, capacitors that change with voltage, temperature or frequency;
- a regulator's noise, its rejection of ripple while it regulates (which is perfect here), current limit and shutdown;
- heat between neighbours;
- the operator: the [[step]]s of a bench file do not turn its mains or change its load (commands do, see `commands`),
  and a trip switches it off only by a SCPI `command` or a Modbus `coil`: a pseudo-terminal has no RTS or DTR, so a
  switch on one of those fails here;
- crest-factor limits of meters, loading of the circuit by the meter, and conversion time: a reading is of the mains
  period that was stepped last, every tenth of a second;
- triggers, and captured waves that differ from period to period: a capture repeats the period that was stepped last;
- lines beyond bytes: no baud rate, parity or handshake on the serial lines except for the fault that garbles them, no
  lost packets on the sockets; a network cable that is pulled loses the bytes sent meanwhile;
- Modbus units that stay silent when another one is addressed: an unknown unit answers with an exception.

The simulated bench is for trying and testing benchmon. It says nothing about the safety of a real supply.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchmon_simulated.addresses import rewrite_addresses
    from benchmon_simulated.bench import SimulatedBench
    from benchmon_simulated.effects import Effects
    from benchmon_simulated.offline import OfflineBench, OfflineReading
    from benchmon_simulated.supply.supply import Snapshot, SupplyUnderTest

__all__ = [
    "Effects",
    "OfflineBench",
    "OfflineReading",
    "SimulatedBench",
    "Snapshot",
    "SupplyUnderTest",
    "rewrite_addresses",
]

_FROM = {
    "Effects": "effects",
    "OfflineBench": "offline",
    "OfflineReading": "offline",
    "SimulatedBench": "bench",
    "Snapshot": "supply.supply",
    "SupplyUnderTest": "supply.supply",
    "rewrite_addresses": "addresses",
}


def __getattr__(name: str) -> Any:
    """Return one of the names above, loading its module only now, so that naming a scenario loads no physics.

    Raises `AttributeError` for any other name.
    """
    if name not in _FROM:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_FROM[name]}"), name)
