"""The lock file of a recorder: it shows that a bench is being recorded, and keeps a second recorder off.

It is a small file in a folder for temporary files, locked for as long as its recorder lives and overwritten in place a
few times a second. So it needs no room on a disk, and shows what the session file cannot while that cannot be written.
A heartbeat in the session file shows a reader whether its recorder is alive.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import json
import os
import platform
import signal
import stat
import tempfile
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path

import platformdirs

from benchmon.bench import Bench
from benchmon.errors import RecorderError
from benchmon.text import one_line

SILENT_AFTER = 1.6
"""Seconds without a heartbeat after which a recorder counts as gone, so that a screen says so within 2 s."""

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@cache
def boot() -> str:
    """Return a name for this start of this machine, so that its monotonic clock is compared with no other."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return platform.node()


def is_beating(monotonic: float, at_boot: str) -> bool:
    """Return whether a heartbeat of that time (monotonic seconds) and boot is recent."""
    return at_boot == boot() and abs(time.monotonic() - monotonic) <= SILENT_AFTER


FOLDER_VARIABLE = "BENCHMON_RECORDERS"
ENDING = ".recorder"
SIGNALS = {"stop": signal.SIGTERM, "switch off": signal.SIGUSR1}
"""How a recorder is asked for what must not wait where its session cannot be written."""
_SIZE = 16_384
_LONGEST_STATUS, _LONGEST_EVENTS = 3000, 3000
_CLAIM_WITHIN = 0.5


@dataclass(frozen=True, slots=True)
class Beat:
    """The last heartbeat of a recorder: its process, session file, session time, and trouble, "" for none.

    `monotonic` is the machine's clock then, of the start of it that `boot` names; `started` is wall time. `status` and
    `events` are the bench's status and its latest grave events, as JSON that `benchmon.session.encodings` reads: they
    reach a screen also while the session file cannot be written.
    """

    pid: int
    session: str
    title: str
    started: float
    time: float = 0.0
    monotonic: float = 0.0
    boot: str = ""
    trouble: str = ""
    status: str = ""
    events: str = ""

    @property
    def is_recent(self) -> bool:
        """Whether the recorder is alive, as far as can be seen."""
        return is_beating(self.monotonic, self.boot)


def beacons_folder() -> Path:
    """Return the folder of the beacons: `$BENCHMON_RECORDERS`, or one of the user's among the temporary files.

    Where another user has made a folder of that name, it is one in the user's cache. The user's runtime folder would
    be gone at logout, when a recorder goes on.
    """
    named = os.environ.get(FOLDER_VARIABLE, "").strip()
    if named:
        return Path(named).expanduser()
    usual = Path(tempfile.gettempdir()) / f"benchmon-{os.getuid()}"
    if not os.path.lexists(usual) or _is_own_folder(usual):
        return usual
    return platformdirs.user_cache_path("benchmon", appauthor=False) / "recorders"


def _is_own_folder(folder: Path) -> bool:
    """Return whether a folder is the user's, and nobody else can put files there."""
    try:
        found = folder.lstat()
    except OSError:
        return False
    return stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid() and not found.st_mode & 0o022


def beacon_path(bench: Bench) -> Path:
    """Return where a recorder of `bench` has its beacon. A bench is known by its title and its instruments."""
    instruments = sorted((each.driver, each.address, each.name) for each in bench.instrument)
    known_by = json.dumps([bench.title, instruments])
    return beacons_folder() / f"{hashlib.sha256(known_by.encode()).hexdigest()[:24]}{ENDING}"


class Beacon:
    """The beacon of a recorder that runs.

    Making one claims the bench. Raises `RecorderError` where another recorder has it, and `OSError` where there can be
    no beacon.
    """

    def __init__(self, bench: Bench, session: Path) -> None:
        self.path = beacon_path(bench)
        self._beat = Beat(os.getpid(), str(session.absolute()), one_line(bench.title, 200), time.time())
        self._file = _claim(self.path, bench)
        try:
            self.beat(0.0, time.monotonic(), "")
        except OSError:
            self.release()
            raise

    def beat(self, now: float, monotonic: float, trouble: str, status: str = "", events: str = "") -> None:
        """Write that the recorder was alive at session time `now`, at that `monotonic` time, and its trouble.

        `status` and `events` are as in `Beat`; what is too long is left out. Where somebody has removed the beacon it
        is set up again. Raises `OSError`.
        """
        if not _is_at(self.path, self._file):
            self._set_up_again()
        fields = asdict(self._beat) | {"time": now, "monotonic": monotonic, "boot": boot()}
        fields |= {
            "trouble": one_line(trouble, 600),
            "status": status if len(status) <= _LONGEST_STATUS else "",
            "events": events if len(events) <= _LONGEST_EVENTS else "",
        }
        text = json.dumps(fields).encode()
        os.pwrite(self._file, text.ljust(_SIZE - 1)[: _SIZE - 1] + b"\n", 0)

    def release(self) -> None:
        """Give up the bench."""
        if _is_at(self.path, self._file):
            self.path.unlink(missing_ok=True)
        os.close(self._file)

    def _set_up_again(self) -> None:
        _make_folder(self.path.parent)
        file = _open(self.path)
        if not _lock(file):
            os.close(file)
            raise BlockingIOError(errno.EAGAIN, "another recorder has set up its own")
        os.close(self._file)
        self._file = file


