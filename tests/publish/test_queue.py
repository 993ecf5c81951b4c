"""The outbox, with a client that a test plays: what is published, what gives way, and no dead end between threads."""

import threading
from types import SimpleNamespace

import pytest

from benchmon.publish.publisher import PublishQueue


class Client:
    """It takes messages, and the broker's word comes from a thread that holds the lock that publishing needs."""

    def __init__(self):
        self.lock = threading.Lock()
        self.published = []
        self.on_connect = self.on_disconnect = self.on_publish = None

    def publish(self, topic, payload, qos, retain=False):
        with self.lock:
            self.published.append((topic, payload, qos, retain))
            return SimpleNamespace(mid=len(self.published))

    def greet(self, failure=False):
        self.on_connect(self, None, None, SimpleNamespace(is_failure=failure), None)

    def take(self, *mids):
        with self.lock:
            for mid in mids:
                self.on_publish(self, None, mid, None, None)


@pytest.fixture
def client():
    return Client()


@pytest.fixture
def outbox(client):
    return PublishQueue(client, "lab/bench")


def test_nothing_goes_out_before_the_broker_is_there(client, outbox):
    outbox.keep("state", "a")
    outbox.send("event")
    outbox.work(0.02)
    assert client.published == []
    client.greet(failure=True)
    outbox.work(0.02)
    assert (client.published, outbox.connected) == ([], False)
    client.greet()
    outbox.work(0.02)
    assert client.published == [("lab/bench/event", "event", 1, False), ("lab/bench/state", "a", 1, True)]


def test_only_the_latest_of_a_topic_waits_and_only_the_last_events(client, outbox):
    for number in range(3000):
        outbox.keep("state", str(number))
        outbox.send(str(number))
    client.greet()
    outbox.work(0.02)
    assert len(client.published) == 20
    while not outbox.is_empty:
        client.take(*range(1, len(client.published) + 1))
        outbox.work(0.02)
    events = [payload for topic, payload, *_ in client.published if topic.endswith("event")]
    assert events == [str(number) for number in range(2000, 3000)]
    assert client.published[-1] == ("lab/bench/state", "2999", 1, True)
    assert len(client.published) == 1001


def test_what_has_not_changed_is_not_said_again_unless_the_broker_is_new(client, outbox):
    client.greet()
    outbox.keep("state", "a")
    outbox.work(0.02)
    outbox.keep("state", "a")
    outbox.work(0.02)
    assert len(client.published) == 1
    client.on_disconnect(client)
    outbox.work(0.02)
    assert not outbox.connected
    client.greet()
    outbox.work(0.02)
    assert len(client.published) == 2


def test_words_of_the_broker_and_publishing_never_wait_for_each_other(client, outbox):
    ended = threading.Event()

    def broker():
        client.greet()
        while not ended.wait(0.001):
            client.take(*range(1, len(client.published) + 1))

    thread = threading.Thread(target=broker, daemon=True)
    thread.start()
    for number in range(200):
        outbox.keep(f"channel/{number % 7}", str(number))
        outbox.send(str(number))
        outbox.work(0.002)
    outbox.work(5.0, until_empty=True)
    ended.set()
    thread.join(60)
    assert outbox.is_empty
    assert not thread.is_alive()
    assert sum(topic.endswith("event") for topic, *_ in client.published) == 200
