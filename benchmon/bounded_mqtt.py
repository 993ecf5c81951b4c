"""A client of the library paho-mqtt that keeps no message larger than a bound, whatever a broker sends.

MQTT allows messages of 256 MB, and 3.1.1 knows no way to refuse them; the library would hold one twice. This touches
parts of the library that are not public (`_sock_recv`, `_in_packet`), so its version is bounded in `pyproject.toml`.
"""

from __future__ import annotations

from typing import Any

_READ_AT_ONCE = 65_536


def bounded(client: type[Any], largest: int) -> type[Any]:
    """Return a kind of paho's `Client` that keeps some `largest` bytes of a message and throws the rest away.

    A message that was cut is still handed over, longer than `largest` bytes, so that whoever takes it can tell.
    """

    class BoundedClient(client):  # type: ignore[misc]
        def _sock_recv(self, bufsize: int) -> bytes:
            # What has come of this packet so far; its header is at the front.
            del self._in_packet["packet"][largest + _READ_AT_ONCE :]
            received: bytes = super()._sock_recv(min(bufsize, _READ_AT_ONCE))
            return received

    return BoundedClient
