"""Exports of a session: CSV (long or wide), JSON, Parquet and SQLite, written as they are read, at any length.

CSV, long: a line a reading, `time_s` (session seconds), `time` (ISO 8601, UTC), `channel`, `quantity`, `value`, `unit`,
`expected`, `expected_uncertainty` (k = 2), `verdict`, `flags`, `step` (of the plan), `serial`, `operator`. A reading
without a usable value is left out; one over range is `Inf` or `-Inf`. `benchmon assess` takes it back. Parquet has the
same columns, typed, with units and the rest of the session as metadata. CSV, wide: a line for each span, and for
each channel a column with its unit that holds the last reading in that span. JSON and SQLite hold every reading, and
all events, explanations and forecasts beside them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from benchmon.atomic_file import whole_file
from benchmon.errors import BadInput
from benchmon.report.export.csv import write_long, write_wide
from benchmon.report.export.json import write_json
from benchmon.report.export.parquet import write_parquet
from benchmon.report.export.rows import Progress
from benchmon.report.export.sqlite import write_sqlite
from benchmon.report.sections.sweeps import runs_of, write_sweeps
from benchmon.report.session_reader import RecordedSession
from benchmon.text import one_line

ENDINGS: dict[str, Callable[[RecordedSession, Path, Progress | None], int]] = {
    ".csv": write_long,
    ".json": write_json,
    ".parquet": write_parquet,
    ".sqlite": write_sqlite,
}


def export(
    session: RecordedSession,
    path: Path,
    *,
    force: bool = False,
    wide: bool = False,
    every: float = 1.0,
    sweeps: bool = False,
    progress: Progress | None = None,
) -> int:
    """Write a session to `path`, in the format of its ending; return how many lines or readings were written.

    `wide` is CSV with a column a channel, a line for `every` seconds; `sweeps` is CSV of the points of sweeps alone.
    `progress` is given how much is done, from 0 to 1. Raises `BadInput` for another ending, a file that is there
    (unless `force`) or that cannot be written, and `SessionFileError` for a damaged session.
    """
    write = ENDINGS.get(path.suffix.lower())
    if write is None:
        raise BadInput(f"{one_line(path, 1000)}: an export ends in {', '.join(ENDINGS)}; name it so")
    if wide and path.suffix.lower() != ".csv":
        raise BadInput(f"{one_line(path, 1000)}: only CSV is written wide")
    if sweeps and path.suffix.lower() != ".csv":
        raise BadInput(f"{one_line(path, 1000)}: sweeps alone are written as .csv; .json holds them beside all else")
    if sweeps and not runs_of(session):
        raise BadInput(f"{one_line(session.path, 1000)}: holds no sweep of which a point was taken")
    with whole_file(path, force=force, never=session.path) as part:
        if sweeps:
            return write_sweeps(session, part)
        return write_wide(session, part, every, progress) if wide else write(session, part, progress)
