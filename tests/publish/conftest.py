"""A real broker on this machine, and listeners to it."""

import pytest

from support.broker import MOSQUITTO, Listener, Mosquitto


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
