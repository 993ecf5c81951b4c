"""Reloading the bench file during a recording: whether it was edited, and which changes may come into force.

The file is checked and read in a thread of its own, since its disk may respond late.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue

from benchmon.bench import Bench, load_bench
from benchmon.errors import BadInput, BenchmonError
from benchmon.event_kinds import EventKind
from benchmon.text import one_line
from benchmon.watch.bench_changes import STAYS, changes_between
from benchmon.watch.records import Event

_LOOK_EVERY = 0.5
_SAME_TIME = 1e-6
"""Seconds: session times are stored in microseconds."""

_Stamp = tuple[int, int, int]


@dataclass(frozen=True, slots=True)
class _Offer:
    bench: Bench
    time: float


class BenchFileWatcher:
    """Follows the file that `bench` was read from; a bench that came from no file is never edited."""

    def __init__(self, bench: Bench, look_every: float = _LOOK_EVERY) -> None:
        self._in_force = bench
        self._path = Path(bench.origin).absolute()
        self._look_every = look_every
        self._found: SimpleQueue[Bench | str] = SimpleQueue()
        self._offer: _Offer | None = None
        self._differs = False
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._run, name="bench file", daemon=True)

    def start(self) -> None:
        """Start watching the file."""
        if self._path.is_file():
            self._thread.start()

    def stop(self) -> None:
        """Stop watching the file."""
        self._ended.set()

    def events(self, now: float, begun: int) -> list[Event]:
        """Return the changes of the file found by `now` (session seconds); `begun` steps of the plan have begun."""
        events: list[Event] = []
        while True:
            try:
                found = self._found.get_nowait()
            except Empty:
                return events
            events += self._compare(found, now, begun)

    def _compare(self, found: Bench | str, now: float, begun: int) -> list[Event]:
        self._offer = None
        differed, self._differs = self._differs, True
        if isinstance(found, str):
            return [Event(now, "", EventKind.BENCH_NOT_LOADABLE, f"{found}; {STAYS}")]
        edits = changes_between(self._in_force, found, begun)
        if edits.needs_new_recording:
            return [
                Event(
                    now,
                    "",
                    EventKind.BENCH_NOT_LOADABLE,
                    f"{', '.join(edits.needs_new_recording)}: that takes a new recording; {STAYS}",
                )
            ]
        if edits:
            self._offer = _Offer(found, now)
            return [Event(now, "", EventKind.BENCH_EDITED, ", ".join(edits.applicable))]
        self._differs = False
        return (
            [Event(now, "", EventKind.BENCH_AS_BEFORE, "the bench file is again as it is in force")] if differed else []
        )

    def take(self, offered_at: float, begun: int) -> tuple[Bench, str]:
        """Return the bench that comes into force, and what changes in words.

        `offered_at` is the time of the event that offered it (session seconds). Raises `BadInput` if the file has
        changed since, or if the change needs a new recording.
        """
        offer = self._offer
        if offer is None:
            raise BadInput("there is no edited bench file to load")
        if abs(offered_at - offer.time) > _SAME_TIME:
            raise BadInput("the bench file was edited once more; look at what would change, and load that")
        edits = changes_between(self._in_force, offer.bench, begun)
        if edits.needs_new_recording:
            raise BadInput(f"{', '.join(edits.needs_new_recording)}: that takes a new recording; {STAYS}")
        self._in_force, self._offer, self._differs = offer.bench, None, False
        return offer.bench, ", ".join(edits.applicable)

    def _run(self) -> None:
        read = seen = self._stamp()
        while not self._ended.wait(self._look_every):
            stamp = self._stamp()
            # An editor may be half-way through: what has not stood still for one look is not read yet. A file that is
            # gone changes nothing; it may come back.
            if stamp is not None and stamp != read and stamp == seen:
                read = stamp
                self._found.put(self._load())
            seen = stamp

    def _stamp(self) -> _Stamp | None:
        try:
            found = self._path.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_size, found.st_ino

    def _load(self) -> Bench | str:
        try:
            return load_bench(self._path)
        except BenchmonError as problem:
            return one_line(problem, 400).replace(str(self._path), self._path.name)
