"""The simulated bench: a supply that does not exist, the meters on it, and the sockets and lines they speak on.

A bench file is enough: `SimulatedBench` builds one supply after it, with parts that differ from the file's within
their tolerances, and puts a twin in the place of every instrument. Drivers reach the twins as they reach real
instruments. The physics here is written apart from the predictions, which are checked against it.

What it does not simulate:

- the transformer's core: no saturation (not even by the direct current of a half-wave rectifier), no inrush of the
  magnetising current, no hysteresis, no capacitance between windings, no shorted turns; direct current does cross it in
  so far as it drops in the primary's resistance;
- the diodes' recovery, capacitance, avalanche and leakage over temperature beyond Shockley's law; a diode that is too
  hot, or carries too much, does not fail by itself (the fuse may melt);
- what is faster than a four-hundredth of a mains period: where the path has next to no resistance, the first step of a
  charging pulse comes out too high;
- parts that fail or age by themselves, capacitors that change with voltage, temperature or frequency;
- a regulator's noise, its rejection of ripple while it regulates (which is perfect here), current limit and shutdown;
- mains with more than a third and a fifth harmonic;
- heat between neighbours: each part has one thermal resistance and one time constant, and the case of a diode or a
  regulator shows a fixed share of its junction's rise;
- what an operator does: the [[step]]s of a bench file do not turn its mains or change its load (orders do, see
  `orders`), and a trip switches it off only by a SCPI `command` or a Modbus `coil`: a pseudo-terminal has no RTS or
  DTR, so a switch on one of those fails here;
- meters' crest-factor and bandwidth limits, loading of the circuit by the meter, and how long a conversion takes: a
  reading is of the mains period that was stepped last, every tenth of a second, and what warms or drifts moves with it;
- captured waves beyond one period, triggers, and what a meter's fault makes of them: a wave is always the true one;
- the wires beyond bytes: no baud rate, parity or handshake on the serial lines but for the fault that garbles them, no
  lost packets on the sockets; a network cable that is pulled loses what was said meanwhile;
- Modbus units that keep silent when another is asked: an unknown one answers with an exception.

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
    """Return one of the names above; its module is loaded then, so that naming a scenario loads no physics."""
    if name not in _FROM:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_FROM[name]}"), name)
