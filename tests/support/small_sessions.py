"""A bench of an invented workshop supply with two channels, and short sessions of it."""

import time

from benchmon.quantities import Expected
from benchmon.session.writer import SessionWriter
from benchmon.watch.records import Event, Flag
from benchmon.watch.verdict import judgement_of
from support.supplies import supply

BENCH = (
    supply()
    + """\
[[instrument]]
name = "meter"
driver = "scpi"
address = "TCPIP::127.0.0.1::5025::SOCKET"
[[channel]]
name = "vout"
instrument = "meter"
quantity = "output.voltage.mean"
accuracy = "0.1 % + 5 mV"
period = "0.2 s"
[[channel]]
name = "case"
instrument = "meter"
quantity = "diode.temperature.case"
accuracy = "1 K"
trip_above = "90 °C"
"""
)


def judgements(bench, count):
    """Return `count` judgements of each channel, with noise, gaps, over range, all states."""
    vout, case = bench.channel
    made = []
    for number in range(count):
        at = round(0.013 * number, 6)
        value = 15.0 + 0.001 * (number % 17) if number % 11 else None
        expected = Expected(15.0 + 0.1 * (number // 40), 0.2, "V") if number > 5 else None
        made.append(judgement_of(vout, at, value, expected, frozenset({Flag.STALE} if number % 29 == 0 else ())))
        hot = frozenset({Flag.HOT, Flag.TRIPPED}) if number % 5 == 0 else frozenset()
        made.append(judgement_of(case, at, float("inf") if number % 13 == 0 else 40.5, None, hot))
    return made


def write_session(path, bench, count=100, end=None):
    """Write a whole session and return its judgements and events."""
    writer = SessionWriter(path, bench, time.monotonic())
    put = judgements(bench, count)
    events = [Event(judgement.time, "vout", "agrees", f"event {judgement.time}") for judgement in put[::20]]
    for record in sorted([*put, *events], key=lambda record: record.time):
        writer.put(record)
    writer.finish(0.013 * count if end is None else end)
    return put, events
