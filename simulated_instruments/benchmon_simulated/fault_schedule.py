"""The schedule of faults on the simulated bench: each begins and ends at its time."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from benchmon.errors import BadInput
from benchmon.quantities import DURATION, parse_value
from benchmon.text import one_line
from benchmon_simulated.fault_effects import LineFaultEffect, MeterFaultEffect
from benchmon_simulated.faults import CircuitFault, LineFault, MeterFault, fault_named
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.server import InstrumentServer
from benchmon_simulated.supply.parts import HEALTHY
from benchmon_simulated.supply.supply import SupplyUnderTest

MOST_FAULTS = 100
"""The most faults that may be active or waiting at a time."""

_TIMES = re.compile(r"(?P<what>.*?)\s*@\s*(?P<begin>[^@.]*(?:\.\d[^@.]*)?)(?:\.\.(?P<end>[^@]*))?", re.DOTALL)


@dataclass
class ScheduledFault:
    """A fault at its place, from `begin` to `end` in seconds since the bench started; `title` names fault and place."""

    title: str
    description: str
    begin: float
    end: float
    circuit: CircuitFault | None = None
    meters: Sequence[tuple[Meter, MeterFaultEffect]] = ()
    line: tuple[InstrumentServer, LineFaultEffect] | None = None
    began: bool = False


def split_times(text: str) -> tuple[str, float, float]:
    """Return the name, and begin and end in seconds from now, of `NAME@BEGIN..END`; 0 and inf where not given.

    Raises `BadInput` for invalid times.

    >>> split_times("unplugged:multimeter@10s..1min"), split_times("open-diode@2.5"), split_times("garbage")
    (('unplugged:multimeter', 10.0, 60.0), ('open-diode', 2.5, inf), ('garbage', 0.0, inf))
    """
    match = _TIMES.fullmatch(text)
    if match is None:
        return text.strip(), 0.0, math.inf
    begin = seconds(match["begin"])
    end = math.inf if match["end"] is None else seconds(match["end"])
    if end <= begin:
        raise BadInput(f"{one_line(text, 60)!r} ends before it begins; write it like open-diode@10s..20s")
    return match["what"].strip(), begin, end


def seconds(text: str) -> float:
    """Return the seconds of a time like `10s` or `1 min`; a bare number is seconds.

    Raises `BadInput` for any other text and for a time below zero.
    """
    text = text.strip()
    try:
        value = parse_value(f"{text} s" if re.fullmatch(r"\d+(\.\d+)?", text) else text, DURATION)
    except BadInput as problem:
        raise BadInput(f"{one_line(text, 20)!r} is no time; write it like open-diode@10s or @10s..20s") from problem
    if value < 0:
        raise BadInput(f"{one_line(text, 20)!r} is in the past; give a time from 0 s on")
    return value


class FaultSchedule:
    """The faults of `supply` and `servers`. Once the bench runs, use it from the bench's event loop only."""

    def __init__(self, supply: SupplyUnderTest, servers: Sequence[InstrumentServer]) -> None:
        self._supply, self._servers = supply, servers
        self._faults: list[ScheduledFault] = []
        self._changed, self._lines_changed = True, False

    @property
    def titles(self) -> list[str]:
        """The titles of every fault that is active or waits for its time."""
        return [fault.title if fault.began else f"{fault.title} (later)" for fault in self._faults]

    def plan(self, text: str, now: float) -> ScheduledFault:
        """Schedule `NAME` or `NAME:WHERE`, optionally `@BEGIN` or `@BEGIN..END` in seconds after `now`.

        A fault that is scheduled already starts again. Raises `BadInput` for an unknown fault, one that has no place on
        this bench, invalid times, or too many faults.
        """
        if len(self._faults) >= MOST_FAULTS:
            raise BadInput(f"{MOST_FAULTS} faults are enough; clear some")
        what, begin, end = split_times(text)
        name, _, which = (part.strip() for part in what.partition(":"))
        scheduled = self._created(name, which)
        scheduled.begin, scheduled.end = now + begin, now + end
        self._faults = [other for other in self._faults if other.title != scheduled.title or other.end <= now + begin]
        self._faults.append(scheduled)
        self._changed = True
        return scheduled

    def clear(self, text: str) -> list[str]:
        """End the faults called `NAME` or `NAME:WHERE`, or "all"; return their titles.

        Raises `BadInput` where no such fault is scheduled.
        """
        wanted = text.strip()
        found = [fault for fault in self._faults if wanted in ("all", fault.title, fault.title.partition(":")[0])]
        if not found and wanted != "all":
            raise BadInput(f"{one_line(wanted, 60)!r} is not active; faults: {', '.join(self.titles) or 'no fault'}")
        self._faults = [fault for fault in self._faults if fault not in found]
        self._changed = True
        return [fault.title for fault in found]

    async def advance(self, now: float) -> list[str]:
        """Begin and end the faults that are due at `now`; return a line on each."""
        events = self.advance_circuit_and_meters(now)
        if self._lines_changed:
            self._lines_changed = False
            active = [fault for fault in self._faults if fault.began]
            for server in self._servers:
                await server.apply(tuple(fault.line[1] for fault in active if fault.line and fault.line[0] is server))
        return events

    def advance_circuit_and_meters(self, now: float) -> list[str]:
        """Begin and end the faults that are due at `now`, without effect on lines; return a line on each."""
        events = []
        for fault in tuple(self._faults):
            if not fault.began and now >= fault.begin:
                fault.began = self._changed = True
                events.append(f"{fault.title} begins: {fault.description}")
            if now >= fault.end:
                self._faults.remove(fault)
                self._changed = True
                events.append(f"{fault.title} ends")
        active = [fault for fault in self._faults if fault.began]
        defects = HEALTHY
        for fault in active:
            if fault.circuit is not None:
                defects = fault.circuit.modify(defects, now - fault.begin)
        self._supply.defects = defects
        if self._changed:
            self._changed, self._lines_changed = False, True
            for meter in (meter for server in self._servers for meter in server.meters):
                meter.effects = tuple(effect for fault in active for which, effect in fault.meters if which is meter)
        return events

    def _created(self, name: str, which: str) -> ScheduledFault:
        """Return the fault called `name` at the place `which`, or where it fits first."""
        fault = fault_named(name)
        scheduled = ScheduledFault(name, fault.description, 0.0, math.inf)
        if issubclass(fault, CircuitFault):
            scheduled.circuit = fault(which, self._supply)
            scheduled.title += scheduled.circuit.place
        elif issubclass(fault, MeterFault):
            meters = self._meters_for(fault(), which)
            scheduled.meters = [(meter, fault().effect(meter)) for meter in meters]
            scheduled.title += f":{which or meters[0].channel.name}"
        else:
            server = self._server_for(fault(), which)
            scheduled.line = (server, fault().effect())
            scheduled.title += f":{server.name}"
        return scheduled

    def _meters_for(self, fault: MeterFault, which: str) -> list[Meter]:
        """Return the meter of the channel `which`, those of the instrument `which`, or the first that fits."""
        every = [(server.name, meter) for server in self._servers for meter in server.meters]
        named = [meter for server, meter in every if not which or which in (server, meter.channel.name)]
        if not named and which:
            known = ", ".join(meter.channel.name for _, meter in every) or "none"
            raise BadInput(f"{fault.name}: {one_line(which, 40)!r} is no channel or instrument; channels: {known}")
        fitting = [meter for meter in named if fault.fits(meter)]
        if not fitting:
            raise BadInput(f"{fault.name} needs {fault.where}, which {one_line(which, 40) or 'this bench'} is not")
        return fitting if which else fitting[:1]

    def _server_for(self, fault: LineFault, which: str) -> InstrumentServer:
        """Return the server of the instrument `which`, or the first that fits."""
        named = [server for server in self._servers if not which or server.name == which]
        if not named:
            known = ", ".join(server.name for server in self._servers) or "none"
            raise BadInput(
                f"{fault.name}: {one_line(which, 40)!r} is no instrument of this bench; instruments: {known}"
            )
        fitting = [server for server in named if fault.fits(server)]
        if not fitting:
            raise BadInput(f"{fault.name} needs {fault.where}, which {one_line(which, 40) or 'this bench'} is not")
        return fitting[0]
