"""How waveforms, predictions and the bench's status are stored in a session file, and read back.

Waveforms and the traces of predictions are deflated numbers, predictions and statuses JSON. A file may be damaged or
written by another program, so whatever is read is checked, bounded, and None if it makes no sense. The traces of a
prediction stay packed until they are shown, so that a screen which shows none need not load what unpacks them.
"""

from __future__ import annotations

import json
import math
import re
import sqlite3
import zlib
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from dataclasses import fields as fields_of
from functools import cache
from typing import TYPE_CHECKING, Any, get_args, get_type_hints

from benchmon.bench import Bench
from benchmon.event_kinds import AlarmKind, EventGroup, EventKind, read_kind, traits_of
from benchmon.quantities import UNITS, Expected
from benchmon.session.records import RecorderState, StoredPrediction, Update
from benchmon.session.schema import session_time, to_microseconds
from benchmon.text import one_line
from benchmon.watch.plan.settled_points import LONGEST_READINGS
from benchmon.watch.records import MOST_SAMPLES, Event, EventDetails, Verdict
from benchmon.watch.status import Alarm, BenchStatus, Level, StatusFinding, StatusWatch, Subject
from benchmon.watch.status_wording import StatusLine, shown

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from benchmon.prediction.result import Prediction

_EVEN_WITHIN = 1e-3
"""Part of a step that a sample's time may be off and still count as evenly spaced: less than a scope's own jitter."""

_LONGEST_PREDICTION, _LONGEST_STATUS = 200_000, 50_000
"""Characters of JSON that are read."""
_MOST_TRACE_SAMPLES, _MOST_TRACES, _MOST_HARMONICS, _MOST_ALARMS = 50_000, 100, 200, 1000
_MOST_VERDICTS = 1000

_MOSTLY, _WORTH_NAMING, _MOST_NAMED = 0.5, 0.05, 10
"""Share of a variance above which it is most of it, and from which on a contribution is named; most that are read."""

_FIRST_LAYOUT_WITH_STATUS = 4
_STATUS_COLUMNS = ("time", "until", "level")
"""Fields of a status that have columns of their own."""
_EMPTY: tuple[Any, ...] = (None, "", 0, ())
_STATES = tuple(map(str, RecorderState))
_VERDICTS = tuple(map(str, Verdict))


@dataclass(frozen=True, slots=True)
class PackedWaveform:
    """The columns of a waveform in the table `waveforms`."""

    count: int
    first: float
    step: float
    times: bytes
    samples: bytes


def pack(times: NDArray[np.float64], values: NDArray[np.float64]) -> PackedWaveform:
    """Return a waveform of `times` (n,) in s and `values` (n,) packed; values are stored in single precision."""
    import numpy as np  # noqa: PLC0415 - a session without waveforms is shown sooner without it

    samples = zlib.compress(values.astype("<f4").tobytes(), 1)
    step = float(times[-1] - times[0]) / (len(times) - 1)
    even = times[0] + step * np.arange(len(times))
    if step > 0 and bool(np.all(np.abs(times - even) <= _EVEN_WITHIN * step)):
        return PackedWaveform(len(times), float(times[0]), step, b"", samples)
    return PackedWaveform(len(times), float(times[0]), 0.0, zlib.compress(times.astype("<f8").tobytes(), 1), samples)


