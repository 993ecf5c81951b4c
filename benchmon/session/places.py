"""Where session files live, and what they are called."""

from __future__ import annotations

from pathlib import Path

from benchmon.bench import Bench
from benchmon.errors import SessionFileError
from benchmon.session.beacon import running_recorders
from benchmon.session.database import shown
from benchmon.session.naming import ENDING, FOLDER_VARIABLE, path_for, sessions_folder

__all__ = ["ENDING", "FOLDER_VARIABLE", "all_sessions", "latest_session", "new_session_path", "sessions_folder"]


def new_session_path(bench: Bench) -> Path:
    """Return a path for a new session of `bench`, named after the local time and the bench's title; makes the folder.

    Raises `SessionFileError` where the folder cannot be made.
    """
    return path_for(bench.title)


def all_sessions() -> list[Path]:
    """Return the session files of the sessions folder, the latest first."""
    folder = sessions_folder()
    return sorted(folder.glob(f"*{ENDING}"), key=_last_written, reverse=True) if folder.is_dir() else []


def latest_session() -> Path:
    """Return the session file of the recorder that was started last, wherever it writes; where none runs, the latest.

    Raises `SessionFileError` where there is none.
    """
    running = [Path(beat.session) for beat in running_recorders()]
    sessions = [path for path in running if path.exists()] or all_sessions()
    if not sessions:
        raise SessionFileError(f"{shown(sessions_folder())}: holds no session yet; name a file, or record one first")
    return sessions[0]


def _last_written(path: Path) -> float:
    """Return when a session was last written; while it is recorded, that shows in its log beside it."""
    files = (path, Path(f"{path}-wal"))
    return max((file.stat().st_mtime for file in files if file.exists()), default=0.0)
