"""Sessions of an invented supply, written without a clock: as long as needed, at once."""

import sqlite3
import time
from contextlib import closing

from benchmon.bench import read_bench
from benchmon.quantities import Expected
from benchmon.session.database import create
from benchmon.session.encoder import Encoder, description
from benchmon.session.records import Heartbeat, Identity, Settings
from benchmon.watch.records import Event
from benchmon.watch.watch import Watch
from benchmon_simulated.scenarios import scenario_named

SILENT = object()
"""The value of a channel that does not answer: there is no record of it."""
HOSTILE = "<script>alert(1)</script>"


def text_of(scenario):
    """Return the bench file of a scenario."""
    return scenario_named(scenario).path.read_text(encoding="utf-8")


def as_it_is(_channel, _now, value):
    """Return the value that a channel would read."""
    return value


class SessionBeingWritten:
    """A session file that is being written."""

    def __init__(self, path, bench):
        self.bench, self.encoder, self.watch = bench, Encoder(bench), Watch(bench.channel)
        self.connection = create(path)
        for statement, row in description(bench, time.monotonic(), {"benchmon": "0.1.0", "host": "bench-3"}):
            self.connection.execute(statement, row)
        for instrument in bench.instrument:
            self.put(Identity(instrument.name, f"{instrument.name} of nobody, serial 1", 0.1))
            self.put(Settings("instrument", instrument.name, {"timeout": 1.0}))
        self.put(Event(0.0, "", "started", "recording started"))

    def put(self, record):
        for statement, row in self.encoder.encode(record):
            self.connection.execute(statement, row)

    def read(self, channel, now, value, known):
        expected = Expected(known.value, known.uncertainty, known.unit) if known else None
        judgement, events = self.watch.judge(channel.name, now, value, expected)
        for record in (judgement, *events):
            self.put(record)

    def finish(self, seconds, ends):
        self.put(Heartbeat(float(seconds), time.monotonic() - 1000))
        for statement, row in self.encoder.finish(float(seconds) if ends else None):
            self.connection.execute(statement, row)
        self.connection.execute("COMMIT")
        self.connection.execute("PRAGMA journal_mode = DELETE")
        self.connection.close()


def write_session(
    path,
    bench,
    expected,
    seconds=30,
    *,
    rate=2.0,
    spoil=None,
    more=(),
    ends=True,
    off_at=float("inf"),
    values=as_it_is,
):
    """Write a session and return its path.

    Every channel reads its `expected` value by quantity, times what `spoil` holds for the quantity, or what `values`
    returns; `more` are further records. `off_at` switches the mains off then.
    """
    file = SessionBeingWritten(path, bench)
    waiting = sorted(more, key=lambda record: record.time)
    for now in (step / rate for step in range(int(seconds * rate))):
        while waiting and waiting[0].time <= now:
            file.put(waiting.pop(0))
        for channel in bench.channel:
            known = expected.get(channel.quantity)
            value = (spoil or {}).get(channel.quantity, 1.0) * (known.value if known else 20.0)
            is_off = now >= off_at and channel.unit != "°C"
            read = values(channel, now, 0.0 if is_off else value)
            if read is not SILENT:
                file.read(channel, now, read, None if is_off else known)
    for record in waiting:
        file.put(record)
    file.finish(seconds, ends)
    return path


def hostile_bench():
    """Return a bench whose every free text wants to be markup, a formula or a control code."""
    text = text_of("reservoir")
    text = text.replace('title = "', f'title = "{HOSTILE} | =cmd() ', 1)
    text = text.replace('"multimeter"', f"'{HOSTILE}'")
    for name, other in (("output", "=1+1"), ("ripple", "@SUM(A1)"), ("output AC", "a|b<b>"), ("air", "+air & 'co'")):
        text = text.replace(f'name = "{name}"', f'name = "{other}"')
    head, plan, _ = text.partition("# ---- The plan")
    return read_bench(head if plan else text)


def lengthen(path, times):
    """Let the readings of a session come `times` times, and return its path."""
    with closing(sqlite3.connect(path)) as connection, connection:
        last = connection.execute("SELECT max(time) FROM readings").fetchone()[0]
        connection.execute(
            "WITH RECURSIVE again(number) AS (SELECT 1 UNION ALL SELECT number + 1 FROM again WHERE number < ?)"
            " INSERT INTO readings (channel, time, value, state)"
            " SELECT channel, time + number * ?, value, state FROM again, readings ORDER BY number, readings.id",
            (times - 1, last + 500_000),
        )
    return path
