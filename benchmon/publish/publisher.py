"""The publisher: it follows a session and tells a broker how the bench stands, until the session is over.

The publisher as a process of its own, so that whatever it waits for, nobody waits for it.
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
_TELL_ABSENCE_AFTER = 5.0
_GONE = "Neither the recorder nor its publisher is heard any more: look at the bench"


class Publisher:
    """Follows `view` and publishes to `broker`. Raises `BadInput` where the client cannot be made."""

    def __init__(self, view: SessionView, broker: Broker) -> None:
        self._view, self._broker = view, broker
        self._bench, self._started = view.info.bench, view.info.started
        self._channels = {channel.name: channel for channel in self._bench.channel}
        self._status = StatusReader(self._bench)
        self._update = Update(0.0, RecorderState.RECORDING)
        self._problem = ""
        self._next_state = 0.0
        self._heard_of_broker = time.monotonic()
        self._absence_told = False
        client = new_client(broker)
        base = f"{broker.prefix}/{bench_name(self._bench)}"
        gone = BenchState("gone", self._bench.title, platform.node(), Level.BLIND, _GONE, started=self._started)
        client.will_set(f"{base}/state", gone.payload, qos=1, retain=True)
        self._outbox = PublishQueue(client, base)
        self._client = client

    def run(self) -> None:
        """Publish until the session has ended or its recorder is gone."""
        connect(self._client, self._broker)
        try:
            while self._update.state is RecorderState.RECORDING:
                self.look()
                self._outbox.work(_LOOK_EVERY)
            self._outbox.work(_LAST_WORDS_WITHIN, until_empty=True)
        finally:
            leave(self._client)

    def look(self) -> None:
        """Take what the session has to tell, for the outbox to publish."""
        before = self._gist()
        try:
            self._take(self._view.poll())
            self._problem = ""
        except BenchmonError as problem:
            self._problem = str(problem)
        now = time.monotonic()
        if now >= self._next_state or before != self._gist():
            self._next_state = now + _STATE_EVERY
            self._outbox.keep("state", self._state().payload)
        self._tell_of_the_broker(now)

    def _take(self, update: Update) -> None:
        self._update = update
        self._status.take(update)
        news = {judgement.channel: judgement for judgement in update.judgements if judgement.channel in self._channels}
        for name, judgement in news.items():
            channel = self._channels[name]
            self._outbox.keep(channel_topic(channel), channel_payload(channel, judgement, self._started))
        if update.explanations is not None:
            self._outbox.keep("explanations", explanations_payload(update.explanations, self._started))
        for event in update.events:
            self._outbox.tell(event_payload(event, self._started))

    def _gist(self) -> tuple[RecorderState, str, Level]:
        """Return what is published at once where it changes."""
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

    def _tell_of_the_broker(self, now: float) -> None:
        """Leave a note in the session where the broker stays away, and where it is there again."""
        if self._outbox.connected:
            self._heard_of_broker, absent = now, False
        else:
            absent = now - self._heard_of_broker > _TELL_ABSENCE_AFTER
        if absent == self._absence_told or not (absent or self._outbox.connected):
            return
        self._absence_told = absent
        words = "is not reached, the bench is not published; it is tried again" if absent else "is there again"
        with suppress(RecorderError):  # a session that cannot be written has worse to tell
            self._view.request(Note(f"the broker {self._broker} {words}"))


def check_broker(url: str) -> None:
    """Raise `BadInput` where `url` names no broker, or one that cannot be spoken to; it need not be there yet."""
    new_client(read_broker(url))


def start_publisher(session: Path, url: str) -> subprocess.Popen[bytes]:
    """Start a publisher of the session at `session`, which ends by itself when the session is over."""
    return subprocess.Popen(  # noqa: S603 - this very program
        [sys.executable, "-P", "-m", "benchmon.publish", str(session), url],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
