"""Pages over HTTP within bounds: of time for the whole exchange, of size, and of places, since no redirect is followed.

The library bounds the time of each read; a server that drips bytes would hold it up for ever, so `_Deadline` bounds the
time of all of them together. Proxies and passwords of this computer's environment are not used.
"""

from __future__ import annotations

import ssl
import time
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import httpcore
import httpx

from benchmon.errors import BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.os_errors import explain
from benchmon.text import one_line
from benchmon_drivers.network.access import HttpKeys, explain_tls


@dataclass(frozen=True, slots=True)
class Page:
    """The content of a page, and its header fields with names in lower case."""

    content: bytes
    fields: dict[str, str]


class HttpClient:
    """Gets pages of at most `largest` bytes from the host of `address`. Raises `InstrumentError` as its keys do."""

    def __init__(self, address: str, keys: HttpKeys, largest: int) -> None:
        self._deadline = _Deadline()
        auth, credentials = None, keys.credentials()
        if credentials is not None:
            auth = (httpx.DigestAuth if keys.login == "digest" else httpx.BasicAuth)(*credentials)
        tls = keys.tls() if address.startswith("https:") else None
        self._client = httpx.Client(
            transport=_BoundedTransport(largest, tls, self._deadline),
            auth=auth,
            headers={"User-Agent": "benchmon", "Accept-Encoding": "identity"},
            follow_redirects=False,
            trust_env=False,
        )

    def get(self, url: str, seconds: float) -> Page:
        """Return the page at `url` within `seconds`. Raises `BadReply` for anything else, `InstrumentError`."""
        self._deadline.set(seconds)
        host = httpx.URL(url).host
        try:
            reply = self._client.get(url)
        except (httpx.HTTPError, httpcore.TimeoutException, httpcore.NetworkError, httpcore.ProtocolError) as problem:
            raise _explained(problem, host, seconds) from problem
        if reply.status_code != httpx.codes.OK:
            raise BadReply(_refusal(reply))
        return Page(reply.content, {name.lower(): value for name, value in reply.headers.items()})

    def close(self) -> None:
        """Close every connection."""
        self._client.close()


def _explained(problem: Exception, host: str, seconds: float) -> InstrumentError:
    if isinstance(problem, httpcore.TimeoutException):
        return InstrumentTimeout(f"{host}: no whole answer within {seconds:.3g} s; is it switched on?")
    cause: BaseException | None = problem
    while cause is not None:
        found = explain_tls(cause, host) if isinstance(cause, Exception) else None
        found = found or (explain(cause, host) if isinstance(cause, OSError) else None)
        if found is not None:
            return found
        cause = cause.__cause__ or cause.__context__
    return InstrumentError(one_line(f"{host}: broke off, or answers no HTTP ({problem}); check the address"))


def _refusal(reply: httpx.Response) -> str:
    code, hint = reply.status_code, "check the address"
    if code in (401, 403):
        hint = "check user, password_from and login"
    elif reply.has_redirect_location:
        hint = f"it sends on to {one_line(reply.headers['location'], 100)}; if that is the meter, make it the address"
    return one_line(f"answered {code} {reply.reason_phrase}; {hint}")


class _Deadline:
    """Until when (monotonic seconds) one exchange may last."""

    def __init__(self) -> None:
        self._until = 0.0

    def set(self, seconds: float) -> None:
        """Begin an exchange of at most `seconds`."""
        self._until = time.monotonic() + seconds

    def left(self) -> float:
        """Return the seconds that are left. Raises the library's time-out where there are none."""
        left = self._until - time.monotonic()
        if left <= 0:
            raise httpcore.ReadTimeout("the whole exchange took too long")
        return left


class _TimedStream(httpcore.NetworkStream):
    def __init__(self, stream: httpcore.NetworkStream, deadline: _Deadline) -> None:
        self._stream, self._deadline = stream, deadline

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:  # noqa: ARG002 - the deadline's
        return self._stream.read(max_bytes, self._deadline.left())

    def write(self, buffer: bytes, timeout: float | None = None) -> None:  # noqa: ARG002 - the deadline's
        self._stream.write(buffer, self._deadline.left())

    def close(self) -> None:
        self._stream.close()

    def start_tls(
        self,
        ssl_context: ssl.SSLContext,
        server_hostname: str | None = None,
        timeout: float | None = None,  # noqa: ARG002 - the deadline's
    ) -> httpcore.NetworkStream:
        stream = self._stream.start_tls(ssl_context, server_hostname, self._deadline.left())
        return _TimedStream(stream, self._deadline)

    def get_extra_info(self, info: str) -> Any:
        return self._stream.get_extra_info(info)


class _TimedBackend(httpcore.NetworkBackend):
    def __init__(self, deadline: _Deadline) -> None:
        self._backend, self._deadline = httpcore.SyncBackend(), deadline

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,  # noqa: ARG002 - the deadline's
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:
        stream = self._backend.connect_tcp(host, port, self._deadline.left(), local_address, socket_options)
        return _TimedStream(stream, self._deadline)


class _BoundedTransport(httpx.BaseTransport):
    """A connection for each request, whose reply is read whole, up to `largest` bytes, before the deadline."""

    def __init__(self, largest: int, tls: ssl.SSLContext | None, deadline: _Deadline) -> None:
        self._largest = largest
        self._pool = httpcore.ConnectionPool(
            tls, max_connections=1, max_keepalive_connections=0, network_backend=_TimedBackend(deadline)
        )

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        url = httpcore.URL(
            scheme=request.url.raw_scheme,
            host=request.url.raw_host,
            port=request.url.port,
            target=request.url.raw_path,
        )
        reply = self._pool.handle_request(httpcore.Request(request.method, url, headers=request.headers.raw))
        try:
            content = b""
            headers = httpx.Headers(reply.headers)
            if headers.get("content-encoding", "identity") != "identity":
                raise BadReply("sent a compressed page, which it was not asked for")
            for part in reply.iter_stream():
                content += part
                if len(content) > self._largest:
                    raise BadReply(f"sent a page of more than {self._largest // 1024} kB, which is not a reading")
        finally:
            reply.close()
        return httpx.Response(reply.status, headers=headers, content=content, request=request)

    def close(self) -> None:
        self._pool.close()
