"""The overview of all benches of a lab, from the messages of a broker, and its text."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from benchmon.errors import RecorderError
from benchmon.publish.broker import Broker, connect, leave, new_client
from benchmon.publish.topics import BenchState, UnitResult, read_state, read_unit
from benchmon.text import one_line
from benchmon.watch.status import Level

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage

SILENT_AFTER = 5.0
"""Seconds without a message after which a bench that is being recorded counts as silent."""
MOST_BENCHES = 2000
"""Benches that are shown; any more are counted."""
MOST_UNITS = 20_000
"""Units of which the latest result is kept."""
_ORDER = (Level.DANGER, Level.BLIND, Level.CAUTION, Level.WAITING, Level.AS_EXPECTED, Level.ENDED)


@dataclass(frozen=True, slots=True)
class BenchStatusMessage:
    """A bench of the lab: its last message, its level and sentence now, and the seconds since that message."""

    name: str
    last: BenchState
    level: Level
    sentence: str
    silent: float
    is_silent: bool = False


@dataclass(frozen=True, slots=True)
class _Received:
    last: BenchState
    at: float


class Overview:
    """Receives the states of all benches under `broker`'s prefix. `clock` gives monotonic seconds.

    The constructor raises `BadInput` if the client cannot be created.
    """

    def __init__(self, broker: Broker, clock: Callable[[], float] = time.monotonic) -> None:
        self.broker = broker
        self._clock = clock
        self._lock = threading.Lock()
        self._received: dict[str, _Received] = {}
        self._left_out: set[str] = set()
        self._units: dict[str, UnitResult] = {}
        self._ever_there = threading.Event()
        self.connected = False
        self.refusal = ""
        self._client = new_client(broker)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_message = self._on_message

    def start(self) -> None:
        """Connect and subscribe; returns at once."""
        connect(self._client, self.broker)

    def stop(self) -> None:
        """Disconnect from the broker."""
        leave(self._client)

    def wait_for_broker(self, seconds: float) -> None:
        """Wait until the broker is connected. Raises `RecorderError` after so many `seconds`."""
        if not self._ever_there.wait(seconds):
            why = self.refusal or "it is not reached; check address and network, its certificate, and that it runs"
            raise RecorderError(f"no broker at {self.broker}: {why}")

    @property
    def left_out(self) -> int:
        """How many benches are not shown, since there are too many."""
        return len(self._left_out)

    def benches(self) -> list[BenchStatusMessage]:
        """Return the benches, the most severe level first."""
        now = self._clock()
        with self._lock:
            received = dict(self._received)
        found = [_status_message(name, each, now - each.at) for name, each in received.items()]
        return sorted(found, key=lambda bench: (_ORDER.index(bench.level), bench.last.title, bench.name))

    def units_today(self, now: float) -> tuple[int, int]:
        """Return how many units passed and how many failed on the local day of `now` (seconds since 1970)."""
        today = time.localtime(now)[:3]
        with self._lock:
            units = list(self._units.values())
        results = [unit.passed for unit in units if unit.at > 0.0 and time.localtime(unit.at)[:3] == today]
        return sum(results), len(results) - sum(results)

    def _on_unit(self, topic: str, payload: bytes) -> None:
        result = read_unit(payload) if payload else None
        with self._lock:
            if result is None:
                self._units.pop(topic, None)
            elif topic in self._units or len(self._units) < MOST_UNITS:
                self._units[topic] = result

    def on_message(self, topic: str, payload: bytes, *, kept: bool = False) -> None:
        """Take a message; `kept` marks one that the broker had retained, of unknown age."""
        if "/unit/" in topic.removeprefix(self.broker.prefix):
            self._on_unit(one_line(topic, 300), payload)
            return
        bench = one_line(topic.removeprefix(f"{self.broker.prefix}/").removesuffix("/state"), 100)
        with self._lock:
            if not payload:
                self._received.pop(bench, None)  # an empty message clears the topic: forget the bench
                self._left_out.discard(bench)
                return
            state = read_state(payload)
            if state is None:
                return
            if bench not in self._received and len(self._received) >= MOST_BENCHES:
                self._left_out.add(bench)
                return
            self._left_out.discard(bench)
            self._received[bench] = _Received(state, self._clock() - (SILENT_AFTER / 2 if kept else 0.0))

    def _on_connect(self, client: Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self.refusal = f"it refuses: {one_line(reason)}"
            return
        client.subscribe([(f"{self.broker.prefix}/+/state", 1), (f"{self.broker.prefix}/+/unit/+", 1)])
        self.connected = True
        self._ever_there.set()

    def _on_disconnect(self, *_: Any) -> None:
        self.connected = False

    def _on_message(self, _client: Client, _data: Any, message: MQTTMessage) -> None:
        self.on_message(message.topic, bytes(message.payload), kept=message.retain)


def _status_message(name: str, received: _Received, silent: float) -> BenchStatusMessage:
    last = received.last
    if last.state == "recording" and silent > SILENT_AFTER:
        words = f"No message for {silent:.0f} s: look at the bench. Last: {last.sentence}"
        level = Level.DANGER if last.tripped else Level.BLIND
        return BenchStatusMessage(name, last, level, words, silent, is_silent=True)
    level = Level(last.level) if last.level in set(Level) else Level.BLIND
    sentence = f"{last.sentence} ({last.trouble})" if last.trouble else last.sentence
    return BenchStatusMessage(name, last, level, sentence, silent)


_IN_WORDS = {
    Level.DANGER: "in danger",
    Level.BLIND: "not watched",
    Level.CAUTION: "to look at",
    Level.WAITING: "waiting for readings",
    Level.AS_EXPECTED: "as expected",
    Level.ENDED: "ended",
}


def count_in_words(benches: Sequence[BenchStatusMessage], left_out: int = 0) -> str:
    """Return the number of benches at each level, the most severe first, and how many are left out."""
    if not benches:
        return "no bench is published here yet"
    counts = [(sum(bench.level is level for bench in benches), words) for level, words in _IN_WORDS.items()]
    listed = ", ".join(f"{count} {words}" for count, words in counts if count)
    more = f"; {left_out} more are NOT shown" if left_out else ""
    return f"{len(benches)} bench{'es' if len(benches) > 1 else ''}: {listed}{more}"


def units_in_words(passed: int, failed: int) -> str:
    """Return how many units were tested today, "" where none was.

    >>> units_in_words(12, 1)
    'today 13 units done: 12 passed, 1 failed'
    """
    done = passed + failed
    return f"today {done} unit{'s' if done > 1 else ''} done: {passed} passed, {failed} failed" if done else ""


def state_in_words(bench: BenchStatusMessage) -> str:
    """Return the state of a bench's recording, or that it is silent."""
    return "silent" if bench.is_silent else bench.last.state


def overview_as_text(benches: Sequence[BenchStatusMessage], left_out: int = 0, units: tuple[int, int] = (0, 0)) -> str:
    """Return the benches as plain text, the most severe level first: a line of counts, then two lines each.

    `units` are those that passed and failed today.
    """
    tested = units_in_words(*units)
    lines = [count_in_words(benches, left_out), *([tested] if tested else [])]
    for bench in benches:
        host = f" on {bench.last.host}" if bench.last.host else ""
        lines += [f"{bench.last.title}{host}: {state_in_words(bench)}", f"    {bench.sentence}"]
    return "\n".join(lines)
