"""The folder of session files, the name of a new one, and the latest one."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable
from datetime import datetime
from itertools import count
from pathlib import Path

import platformdirs

from benchmon.errors import BadInput, SessionFileError
from benchmon.session.database import display_path, reading
from benchmon.session.reader import read_info
from benchmon.session.recorder_lock import running_recorders
from benchmon.text import one_line

ENDING = ".benchmon"
FOLDER_VARIABLE = "BENCHMON_SESSIONS"


def sessions_folder() -> Path:
    """Return the folder that sessions go to: `$BENCHMON_SESSIONS`, or a folder of the user's data."""
    named = os.environ.get(FOLDER_VARIABLE, "").strip()
    return Path(named).expanduser() if named else platformdirs.user_data_path("benchmon", appauthor=False) / "sessions"


def new_session_path(title: str) -> Path:
    """Return a path for a new session of a bench called `title`, with the local time; makes the folder.

    Raises `SessionFileError` where the folder cannot be made.
    """
    folder = sessions_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise SessionFileError(
            f"{one_line(folder, 1000)}: cannot be made: {problem.strerror}; name another with {FOLDER_VARIABLE}"
        ) from problem
    stamp = datetime.now().astimezone().strftime("%Y-%m-%d_%H-%M-%S")
    names = (f"{stamp}_{_slug(title)}{f'_{number}' if number > 1 else ''}{ENDING}" for number in count(1))
    return next(path for path in (folder / name for name in names) if not path.exists())


def _slug(title: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40].strip("-") or "bench"


def all_sessions() -> list[Path]:
    """Return the session files of the sessions folder, the latest first."""
    folder = sessions_folder()
    return sorted(folder.glob(f"*{ENDING}"), key=_last_written, reverse=True) if folder.is_dir() else []


def sessions_named(named: Iterable[Path]) -> list[Path]:
    """Return session files, and of every folder those in it, each once. Raises `BadInput` for a folder without one."""
    found: dict[Path, None] = {}
    for path in named:
        inside = sorted(path.glob(f"*{ENDING}")) if path.is_dir() else [path]
        if not inside:
            raise BadInput(f"{one_line(path, 1000)}: is a folder without a session file (*{ENDING})")
        found |= dict.fromkeys(inside)
    return list(found)


def sessions_of(title: str) -> list[Path]:
    """Return the session files of the sessions folder that are named after a bench called `title`, the latest first."""
    name = re.compile(rf"[^_]+_[^_]+_{re.escape(_slug(title))}(?:_\d+)?")
    return [path for path in all_sessions() if name.fullmatch(path.stem)]


def latest_session() -> Path:
    """Return the session file of the recorder that was started last, wherever it writes; where none runs, the latest.

    Raises `SessionFileError` where there is none.
    """
    running = [Path(beat.session) for beat in running_recorders()]
    sessions = [path for path in running if path.exists()] or all_sessions()
    if not sessions:
        raise SessionFileError(
            f"{display_path(sessions_folder())}: holds no session yet; name a file, or record one first"
        )
    return sessions[0]


def session_to_change() -> Path:
    """Return the session that a reading, a step or a sweep is meant for, where none was named.

    It is that of the only recorder that runs; where none runs, the latest. Raises `BadInput` with the names of all
    where several run: what is typed for one bench must not reach another. Raises `SessionFileError` if there is none.
    """
    running = [beat for beat in running_recorders() if Path(beat.session).exists()]
    if len(running) > 1:
        known = ", ".join(f"{one_line(beat.title, 60)!r} into {_short_name(beat.session)}" for beat in running)
        raise BadInput(f"{len(running)} recorders run ({known}): say with --session FILE which one is meant")
    return latest_session()


def _short_name(session: str) -> str:
    """Return the name of a session in the sessions folder, the path of one that lies elsewhere."""
    path = Path(session)
    return one_line(path.name if path.parent.resolve() == sessions_folder().resolve() else path, 300)


def session_begun_last() -> Path:
    """Return the session that was begun last, ended or not: that of who has just ended a test beside another one.

    Raises `SessionFileError` where there is none.
    """
    running = [beat for beat in running_recorders() if Path(beat.session).exists()]
    recorded = {Path(beat.session).resolve() for beat in running}
    ended = next((path for path in all_sessions() if path.resolve() not in recorded), None)
    if not running or ended is None:
        return latest_session()
    return ended if _begun(ended) > running[0].started else Path(running[0].session)


def _begun(path: Path) -> float:
    """Return when a session was begun, seconds since 1970; -inf where its file does not say so."""
    try:
        with reading(path) as connection:
            return read_info(connection, path).started
    except SessionFileError:
        return -math.inf


def _last_written(path: Path) -> float:
    """Return when a session was last written; while it is recorded, that shows in its log beside it."""
    files = (path, Path(f"{path}-wal"))
    return max((file.stat().st_mtime for file in files if file.exists()), default=0.0)