def _claim(path: Path, bench: Bench) -> int:
    """Return the locked file at `path`."""
    _make_folder(path.parent)
    give_up = time.monotonic() + _CLAIM_WITHIN
    while True:
        file = _open(path)
        if _lock(file) and _is_at(path, file):
            return file
        os.close(file)
        if time.monotonic() > give_up:
            raise RecorderError(_taken(path, bench))
        time.sleep(0.02)


def _open(path: Path) -> int:
    file = os.open(path, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW, 0o600)
    # Nobody else may lock it, or read what is recorded.
    os.fchmod(file, 0o600)
    return file


def _lock(file: int) -> bool:
    """Lock an open file and return whether that could be done."""
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


def _is_at(path: Path, file: int) -> bool:
    """Return whether the open `file` still is the one at `path`; a recorder that ends takes its own away."""
    try:
        return os.path.samestat(path.lstat(), os.fstat(file))
    except FileNotFoundError:
        return False


def _taken(path: Path, bench: Bench) -> str:
    beat, title = read_beacon(path), one_line(bench.title, 80)
    if beat is None:
        return f"another recorder records the bench {title!r} already; end that first"
    return (
        f"the bench {title!r} is recorded already, by process {beat.pid} into {beat.session}: "
        f"see it with `benchmon attach {beat.session}`, or stop that recorder first"
    )


def _make_folder(folder: Path) -> None:
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    if not _is_own_folder(folder):
        raise PermissionError(errno.EPERM, f"{folder} is open to other users")


def read_beacon(path: Path) -> Beat | None:
    """Return the last heartbeat of the recorder with the beacon at `path`, None where there is none."""
    try:
        file = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOFOLLOW)
    except (OSError, ValueError):
        return None
    try:
        found = os.fstat(file)
        is_own = stat.S_ISREG(found.st_mode) and found.st_uid == os.getuid()
        text = os.pread(file, _SIZE, 0) if is_own else b""
    finally:
        os.close(file)
    try:
        # Most of the file is what fills it up to its size.
        return _beat(json.loads(text.rstrip()))
    except ValueError:
        return None


def _beat(stored: object) -> Beat | None:
    match stored:
        case {
            "pid": int(pid),
            "session": str(session),
            "title": str(title),
            "started": float(started),
            "time": float(now),
            "monotonic": float(monotonic),
            "boot": str(at_boot),
            "trouble": str(trouble),
            **others,
        }:
            words = (one_line(session, 1000), one_line(title, 200))
            more = (text if isinstance(text := others.get(name), str) else "" for name in ("status", "events"))
            return Beat(pid, *words, started, now, monotonic, at_boot, one_line(trouble, 600), *more)
    return None


def running_recorders() -> list[Beat]:
    """Return the recorders of this user that run on this machine, the latest started first."""
    return sorted((beat for _, beat in _beats() if beat.is_recent), key=lambda beat: beat.started, reverse=True)


def is_recorded(session: Path) -> bool:
    """Return whether a recorder of `session` is there, also one that stands still and goes on later."""
    wanted = os.path.realpath(session)
    return any(os.path.realpath(beat.session) == wanted and _holds_open(beat.pid, path) for path, beat in _beats())


def _beats() -> Iterator[tuple[Path, Beat]]:
    """Yield the beacons of this user with the last heartbeats of their recorders."""
    folder = beacons_folder()
    for path in folder.glob(f"*{ENDING}") if _is_own_folder(folder) else ():
        beat = read_beacon(path)
        if beat is not None:
            yield path, beat


def ask_by_signal(path: Path, kind: str) -> bool:
    """Ask the recorder with the beacon at `path` for a kind in `SIGNALS`; return whether that could be done.

    A beacon may be anybody's file. So only a process is asked that holds it open, as its recorder does.
    """
    beat, number = read_beacon(path), SIGNALS.get(kind)
    if beat is None or number is None or not beat.is_recent or not _holds_open(beat.pid, path):
        return False
    if beat.pid == os.getpid():
        return False  # a recorder in a thread of this process: its handlers of signals are this process's own
    try:
        os.kill(beat.pid, number)
    except OSError:
        return False
    return True


def _holds_open(pid: int, path: Path) -> bool:
    try:
        held = [link.stat() for link in Path(f"/proc/{pid}/fd").iterdir() if link.exists()]
        return any(os.path.samestat(each, path.stat()) for each in held)
    except OSError:
        return False
