"""Meters behind an MQTT broker: each topic's messages are numbers or JSON.

A message that the broker had kept (retained) is of unknown age, so it is no reading. The connection is served by the
thread that reads: the library starts none. The size of messages is bounded by the broker where it speaks MQTT 5 (its
Maximum Packet Size, 3.1.2.11.4 of that standard, from memory); of one of MQTT 3.1.1 the rest is thrown away.
"""

from __future__ import annotations

import ssl
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from pydantic import AfterValidator, Field, model_validator

from benchmon.bench.fields import KeyedError
from benchmon.bounded_mqtt import bounded
from benchmon.errors import BadInput, BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.driver import Driver, Stamped
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon.text import one_line
from benchmon_drivers.network.access import AccessKeys, explain_tls, read_url, require_library
from benchmon_drivers.network.messages import LARGEST, MessageChannel, MessageNumber, MessageSettings, pattern_cautions
from benchmon_drivers.number_parsing import shown

if TYPE_CHECKING:
    from paho.mqtt.client import Client, MQTTMessage

_PORTS = {"mqtt": 1883, "mqtts": 8883}
_KEEPALIVE = 5
"""Seconds after which a ping asks whether the broker is still there."""
_SHORTEST_CONNECT = 3.0
_MOST_WAITING = 1000
_MOST_AT_ONCE = 100
_HEADER = 1024
"""Bytes that a packet may have besides its message."""
_WRONG_VERSION, _WRONG_USER = 0x84, (0x86, 0x87)
"""Reason codes of MQTT 5, 3.2.2.2 (from memory); the library gives those of 3.1.1 as these, too."""


def _read_topic(value: str) -> str:
    if not value or value != one_line(value, 500) or "+" in value or "#" in value:
        raise BadInput('must be one topic, such as "lab/plug/power", without + and #')
    return value


Topic = Annotated[str, AfterValidator(_read_topic)]


class MqttSettings(MessageSettings, AccessKeys):
    """A meter whose messages a broker passes on."""

    address: str = Field(description='The broker: "mqtt://host", or "mqtts://host" for TLS, with ":port" if unusual.')
    topic: Topic | None = Field(None, description="Topic of the channels that have none of their own.")
    status_topic: Topic | None = Field(
        None, description="Topic of the meter's state, to which the broker publishes its last will when it is gone."
    )
    offline: tuple[Annotated[str, Field(min_length=1, max_length=200)], ...] = Field(
        ("offline",), description="Messages of status_topic, in any case, that mean that the meter is gone."
    )

    @model_validator(mode="after")
    def _is_reachable(self) -> MqttSettings:
        parts = read_url(self.address, _PORTS, "mqtt://broker.example")
        if parts.path.strip("/") or parts.query or parts.fragment:
            raise KeyedError("address", self.address, "must end behind host and port; the topic is a key of its own")
        return self


class MqttChannel(MessageChannel):
    """The topic of a value, and where in its messages it is."""

    topic: Topic | None = Field(None, description="Topic of the value, where it is not that of the instrument.")


MqttDrivenChannel = DrivenChannel[MqttChannel]


class MqttDriver(Driver[MqttSettings, MqttChannel]):
    """Numbers in the messages of topics. The constructor raises `BadInput` where a channel has no topic."""

    settings_model: ClassVar[type[InstrumentSettings]] = MqttSettings
    channel_model: ClassVar[type[ChannelSettings]] = MqttChannel
    streams = True

    def __init__(self, name: str, settings: MqttSettings, channels: Sequence[MqttDrivenChannel]) -> None:
        super().__init__(name, settings, channels)
        require_library("paho", "paho-mqtt", "mqtt")
        parts = read_url(settings.address, _PORTS, "mqtt://broker.example")
        self._host, self._port = parts.hostname or "", parts.port or _PORTS[parts.scheme]
        self._is_encrypted = parts.scheme == "mqtts"
        self._offline = frozenset(word.casefold() for word in settings.offline)
        self._by_topic: dict[str, dict[str, MessageNumber]] = {}
        for channel in channels:
            topic = channel.settings.topic or settings.topic
            if topic is None:
                raise BadInput(f"has no topic, so {channel.name} needs one of its own")
            number = MessageNumber(channel.name, channel.unit, channel.settings, settings.overload)
            self._by_topic.setdefault(topic, {})[channel.name] = number
        self._session: _Session | None = None

    def cautions(self) -> list[str]:
        """Return what to know of the patterns before a test."""
        numbers = [number for named in self._by_topic.values() for number in named.values()]
        return pattern_cautions(numbers)

    def _open(self) -> str:
        self._close()
        try:
            self._session = self._connected(version=5)
        except _OldBroker:
            self._session = self._connected(version=4)
        return ""

    def _connected(self, version: int) -> _Session:
        keys = self.settings
        session = _Session(self.clock, version, keys.credentials(), keys.tls() if self._is_encrypted else None)
        topics = [*self._by_topic, *([keys.status_topic] if keys.status_topic else [])]
        try:
            session.connect(self._host, self._port, max(self.timeout, _SHORTEST_CONNECT))
            session.subscribe(topics, max(self.timeout, _SHORTEST_CONNECT))
        except BaseException:
            session.close()
            raise
        return session

    def _close(self) -> None:
        session, self._session = self._session, None
        if session is not None:
            session.close()

    def _listen(self, seconds: float) -> Iterator[tuple[str, Stamped | BadReply]]:
        if self._session is None:
            return
        for topic, message, is_kept, time in self._session.messages(seconds):
            if topic == self.settings.status_topic:
                self._check_state(message)
            if not is_kept:
                yield from self._values(topic, message, time)

    def _values(self, topic: str, message: bytes, time: float) -> Iterator[tuple[str, Stamped | BadReply]]:
        numbers, fits = self._by_topic.get(topic, {}), False
        for name, number in numbers.items():
            value = number.find(message)
            fits = fits or value is not None
            if isinstance(value, BadReply):
                yield name, value
            elif value is not None:
                yield name, Stamped(value, time)
        if numbers and not fits:
            self.complain(f'sent "{shown(message[:200])}" under {topic}, which is about no channel; check json')

    def _check_state(self, message: bytes) -> None:
        state = shown(message[:200])
        if state.casefold() in self._offline:
            raise InstrumentError(
                f'{self._host}: says "{state}" of the meter under {self.settings.status_topic}; is it on?'
            )

    def _explain(self, problem: Exception) -> InstrumentError | None:
        return explain_tls(problem, self._host)

    def _timeout_message(self) -> str:
        topics = ", ".join(self._by_topic)
        return one_line(f"{self._host}: no new message under {topics} for {self.timeout:.3g} s; is the meter on?")


