"""The layout of a session file: one SQLite database, a table for each thing that is written down.

A session file is known by its `application_id` and by having these tables and nothing else; `user_version` is the
version of this layout. Times are whole microseconds since the session's start, so a reading's time needs no more than
six bytes. Values are in the SI unit of the channel's quantity, temperatures in °C.

| table | a row is | written |
| --- | --- | --- |
| `session` | the session: bench file, program, start, and its end where it ended cleanly | once, and at the end |
| `instruments` | an instrument of the bench, and what it called itself when it was reached | as it is reached |
| `channels` | a channel of the bench: its number in the other tables, quantity and unit | once |
| `readings` | one reading of one channel, in the order they were judged | all the time |
| `expectations` | what a channel was expected to read, from one of its readings on | when it changes |
| `events` | something that happened, in words | as it happens |
| `requests` | an operator's request: its fields are JSON; `done` is when the recorder took it | by any screen |
| `heartbeat` | one row: when the recorder's watch was last alive | four times a second |
| `facts` | something of the program and the machine that recorded: versions, host, process | once |
| `settings` | how an instrument or a channel was driven, defaults included | once |
| `identities` | what an instrument called itself when it was reached | as it is reached |
| `anchors` | the monotonic clock tied to the wall clock, and how far that has jumped | once a minute |
| `explanations` | the causes of what is read, ranked, from a time on | when they change |
| `forecasts` | where a channel is heading, from a time on | when it changes |
| `waveforms` | a captured wave | as it is captured |
| `benches` | an edited bench file that came into force while it was recorded | as it is loaded |
| `statuses` | how the bench stood, from `time` to `until` | when that changes, at most four times a second |
| `event_details` | facts of an event that programs need, as JSON: see `EventDetails` | with the event |
| `settled` | what the bench settles at under the conditions measured | when these change |
| `step_predictions` | what the bench settles at in a step of the plan | when known, again for other conditions |
| `summaries` | least, greatest and mean reading of a channel over 10 s, and over 5 min | as these end |

`readings.value` is NULL where the instrument gave no usable number and ±Inf where its display shows over range.
`readings.state` holds the verdict in its two lowest bits and a bit for each flag above them, see `encode_state`. The
uncertainty of a reading follows from the channel's accuracy in the bench file, so it is not stored.

Layout 1 had the first eight tables only, layout 2 all up to `summaries`, layout 3 those and `benches`, layout 4 all but
`event_details`. They are read as they are, and what the other tables hold is worked out or left out. Numbers are
checked as they are read back.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from functools import cache

from benchmon.watch.records import Flag, Verdict

APPLICATION_ID = int.from_bytes(b"BMon", "big")
VERSION = 5

_FIRST_TABLES = {
    "session": """CREATE TABLE session (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        title TEXT NOT NULL,
        bench TEXT NOT NULL,                -- the bench file, whole
        bench_sha256 TEXT NOT NULL,
        program_version TEXT NOT NULL,
        started REAL NOT NULL,              -- seconds since 1970, UTC
        started_monotonic REAL NOT NULL,    -- the recorder's monotonic clock at the same moment, seconds
        finished INTEGER                    -- NULL while it runs, and for ever if the recorder was killed
    )""",
    "instruments": """CREATE TABLE instruments (
        name TEXT PRIMARY KEY,
        driver TEXT NOT NULL,
        address TEXT NOT NULL,
        identity TEXT NOT NULL DEFAULT ''
    ) WITHOUT ROWID""",
    "channels": """CREATE TABLE channels (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE,
        quantity TEXT NOT NULL,
        unit TEXT NOT NULL
    )""",
    "readings": """CREATE TABLE readings (
        id INTEGER PRIMARY KEY,
        channel INTEGER NOT NULL,
        time INTEGER NOT NULL,
        value REAL,
        state INTEGER NOT NULL
    )""",
    "expectations": """CREATE TABLE expectations (
        from_reading INTEGER PRIMARY KEY,   -- the first reading of this channel that it holds for
        channel INTEGER NOT NULL,
        value REAL,                         -- NULL where nothing is expected
        uncertainty REAL                    -- expanded, k = 2
    )""",
    "events": """CREATE TABLE events (
        id INTEGER PRIMARY KEY,
        time INTEGER NOT NULL,
        channel TEXT NOT NULL,              -- '' where it concerns none
        kind TEXT NOT NULL,
        message TEXT NOT NULL
    )""",
    "requests": """CREATE TABLE requests (
        id INTEGER PRIMARY KEY,
        kind TEXT NOT NULL,
        text TEXT NOT NULL,
        done INTEGER
    )""",
    "heartbeat": """CREATE TABLE heartbeat (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        time INTEGER NOT NULL,
        monotonic REAL NOT NULL,            -- the machine's monotonic clock, seconds, comparable while it is up
        boot TEXT NOT NULL                  -- which start of which machine that clock belongs to
    )""",
}

_SECOND_TABLES = {
    "facts": """CREATE TABLE facts (
        name TEXT PRIMARY KEY,
        text TEXT NOT NULL
    ) WITHOUT ROWID""",
    "settings": """CREATE TABLE settings (
        kind TEXT NOT NULL,                 -- 'instrument' or 'channel'
        name TEXT NOT NULL,
        settings TEXT NOT NULL,             -- JSON, an object
        PRIMARY KEY (kind, name)
    ) WITHOUT ROWID""",
    "identities": """CREATE TABLE identities (
        id INTEGER PRIMARY KEY,
        time INTEGER NOT NULL,
        instrument TEXT NOT NULL,
        identity TEXT NOT NULL
    )""",
    "anchors": """CREATE TABLE anchors (
        id INTEGER PRIMARY KEY,
        time INTEGER NOT NULL,
        monotonic REAL NOT NULL,            -- seconds
        wall REAL NOT NULL,                 -- seconds since 1970, UTC
        jump REAL NOT NULL                  -- seconds that the wall clock has gone off the monotonic one since the last
    )""",
    "explanations": """CREATE TABLE explanations (
        id INTEGER PRIMARY KEY,
        time INTEGER NOT NULL,
        ranked TEXT NOT NULL                -- JSON: [[cause, likelihood, message, [channel, ...]], ...]
    )""",
    "forecasts": """CREATE TABLE forecasts (
        id INTEGER PRIMARY KEY,
        time INTEGER NOT NULL,
        channel INTEGER NOT NULL,
        state TEXT NOT NULL,
        rate REAL,
        final REAL,
        uncertainty REAL,                   -- expanded, k = 2
        to_limit REAL,                      -- seconds after time
        earliest REAL,
        latest REAL                         -- may be Inf
    )""",
    "waveforms": """CREATE TABLE waveforms (
        id INTEGER PRIMARY KEY,
        time INTEGER NOT NULL,
        channel INTEGER NOT NULL,
        unit TEXT NOT NULL,
        count INTEGER NOT NULL,
        first REAL NOT NULL,                -- seconds, of the first sample
        step REAL NOT NULL,                 -- seconds between samples, 0 where they are not evenly spaced
        times BLOB NOT NULL,                -- empty where evenly spaced, else count little-endian doubles, deflated
        samples BLOB NOT NULL               -- count little-endian floats, deflated
    )""",
    "summaries": """CREATE TABLE summaries (
        channel INTEGER NOT NULL,
        span INTEGER NOT NULL,              -- seconds
        number INTEGER NOT NULL,            -- it runs from number x span to (number + 1) x span, session time
        count INTEGER NOT NULL,             -- usable readings
        lowest REAL,
        highest REAL,
        mean REAL,
        last_reading INTEGER NOT NULL,      -- of this channel, usable or not
        from_reading INTEGER,               -- the row of expectations that held then
        PRIMARY KEY (channel, span, number)
    ) WITHOUT ROWID""",
}

_THIRD_TABLES = {
    "benches": """CREATE TABLE benches (
        id INTEGER PRIMARY KEY,
        time INTEGER NOT NULL,
        bench TEXT NOT NULL,                -- the bench file in force from then on, whole
        bench_sha256 TEXT NOT NULL
    )""",
}

_FOURTH_TABLES = {
    "statuses": """CREATE TABLE statuses (
        id INTEGER PRIMARY KEY,
        time INTEGER NOT NULL,
        until INTEGER NOT NULL,             -- when it was last confirmed
        level TEXT NOT NULL,
        status TEXT NOT NULL                -- JSON, an object
    )""",
    "settled": """CREATE TABLE settled (
        id INTEGER PRIMARY KEY,
        time INTEGER NOT NULL,
        problem TEXT NOT NULL,              -- why there is no prediction, '' where there is one
        prediction TEXT NOT NULL,           -- JSON, an object
        waves BLOB NOT NULL                 -- little-endian floats, deflated: the times, then each trace
    )""",
    "step_predictions": """CREATE TABLE step_predictions (
        id INTEGER PRIMARY KEY,
        time INTEGER NOT NULL,
        step INTEGER NOT NULL,              -- numbered from 1
        problem TEXT NOT NULL,
        prediction TEXT NOT NULL            -- JSON, an object
    )""",
}

_FIFTH_TABLES = {
    "event_details": """CREATE TABLE event_details (
        event INTEGER PRIMARY KEY,          -- the event's id
        details TEXT NOT NULL               -- JSON, an object
    )""",
}

TABLES = _FIRST_TABLES | _SECOND_TABLES | _THIRD_TABLES | _FOURTH_TABLES | _FIFTH_TABLES
LAYOUTS = {
    1: _FIRST_TABLES,
    2: _FIRST_TABLES | _SECOND_TABLES,
    3: _FIRST_TABLES | _SECOND_TABLES | _THIRD_TABLES,
    4: _FIRST_TABLES | _SECOND_TABLES | _THIRD_TABLES | _FOURTH_TABLES,
    VERSION: TABLES,
}
"""The tables of every layout that can be read."""

_MICROSECONDS = 1_000_000
_VERDICTS = tuple(Verdict)
_FLAGS = tuple(Flag)


def to_microseconds(seconds: float) -> int:
    """Return a session time as the file has it."""
    return round(seconds * _MICROSECONDS)


def to_seconds(microseconds: int) -> float:
    """Return a stored session time in seconds."""
    return microseconds / _MICROSECONDS


def encode_state(verdict: Verdict, flags: Iterable[Flag]) -> int:
    """Return a verdict and flags as the small number that `readings.state` holds.

    Bits 0 and 1 are the verdict (agrees, questionable, disagrees, unpredicted), bits 2 to 7 the flags drifting, hot,
    tripped, stale, overrange and implausible.
    """
    state = _VERDICTS.index(verdict)
    for flag in flags:
        state |= 4 << _FLAGS.index(flag)
    return state


def decode_state(state: int) -> tuple[Verdict, frozenset[Flag]]:
    """Return the verdict and the flags of a stored state; bits that mean nothing are passed over."""
    return _decode(state & 0xFF)


@cache
def _decode(state: int) -> tuple[Verdict, frozenset[Flag]]:
    return _VERDICTS[state & 3], frozenset(flag for bit, flag in enumerate(_FLAGS) if state & 4 << bit)


SPANS = (10, 300)
"""Seconds of the spans that summaries are kept of, the finest first."""


_LONGEST = 400 * 86_400 * 1_000_000
"""Microseconds beyond which a time is nonsense."""


def session_time(stored: object) -> float | None:
    """Return a stored time in seconds, None where it is none."""
    return to_seconds(stored) if isinstance(stored, int) and 0 <= stored <= _LONGEST else None


def number_of(stored: object, largest: float = math.inf) -> float | None:
    """Return a stored number, None where it is none or is larger than `largest`."""
    return float(stored) if isinstance(stored, int | float) and abs(stored) <= largest else None
