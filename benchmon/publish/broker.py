"""Which broker, and how to reach it: a URL for everybody to see, and secrets from the environment."""

from __future__ import annotations

import os
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING
from urllib.parse import unquote, urlsplit

from benchmon.bounded_mqtt import bounded
from benchmon.errors import BadInput
from benchmon.publish.topics import LARGEST
from benchmon.text import one_line

if TYPE_CHECKING:
    from paho.mqtt.client import Client

USER, PASSWORD = "BENCHMON_MQTT_USER", "BENCHMON_MQTT_PASSWORD"
AUTHORITY, CERTIFICATE, KEY = "BENCHMON_MQTT_CA", "BENCHMON_MQTT_CERT", "BENCHMON_MQTT_KEY"
_PORTS = {"mqtt": 1883, "mqtts": 8883}
_KEEPALIVE = 5
"""The keep-alive, in seconds: after half as much again without a message the broker publishes a client's last will."""
_LONGEST_PREFIX = 200


@dataclass(frozen=True, slots=True)
class Broker:
    """A broker at `host` and `port`, reached by TLS if `encrypted`; `prefix` is the lab's name, first in all topics."""

    host: str
    port: int
    prefix: str
    encrypted: bool

    def __str__(self) -> str:
        return f"{'mqtts' if self.encrypted else 'mqtt'}://{self.host}:{self.port}/{self.prefix}"


def read_broker(url: str) -> Broker:
    """Return the broker that `url` names: `mqtt://host/lab`, or `mqtts://` for TLS, with `:port` if it is not usual.

    Raises `BadInput`.
    """
    shown = _without_credentials(url)
    try:
        parts = urlsplit(url)
        port, host = parts.port, parts.hostname
    except ValueError as problem:
        raise BadInput(f"{shown}: is not a broker's address: {problem}") from problem
    if parts.scheme not in _PORTS or not host:
        raise BadInput(f"{shown}: is not a broker's address; write it as mqtt://host/lab, or mqtts:// for TLS")
    if parts.username is not None or parts.password is not None:
        raise BadInput(f"a broker's user and password do not belong on a command line; set {USER} and {PASSWORD}")
    prefix = unquote(parts.path).strip("/") or "benchmon"
    if any(char in "+#" or not char.isprintable() for char in prefix) or len(prefix) > _LONGEST_PREFIX:
        raise BadInput(
            f"{shown}: the lab's name may hold neither + nor # nor control codes, and {_LONGEST_PREFIX} signs"
        )
    return Broker(host, port or _PORTS[parts.scheme], prefix, parts.scheme == "mqtts")


def _without_credentials(url: str) -> str:
    """Return an address as messages show it: whatever stands before an `@` may be a password."""
    if "@" not in url:
        return one_line(url, 80)
    scheme = url.partition("://")[0] + "://" if "://" in url.partition("@")[0] else ""
    return one_line(f"{scheme}…@{url.rpartition('@')[2]}", 80)


def new_client(broker: Broker, environment: Mapping[str, str] = os.environ) -> Client:
    """Return a client that has not connected yet, with the credentials of the environment.

    Raises `BadInput` where the library is missing or a certificate cannot be used.
    """
    try:
        from paho.mqtt.client import Client  # noqa: PLC0415 - an optional library
        from paho.mqtt.enums import CallbackAPIVersion  # noqa: PLC0415
    except ImportError as problem:
        raise BadInput("a broker needs paho-mqtt: pip install '.[mqtt]' in the clone of benchmon") from problem
    client: Client = bounded(Client, LARGEST)(CallbackAPIVersion.VERSION2)
    client.reconnect_delay_set(1, 10)
    if environment.get(USER):
        client.username_pw_set(environment[USER], environment.get(PASSWORD))
    if broker.encrypted:
        try:
            client.tls_set_context(_tls(environment))
        except (OSError, ssl.SSLError) as problem:
            raise BadInput(f"TLS to {broker.host}: a certificate cannot be used: {one_line(problem)}") from problem
    return client


def connect(client: Client, broker: Broker) -> None:
    """Let `client` connect, and connect again whenever that is lost, in a thread of its own; returns at once."""
    client.connect_async(broker.host, broker.port, _KEEPALIVE)
    client.loop_start()


def leave(client: Client) -> None:
    """Disconnect `client` and end its thread."""
    client.disconnect()
    client.loop_stop()
    # The thread may have been connecting just then, and leaves that connection open.
    if client.socket() is not None:
        client.disconnect()


def _tls(environment: Mapping[str, str]) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=environment.get(AUTHORITY) or None)
    if environment.get(CERTIFICATE):
        context.load_cert_chain(environment[CERTIFICATE], environment.get(KEY) or None)
    return context