def unpack(packed: PackedWaveform) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return times (n,) in s and values (n,), None if the columns hold no waveform."""
    import numpy as np  # noqa: PLC0415 - as above

    values = _numbers(packed.samples, "<f4", packed.count)
    if values is None or not 2 <= packed.count <= MOST_SAMPLES:
        return None
    if packed.step > 0:
        return np.linspace(packed.first, packed.first + packed.step * (packed.count - 1), packed.count), values
    times = _numbers(packed.times, "<f8", packed.count)
    return None if times is None or not np.all(np.isfinite(times)) else (times, values)


def _numbers(blob: bytes, kind: str, count: int) -> NDArray[np.float64] | None:
    """Return the `count` numbers of a deflated `blob`, None if it holds others; no more is inflated."""
    import numpy as np  # noqa: PLC0415 - as above

    if not 0 < count <= MOST_SAMPLES:
        return None
    length = count * np.dtype(kind).itemsize
    try:
        inflated = zlib.decompressobj().decompress(blob, length + 1)
    except zlib.error:
        return None
    return np.frombuffer(inflated, kind).astype(np.float64) if len(inflated) == length else None


def stored(prediction: Prediction, *, with_waves: bool = True) -> StoredPrediction:
    """Return a prediction as it is stored, with its traces only if `with_waves`."""
    waves = prediction.waveforms
    traces = tuple(waves.traces) if with_waves else ()
    rows = [waves.time, *(waves.traces[name] for name in traces)] if traces else []
    packed = zlib.compress(b"".join(row.astype("<f4").tobytes() for row in rows)) if rows else b""
    return StoredPrediction(
        prediction.mains_voltage,
        prediction.mains_frequency,
        prediction.quantities,
        prediction.harmonics,
        traces,
        len(waves.time) if rows else 0,
        packed,
        {name: found for name in prediction.contributions if (found := _unspecified(prediction.contributions[name]))},
    )


def _unspecified(contributions: Sequence[tuple[str, float]]) -> tuple[tuple[str, float], ...]:
    """Return what the bench file does not give and its share, where most of an uncertainty comes from that."""
    from benchmon.prediction.uncertainty import NOT_GIVEN  # noqa: PLC0415 - a screen does not need the prediction

    missing = [(label.removesuffix(NOT_GIVEN), share) for label, share in contributions if label.endswith(NOT_GIVEN)]
    if sum(share for _, share in missing) <= _MOSTLY:
        return ()
    return tuple((label, round(share, 3)) for label, share in missing if share >= _WORTH_NAMING)


def encode_prediction(prediction: StoredPrediction | None) -> str:
    """Return a prediction as JSON, without its traces; "" for None."""
    if prediction is None:
        return ""
    quantities = {name: [one.value, one.uncertainty] for name, one in prediction.quantities.items()}
    fields = {
        "mains_voltage": prediction.mains_voltage,
        "mains_frequency": prediction.mains_frequency,
        "quantities": quantities,
        "harmonics": {name: list(map(list, pairs)) for name, pairs in prediction.harmonics.items()},
        "traces": list(prediction.traces),
        "count": prediction.count,
        "unspecified": {name: list(map(list, pairs)) for name, pairs in prediction.unspecified.items()},
    }
    return json.dumps(fields, ensure_ascii=False)


def decode_prediction(text: object, packed: object = b"") -> StoredPrediction | None:
    """Return the prediction of a row, None if it holds none that makes sense."""
    if not isinstance(text, str) or not text or len(text) > _LONGEST_PREDICTION:
        return None
    try:
        fields = json.loads(text)
    except (ValueError, RecursionError):
        return None
    match fields:
        case {
            "mains_voltage": int() | float() as volts,
            "mains_frequency": int() | float() as frequency,
            "quantities": dict(quantities),
            "harmonics": dict(harmonics),
            "traces": list(traces),
            "count": int(count),
        } if frequency > 0 and 0 <= count <= _MOST_TRACE_SAMPLES and len(traces) <= _MOST_TRACES:
            return StoredPrediction(
                float(volts),
                float(frequency),
                {name: one for name in quantities if (one := _expected(name, quantities[name]))},
                {one_line(name, 60): _pairs(pairs) for name, pairs in harmonics.items()},
                tuple(one_line(name, 60) for name in traces),
                count,
                packed if isinstance(packed, bytes) else b"",
                _shares(fields.get("unspecified")),
            )
    return None


def _shares(found: object) -> dict[str, tuple[tuple[str, float], ...]]:
    """Return what was not given by quantity; what makes no sense is left out, and older sessions have none."""
    if not isinstance(found, dict):
        return {}
    shares = {}
    for name, pairs in found.items():
        listed = pairs[:_MOST_NAMED] if isinstance(pairs, list) else []
        known = tuple((one_line(pair[0], 60), float(pair[1])) for pair in listed if _is_share(pair))
        if name in UNITS and known:
            shares[name] = known
    return shares


def _is_share(pair: object) -> bool:
    match pair:
        case [str(), int() | float() as share]:
            return 0 <= share <= 1
    return False


def _expected(name: str, pair: object) -> Expected | None:
    match pair:
        case [int() | float() as value, int() | float() as spread] if name in UNITS and math.isfinite(value):
            return Expected(float(value), float(spread), UNITS[name]) if spread >= 0 else None
    return None


def _pairs(listed: object) -> list[tuple[int, float]]:
    pairs = listed[:_MOST_HARMONICS] if isinstance(listed, list) else []
    return [(pair[0], float(pair[1])) for pair in pairs if _is_harmonic(pair)]


def _is_harmonic(pair: object) -> bool:
    match pair:
        case [int(), int() | float() as rms]:
            return math.isfinite(rms)
    return False


_LONGEST_DETAILS = 20_000 + LONGEST_READINGS


@cache
def _detail_types() -> dict[str, type]:
    """Return the type of every field of `EventDetails`, by name."""
    hints = get_type_hints(EventDetails)
    return {each.name: get_args(hints[each.name])[0] for each in fields_of(EventDetails)}


def encode_details(details: EventDetails) -> str:
    """Return the facts of an event as JSON, without those that it has not.

    >>> encode_details(EventDetails(request=3))
    '{"request": 3}'
    """
    return json.dumps({name: fact for name, fact in asdict(details).items() if fact is not None}, ensure_ascii=False)


def decode_details(stored: object) -> EventDetails | None:
    """Return the facts of an event from their JSON, or from the object it holds; None where they make no sense."""
    found = stored
    if isinstance(stored, str) and len(stored) <= _LONGEST_DETAILS:
        try:
            found = json.loads(stored)
        except (ValueError, RecursionError):
            return None
    if not isinstance(found, dict):
        return None
    facts = {name: found[name] for name, kind in _detail_types().items() if type(found.get(name)) is kind}
    texts = {
        name: one_line(fact, LONGEST_READINGS if name == "readings" else 1000)
        for name, fact in facts.items()
        if isinstance(fact, str)
    }
    return EventDetails(**facts | texts) if facts else None


_OLD_STEP = re.compile(r"(\d{1,4}) of \d{1,4}: ")
_OLD_UNSEEN = "no channel shows whether the power is gone"


def details_of_old(kind: str, message: str, steps: Sequence[str] = ()) -> EventDetails | None:
    """Return the facts of an event of layouts up to 4, which had them in the words of its message alone.

    `steps` are the names of the plan's steps.
    """
    if kind == EventKind.SWITCHED_OFF:
        return EventDetails(seen_off=_OLD_UNSEEN not in message)
    found = _OLD_STEP.match(message) if traits_of(kind).group is EventGroup.PLAN else None
    if found is None:
        return None
    step, rest = int(found[1]), message[found.end() :]
    name = steps[step - 1] if 1 <= step <= len(steps) else ""
    if not name or not rest.startswith(name):
        name = rest.partition(": ")[0]
    return EventDetails(step=step, note=rest.removeprefix(name).removeprefix(": ") or None)


def encode_status(status: BenchStatus) -> str:
    """Return a status as JSON, without its times, its level and empty fields.

    >>> encode_status(BenchStatus(0.0, Level.WAITING, StatusFinding.WAITING, silent=3))
    '{"finding": "waiting for readings", "state": "recording", "silent": 3}'
    """
    fields = {
        name: value for name, value in asdict(status).items() if name not in _STATUS_COLUMNS and value not in _EMPTY
    }
    return json.dumps(fields, ensure_ascii=False)


_MOST_ALARMS_IN_A_BEAT = 10
MOST_IN_A_BEAT = 6
"""Events that a heartbeat carries, the latest."""


def is_for_heartbeat(event: Event) -> bool:
    """Return whether an event is in heartbeats too, past the session file: a trip, or a switching off."""
    return event.kind == EventKind.TRIPPED or traits_of(event.kind).group is EventGroup.SWITCHING_OFF


def encode_beat_status(status: BenchStatus) -> str:
    """Return a status as JSON with its times and level, for a heartbeat; of its alarms only the gravest.

    Which meters a person is to read is left out: a heartbeat has little room, and no value can be typed through it.
    """
    few = replace(status, alarms=status.alarms[:_MOST_ALARMS_IN_A_BEAT], due=(), lapsed=())
    return json.dumps([status.time, status.until, str(status.level), json.loads(encode_status(few))])


def decode_beat_status(text: str) -> BenchStatus | None:
    """Return the status of a heartbeat, None where it holds none that makes sense."""
    match _json(text):
        case [int() | float() as time, int() | float() as until, level, fields]:
            return _decode_status(float(time), float(until), level, fields)
    return None


def encode_beat_events(events: Sequence[Event]) -> str:
    """Return events as JSON for a recorder's heartbeat."""
    rows = [[one.time, one.channel, str(one.kind), one_line(one.message, 300)] for one in events]
    details = ["" if one.details is None else encode_details(one.details) for one in events]
    return json.dumps([[*row, each] for row, each in zip(rows, details, strict=True)], ensure_ascii=False)