class _OldBroker(Exception):
    """The broker does not speak this version of MQTT."""


class _Session:
    """A connection to a broker, served by the calling thread; raises `InstrumentError` where it is refused or lost."""

    def __init__(
        self, clock: Callable[[], float], version: int, login: tuple[str, str] | None, tls: ssl.SSLContext | None
    ) -> None:
        from paho.mqtt.client import Client  # noqa: PLC0415 - an optional library
        from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion  # noqa: PLC0415

        self._clock, self._version = clock, version
        kind = bounded(Client, LARGEST)
        self._client: Client = kind(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion(version))
        if login is not None:
            self._client.username_pw_set(*login)
        if tls is not None:
            self._client.tls_set_context(tls)
        self._answers: list[Any] = []
        self._waiting: deque[tuple[str, bytes, bool, float]] = deque(maxlen=_MOST_WAITING)
        self._host = ""
        # Callbacks hold no reference to this object's client, so that it is closed as soon as it is dropped.
        answers, waiting = self._answers, self._waiting

        def keep(_client: Client, _data: Any, message: MQTTMessage) -> None:
            waiting.append((message.topic, bytes(message.payload), message.retain, clock()))

        self._client.on_connect = lambda _c, _d, _f, reason, _p: answers.append(reason)
        self._client.on_subscribe = lambda _c, _d, _m, reasons, _p: answers.extend(reasons)
        self._client.on_message = keep

    def connect(self, host: str, port: int, seconds: float) -> None:
        """Connect within about `seconds`. Raises `OSError`, `_OldBroker`, or `InstrumentError` with the reason."""
        from paho.mqtt.packettypes import PacketTypes  # noqa: PLC0415 - an optional library
        from paho.mqtt.properties import Properties  # noqa: PLC0415

        self._host = host
        self._client.connect_timeout = seconds
        bound = None
        if self._version == 5:
            bound = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            bound.MaximumPacketSize = LARGEST + _HEADER
        self._client.connect(host, port, _KEEPALIVE, properties=bound)
        (reason,) = self._answered(1, seconds)
        if not reason.is_failure:
            return
        if reason == _WRONG_VERSION and self._version == 5:
            raise _OldBroker
        hint = "; check user and password_from" if reason in _WRONG_USER else ""
        raise InstrumentError(one_line(f"{host}: the broker refuses the connection ({reason}){hint}"))

    def subscribe(self, topics: Sequence[str], seconds: float) -> None:
        """Ask for the messages of `topics`. Raises `InstrumentError` where the broker refuses one."""
        self._client.subscribe([(topic, 0) for topic in topics])
        refused = [
            topic
            for topic, reason in zip(topics, self._answered(len(topics), seconds), strict=True)
            if reason.is_failure
        ]
        if refused:
            raise InstrumentError(one_line(f"{self._host}: the broker lets nobody here read {', '.join(refused)}"))

    def messages(self, seconds: float) -> Iterator[tuple[str, bytes, bool, float]]:
        """Yield topic, message, whether the broker had kept it, and time; wait at most `seconds` for the first."""
        self._serve(seconds)
        for _ in range(_MOST_AT_ONCE):
            if not self._waiting:
                return
            yield self._waiting.popleft()
            # The library takes one packet at a time.
            self._serve(0.0)

    def close(self) -> None:
        """Leave the broker."""
        with suppress(OSError, ValueError):
            self._client.disconnect()

    def _answered(self, count: int, seconds: float) -> list[Any]:
        give_up = self._clock() + seconds
        while len(self._answers) < count:
            left = give_up - self._clock()
            if left <= 0:
                raise InstrumentTimeout(f"{self._host}: the broker does not answer; are host and port right?")
            try:
                self._serve(left)
            except InstrumentError as problem:
                if self._answers:
                    break
                if self._version == 5:
                    # Brokers that are older than MQTT 5 may hang up on it.
                    raise _OldBroker from problem
                raise
        found = self._answers[:count]
        self._answers.clear()
        return found

    def _serve(self, seconds: float) -> None:
        code = self._client.loop(max(0.0, seconds))
        if code != 0 and not self._answers:
            raise InstrumentError(
                f"{self._host}: the broker closed the connection; is it on, is a second client named so?"
            )
