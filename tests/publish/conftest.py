"""A real broker on this machine, and a recorder of a bench whose meter streams over a real socket."""

import contextlib
import json
import os
import shutil
import socket
import subprocess
import time

import pytest

from benchmon.publish.broker import leave

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
        end = time.monotonic() + 10
        while time.monotonic() < end:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
                return
            time.sleep(0.02)
        raise AssertionError("mosquitto did not start")

    def stop(self):
        self._process.kill()
        self._process.wait(10)

    @property
    def url(self):
        return f"mqtt://127.0.0.1:{self.port}/lab"


@pytest.fixture
def start_broker(tmp_path):
    """Return a function that starts brokers; skips where Mosquitto is not installed."""
    if MOSQUITTO is None:
        pytest.skip("Mosquitto is not installed here (Debian: apt-get install mosquitto)")
    started = []

    def start(*settings, **options):
        started.append(Mosquitto(tmp_path, *settings, **options))
        return started[-1]

    yield start
    for one in started:
        one.stop()


@pytest.fixture
def broker(start_broker):
    """Return a broker that lets everybody in."""
    return start_broker()


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


@pytest.fixture
def listen():
    """Return a function that starts listeners."""
    listeners = []

    def start(broker, topic="lab/#"):
        listeners.append(Listener(broker, topic))
        return listeners[-1]

    yield start
    for one in listeners:
        one.stop()


@pytest.fixture(scope="session")
def until():
    """Return a function that waits, within bounds, until something is so, and returns it."""

    def wait(something, seconds=20.0):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if found := something():
                return found
            time.sleep(0.02)
        raise AssertionError("it never came")

    return wait
