"""A session as one JSON object, written reading by reading.

    {"benchmon_export": 1,
     "session": {"title", "serial", "operator", "started", "duration_s", "program", "layout", "ended_well",
                 "bench_sha256", "bench"},
     "benches": [{"from_s", "sha256", "bench"}],
     "steps": [{"name", "from_s", "until_s", "outcome"}],
     "sweeps": [{"name", "over", "unit", "state", "values", "skipped": [{"value", "reason"}],
                 "figures": [{"name", "value", "uncertainty", "unit", "expected", "expected_uncertainty"}],
                 "curves": [{"name", "quantity", "unit", "points": [{"at", "value", "uncertainty", "expected",
                             "expected_uncertainty"}], "predicted": [[at, value, ±]]}]}],
     "channels": [{"name", "quantity", "unit", "instrument", "accuracy_relative", "accuracy_absolute",
                   "zero", "gain", "serial", "calibrated"}],
     "instruments": [{"name", "driver", "address", "identity"}],
     "events": [{"time_s", "channel", "kind", "message", "details": {…}}],
     "explanations": [{"time_s", "ranked": [{"cause", "likelihood", "message", "channels"}]}],
     "forecasts": [{"time_s", "channel", "state", "rate", "final", "uncertainty", "to_limit_s"}],
     "waveforms": [{"time_s", "channel", "unit", "times_s": [...], "values": [...]}],
     "columns": ["time_s", "channel", "value", "expected", "expected_uncertainty", "verdict", "flags"],
     "readings": [[0.25, "output", 22.1, 22.0, 0.5, "agrees", ""], …]}

`details` of an event are its facts, such as what a person recorded in a step; an event without any has none. `benches`
are all bench files that were in force, each from its time on; `session` and `channels` (with the corrections `zero` and
`gain`) are of the first.
A value is null where there was none, and where the display showed over range, which `flags` shows.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from pathlib import Path
from typing import Any

from benchmon.bench import Channel, Instrument
from benchmon.report.export.rows import Progress, StepSpans, parts_of, words_of_states
from benchmon.report.sections.sweeps import sweeps_as_dicts
from benchmon.report.session_reader import RecordedSession, sha256_of
from benchmon.text import finite
from benchmon.watch.records import EventDetails, Explanations, Forecast, Waveform

COLUMNS = ("time_s", "channel", "value", "expected", "expected_uncertainty", "verdict", "flags")


def description_of(session: RecordedSession) -> dict[str, Any]:
    """Return all of a session but its readings, fit for JSON."""
    bench = session.bench
    return {
        "benchmon_export": 1,
        "session": {
            "title": bench.title,
            "serial": session.info.serial,
            "operator": session.info.operator,
            "started": session.started.isoformat(),
            "duration_s": session.duration,
            "program": session.info.program_version,
            "layout": session.info.layout,
            "ended_well": session.ended_well,
            "bench_sha256": session.bench_sha256(),
            "bench": bench.source,
        },
        "benches": [
            {"from_s": one.time, "sha256": sha256_of(one.bench), "bench": one.bench.source}
            for one in session.every_bench
        ],
        "steps": [
            {"name": one.name, "from_s": one.since, "until_s": finite(one.until), "outcome": one.outcome}
            for one in StepSpans(session).spans
        ],
        "sweeps": sweeps_as_dicts(session),
        "channels": [_channel(channel) for channel in session.channels],
        "instruments": [_instrument(one, session.identities.get(one.name, "")) for one in bench.instrument],
        "events": [
            {"time_s": event.time, "channel": event.channel, "kind": event.kind, "message": event.message}
            | ({} if event.details is None else {"details": _details(event.details)})
            for event in session.events
        ],
        "explanations": [_explanations(one) for one in session.explanations],
        "forecasts": [_forecast(one) for one in session.forecasts],
        "waveforms": [_waveform(one) for one in session.waveforms],
        "columns": list(COLUMNS),
    }


def _details(details: EventDetails) -> dict[str, Any]:
    return {name: finite(fact) for name, fact in asdict(details).items() if fact is not None}


def _channel(channel: Channel) -> dict[str, Any]:
    return {
        "name": channel.name,
        "quantity": channel.quantity,
        "unit": channel.unit,
        "instrument": channel.instrument,
        "accuracy_relative": channel.accuracy.relative,
        "accuracy_absolute": channel.accuracy.absolute,
        "zero": channel.zero,
        "gain": channel.gain,
        "serial": channel.serial,
        "calibrated": None if channel.calibrated is None else channel.calibrated.isoformat(),
    }


def _instrument(instrument: Instrument, identity: str) -> dict[str, Any]:
    return {
        "name": instrument.name,
        "driver": instrument.driver,
        "address": instrument.address,
        "identity": identity,
    }


def _explanations(one: Explanations) -> dict[str, Any]:
    ranked = [
        {
            "cause": cause.cause,
            "likelihood": cause.likelihood,
            "message": cause.message,
            "channels": list(cause.channels),
        }
        for cause in one.ranked
    ]
    return {"time_s": one.time, "ranked": ranked}


def _forecast(one: Forecast) -> dict[str, Any]:
    return {
        "time_s": one.time,
        "channel": one.channel,
        "state": one.state,
        "rate": finite(one.rate),
        "final": finite(one.final),
        "uncertainty": finite(one.uncertainty),
        "to_limit_s": finite(one.to_limit),
    }


def _waveform(wave: Waveform) -> dict[str, Any]:
    return {
        "time_s": wave.time,
        "channel": wave.channel,
        "unit": wave.unit,
        "times_s": wave.times.tolist(),
        "values": finite(wave.values.tolist()),
    }


def write_json(session: RecordedSession, path: Path, progress: Progress | None = None) -> int:
    """Write a session as one JSON object; return how many readings."""
    head = json.dumps(description_of(session), ensure_ascii=False, allow_nan=False, indent=1)
    ends = [f"{json.dumps(verdict)}, {json.dumps(flags)}]" for verdict, flags in words_of_states()]
    names = {number: json.dumps(channel.name, ensure_ascii=False) for number, channel in session.numbers.items()}
    expected = dict.fromkeys(session.numbers, "null, null")
    written = 0
    with path.open("w", encoding="utf-8") as out:
        out.write(head.rstrip().removesuffix("}").rstrip() + ',\n "readings": [')
        for part in parts_of(session, progress):
            rows = []
            for number, channel, at, value, state in part.rows:
                if channel not in names:
                    continue
                if number in part.expectations:
                    expected[channel] = ", ".join(_json(one) for one in part.expectations[number])
                rows.append(f"[{at / 1e6!r}, {names[channel]}, {_json(value)}, {expected[channel]}, {ends[state]}")
            if rows:
                out.write((",\n  " if written else "\n  ") + ",\n  ".join(rows))
            written += len(rows)
        out.write("\n ]\n}\n")
    return written


def _json(value: float | None) -> str:
    return "null" if value is None or not math.isfinite(value) else repr(value)
