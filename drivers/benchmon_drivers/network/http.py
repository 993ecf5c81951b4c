"""Meters with a page: a URL that is asked for at each period, with a number, JSON, or text in which a pattern fits."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, ClassVar
from urllib.parse import quote

from pydantic import AfterValidator, Field, model_validator

from benchmon.errors import BadInput, BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon.text import one_line
from benchmon_drivers.network.access import HTTP_PORTS, HttpKeys, read_url, require_library
from benchmon_drivers.network.messages import LARGEST, MessageChannel, MessageNumber, MessageSettings
from benchmon_drivers.number_parsing import shown

if TYPE_CHECKING:
    from benchmon_drivers.network.http_client import HttpClient

EXAMPLE = "http://192.168.1.7/readings"


def _read_path(value: str) -> str:
    if value and (not value.startswith("/") or value.startswith("//") or one_line(value, 1000) != value):
        raise BadInput('must be a path on the same host, such as "/readings?input=2"')
    return quote(value, safe="/?&=%:;,+~()[]!$'*@-._")


class HttpSettings(MessageSettings, HttpKeys):
    """A meter with a web page or an interface by URLs."""

    address: str = Field(description=f'URL of the page, such as "{EXAMPLE}", or https:// for TLS.')

    @model_validator(mode="after")
    def _is_reachable(self) -> HttpSettings:
        read_url(self.address, HTTP_PORTS, EXAMPLE)
        return self


class HttpChannel(MessageChannel):
    """On which page a value is, and where on it. A pattern must be found on the page exactly once."""

    path: Annotated[str, AfterValidator(_read_path)] = Field(
        "", description='Path of the page on the same host, such as "/readings?input=2", where it is not the address.'
    )


HttpDrivenChannel = DrivenChannel[HttpChannel]


class HttpDriver(Driver[HttpSettings, HttpChannel]):
    """Numbers on pages; each page is asked for once, for all of its channels that are due."""

    settings_model: ClassVar[type[InstrumentSettings]] = HttpSettings
    channel_model: ClassVar[type[ChannelSettings]] = HttpChannel
    queries_together = True

    def __init__(self, name: str, settings: HttpSettings, channels: Sequence[HttpDrivenChannel]) -> None:
        super().__init__(name, settings, channels)
        require_library("httpx", "httpx", "http")
        parts = read_url(settings.address, HTTP_PORTS, EXAMPLE)
        host = f"{parts.scheme}://{parts.netloc}"
        self._pages = {
            channel.name: host + channel.settings.path if channel.settings.path else settings.address
            for channel in channels
        }
        self._numbers = {
            channel.name: MessageNumber(channel.name, channel.unit, channel.settings, settings.overload, whole=False)
            for channel in channels
        }
        self._client: HttpClient | None = None

    def cautions(self) -> list[str]:
        """Return what to know of the patterns before a test."""
        return sorted({caution for number in self._numbers.values() if (caution := number.caution())})

    def _open(self) -> str:
        from benchmon_drivers.network.http_client import HttpClient  # noqa: PLC0415 - needs an optional library

        self._close()
        self._client = HttpClient(self.settings.address, self.settings, LARGEST)
        # One page shows whether the meter is there; the others are asked for when they are due.
        if self._pages:
            self._client.get(next(iter(self._pages.values())), self.timeout)
        return ""

    def _close(self) -> None:
        client, self._client = self._client, None
        if client is not None:
            client.close()

    def _query_many(self, channels: Sequence[HttpDrivenChannel]) -> list[float | InstrumentError]:
        self._require_connection(self._client is not None)
        assert self._client is not None  # noqa: S101 - for the type checker
        answers: dict[str, float | InstrumentError] = {}
        for page in dict.fromkeys(self._pages[channel.name] for channel in channels):
            own = [channel.name for channel in channels if self._pages[channel.name] == page]
            try:
                content = self._client.get(page, self.timeout).content
            except (BadReply, InstrumentTimeout) as problem:
                answers |= dict.fromkeys(own, problem)
            else:
                answers |= {name: self._value(name, content) for name in own}
        return [answers[channel.name] for channel in channels]

    def _value(self, name: str, content: bytes) -> float | BadReply:
        value = self._numbers[name].find(content)
        if value is not None:
            return value
        return BadReply(f'its page "{shown(content[:200])}" has nothing where json or pattern looks; check them')
