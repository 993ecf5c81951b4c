"""The queue of messages to be published: the latest of every topic and the last events. It is bounded."""

from __future__ import annotations

import threading
import time
from collections import deque
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

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
