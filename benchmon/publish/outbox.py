"""What is still to be published: the latest of every topic, and the last events; bounded, whatever the broker does."""

from __future__ import annotations

import threading
from collections import deque
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from paho.mqtt.client import Client

_IN_FLIGHT = 20
_MOST_EVENTS = 1000


class Outbox:
    """Publishes through `client` under `base`. A newer message of a kept topic takes the place of one that waits.

    No more than twenty messages are handed to the client before the broker has taken them.
    """

    def __init__(self, client: Client, base: str) -> None:
        self._client, self._base = client, base
        self._lock = threading.Condition(threading.RLock())
        self._kept: dict[str, str] = {}
        self._waiting: dict[str, None] = {}
        self._events: deque[str] = deque(maxlen=_MOST_EVENTS)
        self._in_flight: set[int] = set()
        self._connected = False
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish

    @property
    def connected(self) -> bool:
        """Whether the broker is there."""
        return self._connected

    def keep(self, topic: str, payload: str) -> None:
        """Publish what the broker is to keep of a topic."""
        with self._lock:
            if self._kept.get(topic) != payload:
                self._kept[topic] = payload
                self._waiting[topic] = None
            self._pump()

    def tell(self, payload: str) -> None:
        """Publish an event."""
        with self._lock:
            self._events.append(payload)
            self._pump()

    def empty(self, within: float) -> bool:
        """Wait until the broker has taken everything; return False where it has not, within so many seconds."""
        with self._lock:
            return self._lock.wait_for(lambda: not (self._waiting or self._events or self._in_flight), within)

    def _pump(self) -> None:
        while self._connected and len(self._in_flight) < _IN_FLIGHT and (self._events or self._waiting):
            if self._events:
                info = self._client.publish(f"{self._base}/event", self._events.popleft(), qos=1)
            else:
                topic = next(iter(self._waiting))
                del self._waiting[topic]
                info = self._client.publish(f"{self._base}/{topic}", self._kept[topic], qos=1, retain=True)
            self._in_flight.add(info.mid)

    def _on_connect(self, _client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        with self._lock:
            self._connected = not reason.is_failure
            # The broker may have told the last will, or be another one by now: all that it keeps is said again.
            self._waiting = dict.fromkeys(self._kept)
            self._pump()

    def _on_disconnect(self, *_: Any) -> None:
        with self._lock:
            self._connected = False

    def _on_publish(self, _client: Client, _data: Any, mid: int, _reason: Any, _properties: Any) -> None:
        with self._lock:
            self._in_flight.discard(mid)
            self._pump()
            self._lock.notify_all()