def decode_beat_events(text: str) -> list[Event]:
    """Return the events of a heartbeat; those that make no sense are left out."""
    found = _json(text)
    events = []
    for row in found if isinstance(found, list) else []:
        match row:
            case [int() | float() as time, str(channel), str(kind), str(message), details]:
                words = one_line(channel, 40), read_kind(one_line(kind, 40)), one_line(message, 1000)
                events.append(Event(float(time), *words, decode_details(details)))
    return events


def _json(text: str) -> object:
    try:
        return json.loads(text)
    except (ValueError, RecursionError):
        return None


def _decode_status(time: float, until: float, level: object, fields: object) -> BenchStatus | None:
    """Return the status of a row, None if it makes no sense."""
    if not isinstance(fields, dict) or fields.get("state") not in _STATES:
        return None
    try:
        finding = StatusFinding(fields.get("finding", ""))
        status = BenchStatus(time, Level(str(level)), finding, fields["state"], until=max(time, until))
    except ValueError:
        return None
    alarms = fields.get("alarms")
    found = [_alarm(each) for each in alarms[:_MOST_ALARMS]] if isinstance(alarms, list) else []
    return replace(
        status,
        about=_subject(fields.get("about")),
        also=_subject(fields.get("also")),
        unwatched=_subject(fields.get("unwatched")),
        limit_at=_number_or_none(fields.get("limit_at")),
        surely=fields.get("surely") is True,
        cause=one_line(fields.get("cause") or "", 200),
        agreeing=_count(fields.get("agreeing")),
        silent=_count(fields.get("silent")),
        known=_count(fields.get("known")),
        switching=_event(fields.get("switching")),
        alarms=tuple(alarm for alarm in found if alarm is not None),
        due=_names(fields.get("due")),
        lapsed=_names(fields.get("lapsed")),
        not_agreeing=_verdicts(fields.get("not_agreeing")),
    )


