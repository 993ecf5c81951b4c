"""The faults of the simulated bench: a catalogue of circuit, meter and line faults, and further ones outside it."""

from __future__ import annotations

from benchmon.errors import BadInput
from benchmon.text import one_line
from benchmon_simulated.faults.base import CircuitFault, Fault, LineFault, MeterFault
from benchmon_simulated.faults.circuit import CIRCUIT_FAULTS
from benchmon_simulated.faults.further import FURTHER_FAULTS
from benchmon_simulated.faults.line import LINE_FAULTS
from benchmon_simulated.faults.meter import METER_FAULTS

FAULTS: tuple[type[CircuitFault | MeterFault | LineFault], ...] = (
    *CIRCUIT_FAULTS,
    *METER_FAULTS,
    *LINE_FAULTS,
)
"""Every fault of the catalogue, in the order in which they are listed."""

__all__ = ["FAULTS", "FURTHER_FAULTS", "CircuitFault", "Fault", "LineFault", "MeterFault", "fault_named"]


def fault_named(name: str) -> type[CircuitFault | MeterFault | LineFault]:
    """Return the fault called `name`, of the catalogue or outside it. Raises `BadInput` if there is none."""
    for fault in (*FAULTS, *FURTHER_FAULTS):
        if fault.name == name:
            return fault
    raise BadInput(f"{one_line(name, 40)!r} is no fault; `benchmon demo --list` names them")
