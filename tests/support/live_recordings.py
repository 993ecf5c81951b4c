"""Recordings in this process that end when enough was seen, however fast the machine is."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from benchmon.bench import Bench
from benchmon.recorder import record
from benchmon.recorder.summary import Summary
from benchmon.session.follower import open_session_view
from benchmon.session.records import RecorderState
from benchmon.session.requests import StopRecording
from benchmon.watch.records import Event, Judgement, Verdict
from support.waiting import PATIENCE


class LiveRecording:
    """A recording that runs, and all that its session has shown since the last `start_again`, by channel."""

    def __init__(self, path: Path, summary: Future[Summary]) -> None:
        self.view = open_session_view(path)
        self.judgements: dict[str, list[Judgement]] = {}
        self.events: list[Event] = []
        self._summary = summary

    @property
    def now(self) -> float:
        """Return the session time, in seconds."""
        return time.time() - self.view.info.started

    @property
    def names(self) -> list[str]:
        """Return the names of all channels."""
        return [channel.name for channel in self.view.info.bench.channel]

    @property
    def kinds(self) -> list[str]:
        """Return the kind of every event seen."""
        return [event.kind for event in self.events]

    @property
    def summary(self) -> Summary:
        """Return the summary of the recording once it has stopped."""
        return self._summary.result(60)

    def latest(self, count: int, *channels: str) -> list[Judgement]:
        """Return the last `count` judgements of each channel named, or of all; none where one has fewer."""
        chosen = [self.judgements.get(name, []) for name in channels or self.names]
        return [one for each in chosen for one in each[-count:]] if all(len(each) >= count for each in chosen) else []

    def values(self, count: int, channel: str) -> list[float]:
        """Return the last `count` usable values of a channel; none where it has fewer."""
        usable = [one.value for one in self.judgements.get(channel, ()) if one.value is not None]
        return usable[-count:] if len(usable) >= count else []

    def all_are(self, verdict: Verdict, *channels: str, count: int = 3) -> bool:
        """Return whether the last `count` judgements of each channel named, or of all, have this verdict."""
        return {judgement.verdict for judgement in self.latest(count, *channels)} == {verdict}

    def start_again(self) -> None:
        """Forget what was seen up to now."""
        self._look()
        self.judgements.clear()
        self.events.clear()

    def until(self, enough: Callable[[LiveRecording], object]) -> None:
        """Follow the session until `enough` of what was seen is true."""

        end = time.monotonic() + PATIENCE
        while True:
            state = self._look()
            if enough(self):
                return
            gives_up = state is RecorderState.FINISHED or time.monotonic() > end
            assert not gives_up, f"it never came: {state}, {self.kinds}, {self.latest(1)}"
            time.sleep(0.01)

    def read(self, count: int, *channels: str) -> None:
        """Follow the session until each channel named, or every one, has `count` further usable readings."""
        names = channels or self.names
        before = {name: self._usable(name) for name in names}
        self.until(lambda _: all(self._usable(name) >= before[name] + count for name in names))

    def _usable(self, name: str) -> int:
        return sum(judgement.value is not None for judgement in self.judgements.get(name, ()))

    def _look(self) -> RecorderState:
        update = self.view.poll()
        for judgement in update.judgements:
            self.judgements.setdefault(judgement.channel, []).append(judgement)
        self.events.extend(update.events)
        return update.state


@contextmanager
def live_recording(bench: Bench, path: Path) -> Iterator[LiveRecording]:
    """Record `bench` into `path` for as long as the context lasts; what `record` raises is raised."""
    ready = threading.Event()
    with ThreadPoolExecutor(1) as pool:
        summary = pool.submit(record, bench, path, on_ready=ready.set)
        summary.add_done_callback(lambda _: ready.set())
        assert ready.wait(60)
        if summary.done():
            summary.result()
        live = LiveRecording(path, summary)
        try:
            yield live
        finally:
            if not summary.done():
                live.view.request(StopRecording())
            summary.result(60)
            live.view.close()


def record_until(bench: Bench, path: Path, enough: Callable[[LiveRecording], object]) -> Summary:
    """Record `bench` into `path` until `enough` of what its session shows is true; return the summary."""
    with live_recording(bench, path) as live:
        live.until(enough)
    return live.summary
