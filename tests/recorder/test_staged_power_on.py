"""A staged power-on through the session file: what an operator asks is recorded, and predictions follow the step."""

import sqlite3
import threading
from contextlib import closing

import pytest

from benchmon.bench import read_bench
from benchmon.recorder import record
from benchmon.session.follower import open_session_view
from benchmon.session.requests import StopRecording
from benchmon.watch.plan import Action, StepRequest
from support.waiting import until

PLAN = """
[[step]]
name = "no load"
load = "open"
needs = ["vout"]
[[step]]
name = "load on"
load = "22 Ω"
hold = "1 h"
"""


@pytest.fixture
def session(tmp_path, bench_text, meter):
    """Return the path of a session that is being recorded; 24.3 V is right without load only."""
    meter.line = lambda _: "m 230.0 v 24.3 t 25.0"
    path, ready = tmp_path / "a.benchmon", threading.Event()
    bench = read_bench(bench_text + PLAN)
    thread = threading.Thread(target=record, args=(bench, path), kwargs={"on_ready": ready.set, "duration": 30.0})
    thread.start()
    assert ready.wait(60)
    yield path
    if open_session_view(path).live:
        open_session_view(path).request(StopRecording())
    thread.join(60)


class Watcher:
    """Follows a session and keeps what it reports."""

    def __init__(self, path):
        self.view = open_session_view(path)
        self.latest, self.events = {}, []

    def look(self):
        update = self.view.poll()
        self.latest |= {each.channel: each for each in update.judgements}
        self.events += update.events
        return self

    def messages_of(self, kind):
        return [event.message for event in self.look().events if event.kind == kind]

    def expects(self, channel):
        judgement = self.look().latest.get(channel)
        return None if judgement is None else judgement.expected


def test_a_plan_is_followed_confirmed_and_refused(session):
    watcher = Watcher(session)
    loaded = until(lambda: watcher.expects("vout"))
    watcher.view.request(StepRequest(Action.CONFIRM, 1))
    assert until(lambda: watcher.messages_of("refused")) == ["the plan is not begun; there is no step to go on"]
    watcher.view.request(StepRequest(Action.BEGIN, 1))
    assert until(lambda: watcher.messages_of("step begun")) == ["1 of 2: no load"]
    unloaded = until(lambda: (value := watcher.expects("vout")) and value != loaded and value)
    assert unloaded > loaded * 1.02, "the prediction follows the step: without load it is higher"
    watcher.view.request(StepRequest(Action.SKIP, 1, "hums"))
    assert until(lambda: watcher.messages_of("step skipped")) == ["1 of 2: no load: hums"]
    assert until(lambda: len(watcher.messages_of("step begun")) == 2)
    until(lambda: watcher.expects("vout") == pytest.approx(loaded, rel=0.01))
    watcher.view.request(StepRequest(Action.CONFIRM, 2))
    assert "hold for another" in until(lambda: watcher.messages_of("refused")[1:])[0]
    watcher.view.request(StepRequest(Action.STOP, 2, "enough"))
    assert until(lambda: watcher.messages_of("plan stopped")) == ["2 of 2: load on: enough"]


def test_nonsense_is_refused_in_one_line(session):
    watcher = Watcher(session)
    with closing(sqlite3.connect(session)) as older, older:
        older.execute("INSERT INTO requests (kind, text) VALUES ('step', ?)", ("dance 3\n\x1b[2J",))
    assert "asks nothing of a plan" in until(lambda: watcher.messages_of("refused"))[0]