def _names(found: object) -> tuple[str, ...]:
    names = found[:_MOST_ALARMS] if isinstance(found, list) else []
    return tuple(one_line(name, 40) for name in names if isinstance(name, str))


def _verdicts(fields: object) -> dict[str, Verdict] | None:
    """Return verdicts by channel; what makes no sense is left out, and older sessions have none."""
    if not isinstance(fields, dict):
        return None
    some = list(fields.items())[:_MOST_VERDICTS]
    return {one_line(name, 40): Verdict(verdict) for name, verdict in some if verdict in _VERDICTS}


def _subject(fields: object) -> Subject | None:
    if not isinstance(fields, dict) or not isinstance(fields.get("channel"), str):
        return None
    value, expected, spread = (
        _number_or_none(fields.get(name)) for name in ("value", "expected", "expected_uncertainty")
    )
    is_hot, others = fields.get("is_hot") is True, _count(fields.get("others"))
    return Subject(one_line(fields["channel"], 40), value, expected, spread, is_hot, others)


def _alarm(fields: object) -> Alarm | None:
    match fields:
        case {"kind": str(kind), "channel": str(channel), "since": int() | float() as since, "value": value}:
            known = kind in set(AlarmKind)
            return (
                Alarm(AlarmKind(kind), one_line(channel, 40), float(since), _number_or_none(value)) if known else None
            )
    return None


