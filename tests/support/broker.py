"""A real broker on this machine, and another program that listens to it."""

import contextlib
import json
import os
import shutil
import socket
import subprocess

import pytest

from benchmon.publish.broker import leave
from support.waiting import until

paho = pytest.importorskip("paho.mqtt.client", reason="the extra `mqtt` (paho-mqtt) is not installed here")
MOSQUITTO = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")


def free_port():
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


class Mosquitto:
    """Mosquitto on loopback; it keeps nothing where it is stopped."""

    def __init__(self, folder, *settings, port=None):
        self.port = port or free_port()
        self._file = folder / f"mosquitto{self.port}.conf"
        lines = [f"listener {self.port} 127.0.0.1", "persistence false", *(["user root"] if os.geteuid() == 0 else [])]
        lines += [*(settings or ("allow_anonymous true",))]
        self._file.write_text("\n".join(lines) + "\n", encoding="utf-8")
        self._process = None
        self.start()

    def start(self):
        self._process = subprocess.Popen(
            [MOSQUITTO, "-c", str(self._file)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until(self._listens)

    def _listens(self):
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
            return True
        return False

    def stop(self):
        self._process.kill()
        self._process.wait(60)

    @property
    def url(self):
        return f"mqtt://127.0.0.1:{self.port}/lab"


class Listener:
    """Another program of the lab: it hears everything."""

    def __init__(self, broker, topic="lab/#"):
        self.messages = []
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._client.on_connect = lambda client, *_: client.subscribe(topic, 1)
        self._client.on_message = lambda _client, _data, message: self.messages.append(message)
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()

    def of(self, ending):
        """What was said under topics that end like this, decoded."""
        messages = list(self.messages)
        return [json.loads(one.payload) for one in messages if one.payload and one.topic.endswith(ending)]

    def stop(self):
        leave(self._client)
