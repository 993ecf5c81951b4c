"""What is wrong on the simulated bench now, and what will be: faults that begin and end at their times."""

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
from benchmon_simulated.supply.parts import SOUND
from benchmon_simulated.supply.supply import SupplyUnderTest

MOST = 100
"""Faults that may wait or be at work at a time."""

_TIMES = re.compile(r"(?P<what>.*?)\s*@\s*(?P<begin>[^@.]*(?:\.\d[^@.]*)?)(?:\.\.(?P<end>[^@]*))?", re.DOTALL)


@dataclass
class Trouble:
    """One fault at its place, from `begin` to `end` in seconds since the bench started; `title` names both."""

    title: str
    description: str
    begin: float
    end: float
    circuit: CircuitFault | None = None
    meters: Sequence[tuple[Meter, MeterFaultEffect]] = ()
    line: tuple[InstrumentServer, LineFaultEffect] | None = None
    began: bool = False


def split_times(text: str) -> tuple[str, float, float]:
    """Return what stands before the times of `NAME@BEGIN..END`, and seconds from now of both; 0 and inf if not said.

    Raises `BadInput` for times that are none.

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
    """Return a time from now on, 0 s or later; a bare number is seconds. Raises `BadInput`."""
    text = text.strip()
    try:
        value = parse_value(f"{text} s" if re.fullmatch(r"\d+(\.\d+)?", text) else text, DURATION)
    except BadInput as problem:
        raise BadInput(f"{one_line(text, 20)!r} is no time; write it like open-diode@10s or @10s..20s") from problem
    if value < 0:
        raise BadInput(f"{one_line(text, 20)!r} is in the past; give a time from 0 s on")
    return value


class Troubles:
    """Every fault of the bench of `supply` and `twins`. Work it from the bench's event loop only, once it runs."""

    def __init__(self, supply: SupplyUnderTest, twins: Sequence[InstrumentServer]) -> None:
        self._supply, self._twins = supply, twins
        self._troubles: list[Trouble] = []
        self._changed = True

    @property
    def titles(self) -> list[str]:
        """Every fault that is at work, or waits for its time, as text."""
        return [trouble.title if trouble.began else f"{trouble.title} (later)" for trouble in self._troubles]

    def plan(self, text: str, now: float) -> Trouble:
        """Take `NAME`, `NAME:WHERE`, and perhaps `@BEGIN` or `@BEGIN..END` after `now`. Raises `BadInput`.

        A fault that is there already begins anew.
        """
        if len(self._troubles) >= MOST:
            raise BadInput(f"{MOST} faults are enough; clear some")
        what, begin, end = split_times(text)
        name, _, which = (part.strip() for part in what.partition(":"))
        trouble = self._placed(name, which)
        trouble.begin, trouble.end = now + begin, now + end
        self._troubles = [other for other in self._troubles if other.title != trouble.title or other.end <= now + begin]
        self._troubles.append(trouble)
        self._changed = True
        return trouble

    def clear(self, text: str) -> list[str]:
        """End the faults called `NAME` or `NAME:WHERE`, or "all"; return their titles. Raises `BadInput` for none."""
        wanted = text.strip()
        found = [t for t in self._troubles if wanted in ("all", t.title, t.title.partition(":")[0])]
        if not found and wanted != "all":
            raise BadInput(f"{one_line(wanted, 60)!r} is not at work; there is {', '.join(self.titles) or 'no fault'}")
        self._troubles = [trouble for trouble in self._troubles if trouble not in found]
        self._changed = True
        return [trouble.title for trouble in found]

    async def advance(self, now: float) -> list[str]:
        """Let what is due at `now` begin and end; return a line on each."""
        news = []
        for trouble in tuple(self._troubles):
            if not trouble.began and now >= trouble.begin:
                trouble.began = self._changed = True
                news.append(f"{trouble.title} begins: {trouble.description}")
            if now >= trouble.end:
                self._troubles.remove(trouble)
                self._changed = True
                news.append(f"{trouble.title} ends")
        at_work = [trouble for trouble in self._troubles if trouble.began]
        defects = SOUND
        for trouble in at_work:
            if trouble.circuit is not None:
                defects = trouble.circuit.alter(defects, now - trouble.begin)
        self._supply.defects = defects
        if self._changed:
            self._changed = False
            await self._befall(at_work)
        return news

    async def _befall(self, troubles: Sequence[Trouble]) -> None:
        for twin in self._twins:
            for meter in twin.meters:
                meter.mishaps = tuple(mishap for t in troubles for which, mishap in t.meters if which is meter)
            await twin.suffer(tuple(t.line[1] for t in troubles if t.line is not None and t.line[0] is twin))

    def _placed(self, name: str, which: str) -> Trouble:
        fault = fault_named(name)
        trouble = Trouble(name, fault.description, 0.0, math.inf)
        if issubclass(fault, CircuitFault):
            trouble.circuit = fault(which, self._supply)
            trouble.title += f":{trouble.circuit.number}" if fault.strikes else ""
        elif issubclass(fault, MeterFault):
            meters = self._meters(fault(), which)
            trouble.meters = [(meter, fault().mishap(meter)) for meter in meters]
            trouble.title += f":{which or meters[0].channel.name}"
        else:
            twin = self._twin(fault(), which)
            trouble.line = (twin, fault().mishap())
            trouble.title += f":{twin.name}"
        return trouble

    def _meters(self, fault: MeterFault, which: str) -> list[Meter]:
        """Return the meter of the channel `which`, those of the instrument `which`, or the first that fits."""
        every = [(twin.name, meter) for twin in self._twins for meter in twin.meters]
        named = [meter for twin, meter in every if not which or which in (twin, meter.channel.name)]
        if not named and which:
            known = ", ".join(meter.channel.name for _, meter in every) or "none"
            raise BadInput(f"{fault.name}: {one_line(which, 40)!r} is no channel or instrument; channels: {known}")
        fitting = [meter for meter in named if fault.fits(meter)]
        if not fitting:
            raise BadInput(f"{fault.name} needs {fault.where}, which {one_line(which, 40) or 'this bench'} is not")
        return fitting if which else fitting[:1]

    def _twin(self, fault: LineFault, which: str) -> InstrumentServer:
        named = [twin for twin in self._twins if not which or twin.name == which]
        if not named:
            known = ", ".join(twin.name for twin in self._twins) or "none"
            raise BadInput(f"{fault.name}: {one_line(which, 40)!r} is no instrument of this bench; there is {known}")
        fitting = [twin for twin in named if fault.fits(twin)]
        if not fitting:
            raise BadInput(f"{fault.name} needs {fault.where}, which {one_line(which, 40) or 'this bench'} is not")
        return fitting[0]
