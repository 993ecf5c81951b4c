"""A long session made quickly: the rows that a recorder would have written, by the recorder's own encoder."""

from __future__ import annotations

import math
import time
from pathlib import Path

import numpy as np

from benchmon.bench import Bench, read_bench
from benchmon.quantities import Expected
from benchmon.session.encoder import Encoder, description
from benchmon.session.records import Heartbeat
from benchmon.session.writable_file import WritableFile
from benchmon.watch.records import Event
from benchmon.watch.verdict import judgement_of
from benchmon_simulated.scenarios import scenario_named

QUANTITIES = (
    ("mains voltage", "mains.voltage.rms", 230.0),
    ("mains current", "mains.current.rms", 0.75),
    ("mains power", "mains.power.active", 105.0),
    ("power factor", "mains.power_factor", 0.62),
    ("secondary", "secondary.voltage.rms", 21.0),
    ("winding", "secondary.current.rms", 5.9),
    ("diode current", "diode.current.mean", 1.75),
    ("diode case", "diode.temperature.case", 62.0),
    ("reservoir", "reservoir.voltage.mean", 24.9),
    ("ripple", "reservoir.voltage.ripple", 1.9),
    ("output", "output.voltage.mean", 24.9),
    ("load current", "output.current.mean", 3.5),
    ("load", "load.temperature", 118.0),
    ("transformer", "transformer.temperature", 55.0),
    ("output ripple", "output.voltage.ac_rms", 0.55),
    ("output rms", "output.voltage.rms", 24.91),
)
"""Invented channels and what they read about."""


def bench_of(channels: int, period: float) -> Bench:
    """Return a bench of the simulated supply with so many channels of one meter, each read every `period` seconds."""
    text = scenario_named("reservoir").path.read_text(encoding="utf-8").partition("[[instrument]]")[0]
    meter = '[[instrument]]\nname = "meter"\ndriver = "scpi"\naddress = "TCPIP::127.0.0.1::9::SOCKET"\n'
    sections = (
        f'[[channel]]\nname = "{name}"\ninstrument = "meter"\nquantity = "{quantity}"\nquery = "READ?"\n'
        f'accuracy = "0.5 %"\nperiod = {period}\n'
        for name, quantity, _ in QUANTITIES[:channels]
    )
    return read_bench(text + meter + "".join(sections))


def write_session(path: Path, hours: float, channels: int = 12, rate: float = 5.0) -> int:
    """Write a session of so many hours, every channel read `rate` times a second; return the number of readings."""
    bench = bench_of(channels, 1.0 / rate)
    encoder, chance = Encoder(bench), np.random.default_rng(1)
    file = WritableFile(path, list(description(bench, time.monotonic(), {})))
    for minute in range(math.ceil(hours * 60)):
        records = [record for second in range(60) for record in _second(bench, 60 * minute + second, rate, chance)]
        file.commit([statement for record in records for statement in encoder.encode(record)])
    file.commit(list(encoder.finish(hours * 3600)))
    file.leave_one_file()
    file.close()
    return round(hours * 3600 * rate) * channels


def _second(bench: Bench, second: int, rate: float, chance: np.random.Generator):  # type: ignore[no-untyped-def]
    if second % 600 == 0:
        yield Event(float(second), "", "note", f"{second // 60} minutes")
    yield Heartbeat(float(second), 0.0)
    noise = chance.normal(0, 0.002, (round(rate), len(bench.channel)))
    for step, row in enumerate(noise):
        at = second + step / rate
        for channel, (_, _, value), error in zip(bench.channel, QUANTITIES, row, strict=False):
            # Expected values follow the mains; they are worked out again after a twentieth of their uncertainty.
            expected = Expected(value * round(1 + 0.01 * math.sin(at / 900), 3), 0.02 * value, channel.unit)
            yield judgement_of(channel, round(at, 6), value * (1 + error), expected)
