"""The simulated bench without lines and without a clock: what every meter shows at any simulated time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from benchmon.bench import Bench
from benchmon.errors import BadInput
from benchmon.text import one_line
from benchmon_simulated.effects import Effects
from benchmon_simulated.fault_schedule import FaultSchedule
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.server import HandServer
from benchmon_simulated.supply.supply import Snapshot, SupplyUnderTest

TICK = 1.0
"""The most seconds for which temperatures stay constant."""

_CLOSE = 1e-6
"""Seconds that count as the same moment."""


class OfflineReading(NamedTuple):
    """One reading: seconds since power-on, the channel's name, and the value in the unit of its quantity."""

    time: float
    channel: str
    value: float


class OfflineBench:
    """The supply and meters of `bench`, drawn with `seed`, powered on at time 0 and cold.

    `effects` are what it has of a real bench, `faults` are written as for `benchmon simulate --fault`, with the times
    at which they begin and end. A line fault has no effect here. Between two calls, `supply` may be switched, its mains
    and load changed, or its `defects` set where no fault is scheduled. Time never goes back.

    >>> offline = OfflineBench(bench, seed=3, faults=["open-diode:2@600s"])       # doctest: +SKIP
    >>> offline.reading("output", 12.0), offline.values(1200.0)["mains.current.thd"]       # doctest: +SKIP
    >>> [reading for reading in offline.log(1200.0)]       # doctest: +SKIP

    Raises `BadInput` where the circuit cannot be simulated or a fault has no place on it.
    """

    def __init__(self, bench: Bench, seed: int = 1, effects: Effects | None = None, faults: Sequence[str] = ()) -> None:
        self.bench = bench
        self.supply = SupplyUnderTest(bench, seed, effects or Effects(), interpolated=True)
        servers = [HandServer(instrument, bench, self.supply, seed) for instrument in bench.instrument]
        self.meters: Mapping[str, Meter] = {meter.channel.name: meter for server in servers for meter in server.meters}
        self._schedule = FaultSchedule(self.supply, servers)
        self._scheduled = bool(faults)
        for fault in faults:
            self._schedule.plan(fault, 0.0)
        random = np.random.default_rng([seed, 0x1457A])
        self._phases = dict(zip(self.meters, random.uniform(0.0, 1.0, len(self.meters)).tolist(), strict=True))
        self._random = random
        self.events: list[str] = []

    def advance(self, time: float) -> Snapshot:
        """Advance to `time` seconds since power-on; return the true state then.

        Raises `ValueError` for a time before the one that was reached.
        """
        now = self.supply.snapshot.time
        if time < now - _CLOSE:
            raise ValueError(f"{time} s is before {now} s, which was reached")
        while time - self.supply.snapshot.time > _CLOSE:
            if self._scheduled:
                self.events += self._schedule.advance_circuit_and_meters(self.supply.snapshot.time)
            step = min(TICK, time - self.supply.snapshot.time)
            self.supply.advance(step, each=step)
        return self.supply.snapshot

    def values(self, time: float) -> dict[str, float]:
        """Return the true value of every quantity at `time` seconds; NaN where it is undefined then."""
        return self.advance(time).values

    def reading(self, channel: str, time: float) -> float:
        """Return what the channel shows at `time` seconds, in the unit of its quantity; ±inf on overload.

        Raises `BadInput` for an unknown channel.
        """
        meter = self.meters.get(channel)
        if meter is None:
            raise BadInput(
                f"{one_line(channel, 40)!r} is not a channel of this bench; its channels: {', '.join(self.meters)}"
            )
        shown = meter.read(self.advance(time)) * meter.channel.scale
        return (shown - meter.channel.zero) * meter.channel.gain

    def log(self, until: float, every: float | None = None) -> Iterator[OfflineReading]:
        """Yield the readings of all channels from now until `until` seconds, in the order of their times.

        Each channel is read once in its period, or `every` seconds; not all at once, and on a real bench each instant
        is off by up to a twentieth of the period.
        """
        begin, off = self.supply.snapshot.time, 0.05 if self.supply.effects.meters else 0.0
        due: list[tuple[float, str]] = []
        for name, meter in self.meters.items():
            period = every or meter.channel.period
            count = max(0, int((until - begin) / period))
            places = np.arange(count) + self._phases[name] * (1.0 - off) + off * self._random.uniform(0.0, 1.0, count)
            due += [(begin + period * place, name) for place in places.tolist()]
        for time, name in sorted(due):
            yield OfflineReading(time, name, self.reading(name, time))
