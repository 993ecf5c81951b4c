"""The publisher: follows a session and publishes the bench's status to a broker until the session ends.

It runs in a process of its own, so that a slow broker delays nothing else.
"""

from __future__ import annotations

import platform
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

from benchmon.errors import BenchmonError, RecorderError
from benchmon.publish.broker import Broker, connect, leave, new_client, read_broker
from benchmon.publish.queue import PublishQueue
from benchmon.publish.topics import (
    BenchState,
    bench_name,
    channel_payload,
    channel_topic,
    event_payload,
    explanations_payload,
)
from benchmon.session.encodings import StatusReader
from benchmon.session.records import RecorderState, SessionView, Update
from benchmon.session.requests import Note
from benchmon.watch.status import Level

_LOOK_EVERY = 0.5
_STATE_EVERY = 1.0
_LAST_WORDS_WITHIN = 5.0
_NOTE_ABSENCE_AFTER = 5.0
_GONE = "Neither the recorder nor its publisher can be reached any more: look at the bench"


class Publisher:
    """Follows `view` and publishes to `broker`. The constructor raises `BadInput` if the client cannot be created."""

    def __init__(self, view: SessionView, broker: Broker) -> None:
        self._view, self._broker = view, broker
        self._bench, self._started = view.info.bench, view.info.started
        self._channels = {channel.name: channel for channel in self._bench.channel}
        self._status = StatusReader(self._bench)
        self._update = Update(0.0, RecorderState.RECORDING)
        self._problem = ""
        self._next_state = 0.0
        self._last_connected = time.monotonic()
        self._absence_noted = False
        client = new_client(broker)
        base = f"{broker.prefix}/{bench_name(self._bench)}"
        gone = BenchState("gone", self._bench.title, platform.node(), Level.BLIND, _GONE, started=self._started)
        client.will_set(f"{base}/state", gone.payload, qos=1, retain=True)
        self._queue = PublishQueue(client, base)
        self._client = client

    def run(self) -> None:
        """Publish until the session has ended or its recorder is gone."""
        connect(self._client, self._broker)
        try:
            while self._update.state is RecorderState.RECORDING:
                self.look()
                self._queue.work(_LOOK_EVERY)
            self._queue.work(_LAST_WORDS_WITHIN, until_empty=True)
        finally:
            leave(self._client)

    def look(self) -> None:
        """Poll the session and queue its news for publishing."""
        before = self._gist()
        try:
            self._take(self._view.poll())
            self._problem = ""
        except BenchmonError as problem:
            self._problem = str(problem)
        now = time.monotonic()
        if now >= self._next_state or before != self._gist():
            self._next_state = now + _STATE_EVERY
            self._queue.keep("state", self._state().payload)
        self._note_broker_state(now)

    def _take(self, update: Update) -> None:
        self._update = update
        self._status.take(update)
        news = {judgement.channel: judgement for judgement in update.judgements if judgement.channel in self._channels}
        for name, judgement in news.items():
            channel = self._channels[name]
            self._queue.keep(channel_topic(channel), channel_payload(channel, judgement, self._started))
        if update.explanations is not None:
            self._queue.keep("explanations", explanations_payload(update.explanations, self._started))
        for event in update.events:
            self._queue.send(event_payload(event, self._started))

    def _gist(self) -> tuple[RecorderState, str, Level]:
        """Return the values whose change is published at once."""
        return self._update.state, self._problem, self._status.status.level

    def _state(self) -> BenchState:
        found = self._status.glance
        return BenchState(
            str(self._update.state),
            self._bench.title,
            platform.node(),
            str(found.level),
            found.sentence,
            self._status.status.tripped,
            self._problem or self._update.trouble,
            self._started,
            time.time(),
            self._update.now,
        )

    def _note_broker_state(self, now: float) -> None:
        """Record a note in the session when the broker stays out of reach, and when it is connected again."""
        if self._queue.connected:
            self._last_connected, absent = now, False
        else:
            absent = now - self._last_connected > _NOTE_ABSENCE_AFTER
        if absent == self._absence_noted or not (absent or self._queue.connected):
            return
        self._absence_noted = absent
        words = "is not reached, the bench is not published; it is tried again" if absent else "is there again"
        with suppress(RecorderError):  # a session that cannot be written reports that itself
            self._view.request(Note(f"the broker {self._broker} {words}"))


def check_broker(url: str) -> None:
    """Raise `BadInput` if `url` names no broker, or no client can be made for it; it need not be reachable yet."""
    new_client(read_broker(url))


def start_publisher(session: Path, url: str) -> subprocess.Popen[bytes]:
    """Start a publisher of the session at `session`; it ends with the session."""
    return subprocess.Popen(  # noqa: S603 - this very program
        [sys.executable, "-P", "-m", "benchmon.publish", str(session), url],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
