"""The simulated bench: a supply, the meters on it, and servers that speak their protocols on sockets and serial lines.

A bench file is enough: `SimulatedBench` builds one supply from it, with parts that differ from the file's within their
tolerances, and starts a server in place of every instrument. Drivers reach these servers as they reach real
instruments. The physics here is written independently of the prediction, which is checked against it.

What it does not simulate:

- the transformer's core: no saturation (not even by the direct current of a half-wave rectifier), no inrush of the
  magnetising current, no hysteresis, no capacitance between windings, no shorted turns; direct current does reach the
  primary as far as it drops voltage in the primary's resistance;
- the diodes' recovery, capacitance, avalanche and leakage over temperature beyond Shockley's law; a diode that is too
  hot, or carries too much current, does not fail (the fuse may melt);
- anything faster than 1/400 of a mains period: where the path has next to no resistance, the first step of a charging
  pulse is too high;
- parts that fail or age on their own, capacitors that change with voltage, temperature or frequency;
- a regulator's noise, its rejection of ripple while it regulates (which is perfect here), current limit and shutdown;
- mains with more than a third and a fifth harmonic;
- heat between neighbours: each part has one thermal resistance and one time constant, and the case of a diode or a
  regulator shows a fixed share of its junction's rise;
- the operator: the [[step]]s of a bench file do not turn its mains or change its load (commands do, see `commands`),
  and a trip switches it off only by a SCPI `command` or a Modbus `coil`: a pseudo-terminal has no RTS or DTR, so a
  switch on one of those fails here;
- crest-factor and bandwidth limits of meters, loading of the circuit by the meter, and conversion time: a reading is of
  the mains period that was stepped last, every tenth of a second;
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
    from benchmon_simulated.supply.supply import Snapshot, SupplyUnderTest

__all__ = ["SimulatedBench", "Snapshot", "SupplyUnderTest", "rewrite_addresses"]

_FROM = {
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
