"""What a new session file is called, and the folder it goes to. Loads nothing else, so that a demo starts at once."""

from __future__ import annotations

import os
import re
from datetime import datetime
from itertools import count
from pathlib import Path

import platformdirs

from benchmon.errors import SessionFileError
from benchmon.text import one_line

ENDING = ".benchmon"
FOLDER_VARIABLE = "BENCHMON_SESSIONS"


def sessions_folder() -> Path:
    """Return the folder that sessions go to: `$BENCHMON_SESSIONS`, or a folder of the user's data."""
    named = os.environ.get(FOLDER_VARIABLE, "").strip()
    return Path(named).expanduser() if named else platformdirs.user_data_path("benchmon", appauthor=False) / "sessions"


def path_for(title: str) -> Path:
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
    slug = re.sub(r"[^a-z0-9]+", "-", title.lower()).strip("-")[:40].strip("-") or "bench"
    names = (f"{stamp}_{slug}{f'_{number}' if number > 1 else ''}{ENDING}" for number in count(1))
    return next(path for path in (folder / name for name in names) if not path.exists())