def _event(fields: object) -> Event | None:
    match fields:
        case {"time": int() | float() as time, "kind": str(kind), "message": str(message), **others}:
            known, words = read_kind(one_line(kind, 40)), one_line(message, 1000)
            # The switching off in a status of layout 4 has no details.
            found = decode_details(others["details"]) if "details" in others else details_of_old(known, words)
            return Event(float(time), "", known, words, found)
    return None


def _number_or_none(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not math.isnan(value) else None


def _count(value: object) -> int:
    return value if isinstance(value, int) and value >= 0 else 0


def read_status(connection: sqlite3.Connection, layout: int, at: float = math.inf) -> BenchStatus | None:
    """Return the status that was in force `at` a session time in seconds, by default the latest.

    None if none is stored, or it makes no sense. Raises `sqlite3.Error`.
    """
    if layout < _FIRST_LAYOUT_WITH_STATUS:
        return None
    number = None if at == math.inf else _number_at(connection, at)
    statement = "SELECT time, until, level, status FROM statuses WHERE id = ifnull(?, (SELECT max(id) FROM statuses))"
    row = connection.execute(statement, (number,)).fetchone()
    if row is None or not isinstance(row[3], str) or len(row[3]) > _LONGEST_STATUS:
        return None
    time, until = session_time(row[0]), session_time(row[1])
    try:
        fields = json.loads(row[3])
    except (ValueError, RecursionError):
        return None
    return None if time is None or until is None else _decode_status(time, until, row[2], fields)


def _number_at(connection: sqlite3.Connection, at: float) -> int:
    """Return the id of the last status at or before a session time, 0 for none."""
    latest = connection.execute("SELECT max(id) FROM statuses").fetchone()[0]
    wanted, low, high = to_microseconds(at), 0, latest or 0
    while low < high:
        middle = (low + high + 1) // 2
        row = connection.execute("SELECT time FROM statuses WHERE id = ?", (middle,)).fetchone()
        if row is not None and isinstance(row[0], int) and row[0] <= wanted:
            low = middle
        else:
            high = middle - 1
    return low


class StatusReader:
    """Gives the status of a session after each of its updates, as its recorder decided it.

    For a session without statuses (an old layout, or judged by another bench) it is derived by the recorder's rules.
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._watch = StatusWatch(bench)
        self._now = 0.0
        self.status = self._watch.at(0.0)

    def take(self, update: Update) -> None:
        """Take the update of a poll."""
        if update.bench is not None:
            self._bench = update.bench
            self._watch.change(update.bench)
        self._now = update.now
        if update.status is not None:
            self.status = update.status.seen_in(str(update.state), update.now)
            return
        for judgement in update.judgements:
            self._watch.judgement(judgement)
        self._watch.events(update.events)
        for forecast in update.forecasts:
            self._watch.forecast(forecast)
        if update.explanations is not None:
            self._watch.explanations(update.explanations)
        self.status = self._watch.at(update.now, str(update.state))

    @property
    def glance(self) -> StatusLine:
        """The status in words, with its age if it has not been confirmed for long."""
        return shown(self.status, self._bench, self._now)
