"""The topics that are published and their messages. The manual documents them for other programs.

| topic | message | retained |
| --- | --- | --- |
| `LAB/BENCH/state` | the bench as a whole: see `BenchState`; once a second while it is recorded | yes |
| `LAB/BENCH/channel/NAME` | the latest judgement of a channel, at most twice a second | yes |
| `LAB/BENCH/explanations` | the likely causes, ranked | yes |
| `LAB/BENCH/event` | an event | no |
| `LAB/BENCH/unit/SERIAL` | what a test of a unit came to, once it has ended: see `UnitResult` | yes |

Messages are JSON in UTF-8. Numbers are in the unit given; a value that is unknown or infinite is null.
"""

from __future__ import annotations

import json
import re
from dataclasses import asdict, dataclass
from pathlib import PurePosixPath
from typing import Any

from benchmon.bench import Bench, Channel
from benchmon.session.recorder_lock import beacon_path
from benchmon.text import finite, one_line
from benchmon.watch.records import Event, Explanations, Judgement

LARGEST = 64_000
"""Largest message that is read, in bytes."""
_LARGEST_NUMBER = 1e12
STATES = ("recording", "finished", "gone")


@dataclass(frozen=True, slots=True)
class BenchState:
    """A bench as a whole.

    `state` is recording, finished or gone; `level` and `sentence` answer "is it right, is it safe?"; `tripped` names
    the channels past a limit; `trouble` is what keeps the recorder from writing. `started` and `at` are seconds since
    1970 (UTC), `time` is the session's, in seconds.
    """

    state: str
    title: str
    host: str
    level: str = ""
    sentence: str = ""
    tripped: tuple[str, ...] = ()
    trouble: str = ""
    started: float = 0.0
    at: float = 0.0
    time: float = 0.0

    @property
    def payload(self) -> str:
        """The message as it is published."""
        return _json(asdict(self))


@dataclass(frozen=True, slots=True)
class UnitResult:
    """What the test of a unit came to, which ended `at` (seconds since 1970, UTC).

    It `passed` where nothing tripped and no channel disagreed when it was judged last; `why` is why not.
    """

    serial: str
    passed: bool
    at: float
    why: str = ""
    operator: str = ""

    @property
    def topic(self) -> str:
        """The part of a topic that names the unit."""
        return "unit/" + _as_topic(self.serial)

    @property
    def payload(self) -> str:
        """The message as it is published."""
        return _json(asdict(self))


def read_unit(payload: bytes) -> UnitResult | None:
    """Return the result in a message, None if it makes no sense: any client may write to a broker."""
    fields = _fields(payload)
    match fields:
        case {"serial": str(serial), "passed": bool(passed), "at": int() | float() as at} if serial:
            why, operator = _words(fields.get("why")), _words(fields.get("operator"))
            return UnitResult(one_line(serial, 100), passed, _number(at), why, operator)
    return None


def _fields(payload: bytes) -> Any:
    """Return what a message holds, None if it is too long or not JSON."""
    if len(payload) > LARGEST:
        return None
    try:
        return json.loads(payload)
    except (ValueError, RecursionError):
        return None


def bench_name(bench: Bench) -> str:
    """Return the name of `bench` in topics: its title, and a suffix that distinguishes benches of one title."""
    title = re.sub(r"[^a-z0-9]+", "-", bench.title.lower()).strip("-")[:40].strip("-") or "bench"
    return f"{title}-{PurePosixPath(beacon_path(bench)).name[:6]}"


def channel_topic(channel: Channel) -> str:
    """Return the part of a topic that names a channel; characters with a meaning in topics are replaced."""
    return "channel/" + _as_topic(channel.name)


def _as_topic(name: str) -> str:
    return re.sub(r"[/+#$\x00-\x1f\x7f]", "-", name)


def channel_payload(channel: Channel, judgement: Judgement, started: float) -> str:
    """Return the message of a judgement; `started` is the wall time of session time 0."""
    flags = sorted(judgement.flags)
    fields = asdict(judgement) | {"quantity": channel.quantity, "unit": channel.unit, "flags": flags}
    return _json(fields | {"at": started + judgement.time})


def event_payload(event: Event, started: float) -> str:
    """Return the message of an event."""
    return _json(asdict(event) | {"at": started + event.time})


def explanations_payload(explanations: Explanations, started: float) -> str:
    """Return the message of explanations."""
    return _json(asdict(explanations) | {"at": started + explanations.time})


def read_state(payload: bytes) -> BenchState | None:
    """Return the state in a message, None if it makes no sense: any client may write to a broker."""
    fields = _fields(payload)
    match fields:
        case {"state": str(state), "title": str(title), "host": str(host)} if state in STATES:
            tripped = fields.get("tripped")
            return BenchState(
                state,
                one_line(title, 200),
                one_line(host, 60),
                _words(fields.get("level")),
                _words(fields.get("sentence")),
                tuple(one_line(name, 60) for name in tripped[:50]) if isinstance(tripped, list) else (),
                _words(fields.get("trouble")),
                _number(fields.get("started")),
                _number(fields.get("at")),
                _number(fields.get("time")),
            )
    return None


def _words(value: object) -> str:
    return one_line(value, 600) if isinstance(value, str) else ""


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) and abs(value) < _LARGEST_NUMBER else 0.0


def _json(fields: dict[str, Any]) -> str:
    return json.dumps(finite(fields), ensure_ascii=False)
