"""The publisher: follows a session and publishes the bench's status to a broker until the session ends.

It runs in a process of its own, so that a slow broker delays nothing else.
"""

from __future__ import annotations

import platform
import subprocess
import sys
import threading
import time
from collections import deque
from contextlib import suppress
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

from benchmon.errors import BenchmonError, RecorderError
from benchmon.publish.broker import Broker, connect, leave, new_client, read_broker
from benchmon.publish.topics import (
    BenchState,
    UnitResult,
    bench_name,
    channel_payload,
    channel_topic,
    event_payload,
    explanations_payload,
)
from benchmon.session.encodings import StatusReader
from benchmon.session.records import RecorderState, SessionView, Update
from benchmon.session.requests import Note
from benchmon.text import one_line
from benchmon.watch.records import Verdict
from benchmon.watch.status import Level

if TYPE_CHECKING:
    from paho.mqtt.client import Client


_IN_FLIGHT = 20
_MOST_EVENTS = 1000


class PublishQueue:
    """Publishes through `client` under `base`. A newer message of a retained topic replaces one that waits.

    No more than twenty messages are handed to the client before the broker has taken them. All work is done by the
    thread that calls `work`: the client's own thread only queues notices, as it may hold locks that publishing needs.
    """

    def __init__(self, client: Client, base: str) -> None:
        self._client, self._base = client, base
        self._kept: dict[str, str] = {}
        self._waiting: dict[str, None] = {}
        self._events: deque[str] = deque(maxlen=_MOST_EVENTS)
        self._in_flight: set[int] = set()
        self._taken: SimpleQueue[int] = SimpleQueue()
        self._greetings: SimpleQueue[bool] = SimpleQueue()
        self._news = threading.Event()
        self._connected = False
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish

    @property
    def connected(self) -> bool:
        """Whether the broker is connected."""
        return self._connected

    def keep(self, topic: str, payload: str) -> None:
        """Publish a retained message of a topic, at the next `work`."""
        if self._kept.get(topic) != payload:
            self._kept[topic] = payload
            self._waiting[topic] = None

    def send(self, payload: str) -> None:
        """Publish an event, at the next `work`."""
        self._events.append(payload)

    @property
    def is_empty(self) -> bool:
        """Whether the broker has accepted everything."""
        return not (self._waiting or self._events or self._in_flight)

    def work(self, seconds: float, *, until_empty: bool = False) -> None:
        """Publish what waits, as fast as the broker accepts it, for so many `seconds` or until nothing is left."""
        end = time.monotonic() + seconds
        while (left := end - time.monotonic()) > 0:
            self._process_notices()
            self._hand_over()
            if until_empty and self.is_empty:
                return
            self._news.wait(left)
            self._news.clear()

    def _process_notices(self) -> None:
        """Process the notices of the client's thread."""
        while not self._greetings.empty():
            self._connected = self._greetings.get()
            if self._connected:
                # The broker may have published the last will, or be another one: publish all retained messages again.
                self._waiting = dict.fromkeys(self._kept)
        while not self._taken.empty():
            self._in_flight.discard(self._taken.get())

    def _hand_over(self) -> None:
        while self._connected and len(self._in_flight) < _IN_FLIGHT and (self._events or self._waiting):
            if self._events:
                info = self._client.publish(f"{self._base}/event", self._events.popleft(), qos=1)
            else:
                topic = next(iter(self._waiting))
                del self._waiting[topic]
                info = self._client.publish(f"{self._base}/{topic}", self._kept[topic], qos=1, retain=True)
            self._in_flight.add(info.mid)

    def _on_connect(self, _client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._greetings.put(not reason.is_failure)
        self._news.set()

    def _on_disconnect(self, *_: Any) -> None:
        self._greetings.put(False)
        self._news.set()

    def _on_publish(self, _client: Client, _data: Any, mid: int, _reason: Any, _properties: Any) -> None:
        self._taken.put(mid)
        self._news.set()


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
        self._disagrees: dict[str, bool] = {}
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
            self._report_unit()
            self._queue.work(_LAST_WORDS_WITHIN, until_empty=True)
        finally:
            leave(self._client)

    def _report_unit(self) -> None:
        """Publish what the test of this unit came to, where it has a serial number and the recording ended well."""
        info = self._view.info
        if not info.serial or self._update.state is not RecorderState.FINISHED:
            return
        tripped = [f"{name} tripped" for name in self._status.status.tripped]
        disagrees = [f"{name} disagrees" for name, does in self._disagrees.items() if does]
        why = ", ".join([*tripped, *disagrees])
        result = UnitResult(info.serial, not why, time.time(), one_line(why, 400), info.operator)
        self._queue.keep(result.topic, result.payload)

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
            # Once the power is gone nothing is expected: what was judged last counts.
            if judgement.verdict is not Verdict.UNPREDICTED:
                self._disagrees[name] = judgement.verdict is Verdict.DISAGREES
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
