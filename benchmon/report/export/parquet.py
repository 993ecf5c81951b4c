"""A session as Apache Parquet: the columns of the long CSV, typed, with units and the session as metadata.

`time` is a timestamp in UTC with microseconds. `value`, `expected` and `expected_uncertainty` are in the row's `unit`.
The schema's metadata holds, under `benchmon`, the JSON of all that an export as JSON has but the readings, and under
`units` each channel's unit.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from benchmon.errors import BadInput
from benchmon.report.export.json import description_of
from benchmon.report.export.rows import Progress, StepSpans, parts_of, words_of_states
from benchmon.report.session_reader import RecordedSession

MISSING = "Parquet needs pyarrow: pip install '.[report]' in the clone of benchmon"


def write_parquet(session: RecordedSession, path: Path, progress: Progress | None = None) -> int:
    """Write a row for each usable reading; return how many. Raises `BadInput` where pyarrow is not installed."""
    try:
        import pyarrow as pa  # noqa: PLC0415 - an extra, and it takes a fifth of a second
        import pyarrow.parquet as pq  # noqa: PLC0415
    except ImportError as problem:
        raise BadInput(MISSING) from problem
    word = pa.dictionary(pa.int32(), pa.string())
    about: dict[str | bytes, str | bytes] = {
        "benchmon": json.dumps(description_of(session), ensure_ascii=False, allow_nan=False),
        "units": json.dumps({channel.name: channel.unit for channel in session.channels}, ensure_ascii=False),
    }
    schema = pa.schema(
        [
            pa.field("time_s", pa.float64(), metadata={"unit": "s"}),
            pa.field("time", pa.timestamp("us", tz="UTC")),
            *(pa.field(name, word) for name in ("channel", "quantity")),
            pa.field("value", pa.float64()),
            pa.field("unit", word),
            pa.field("expected", pa.float64()),
            pa.field("expected_uncertainty", pa.float64()),
            *(pa.field(name, word) for name in ("verdict", "flags", "step", "serial", "operator")),
        ],
        metadata=about,
    )
    rows, written = _Rows(session), 0
    with pq.ParquetWriter(path, schema) as out:
        for part in parts_of(session, progress):
            columns = rows.of(part.rows, part.expectations)
            made = {name: pa.array(values, schema.field(name).type) for name, values in columns.items()}
            batch = pa.record_batch(made, schema=schema)
            out.write_batch(batch)
            written += batch.num_rows
    return written


class _Rows:
    """The columns of a session's readings, one part after the other."""

    def __init__(self, session: RecordedSession) -> None:
        self._began = round(session.info.started * 1e6)
        self._channels = session.numbers
        self._expected: dict[int, tuple[float | None, float | None]] = dict.fromkeys(session.numbers, (None, None))
        self._steps = StepSpans(session)
        self._unit = (session.info.serial, session.info.operator)

    def of(self, rows: list[Any], expectations: dict[int, tuple[float | None, float | None]]) -> dict[str, list[Any]]:
        """Return the columns by name; readings without a value get no row."""
        names = ("time_s", "time", "channel", "quantity", "value", "unit", "expected", "expected_uncertainty")
        columns: dict[str, list[Any]] = {
            name: [] for name in (*names, "verdict", "flags", "step", "serial", "operator")
        }
        words = words_of_states()
        for number, channel, at, value, state in rows:
            if channel not in self._channels:
                continue
            if number in expectations:
                self._expected[channel] = expectations[number]
            if value is None or math.isnan(value):
                continue
            of = self._channels[channel]
            row = (at / 1e6, self._began + at, of.name, of.quantity, value, of.unit, *self._expected[channel])
            for column, cell in zip(
                columns.values(), (*row, *words[state], self._steps.at(at)[0], *self._unit), strict=True
            ):
                column.append(cell)
        return columns
