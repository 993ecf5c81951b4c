"""A bench file that is edited while it is recorded: offered, loaded when somebody says so, never by itself."""

import sqlite3
import threading
from contextlib import closing

import pytest

from benchmon.bench import load_bench
from benchmon.event_kinds import EventKind
from benchmon.recorder import record
from benchmon.session.follower import open_session_view
from benchmon.session.replay import ReplayView
from benchmon.session.requests import LoadBench, Note, StopRecording
from benchmon.watch.records import Flag, Verdict
from support.waiting import until

STEP = '[[step]]\nname = "soak"\nneeds = ["vout"]\n'

CHANGES = "case: warn_above 80 °C → 40 °C, [load]: resistance 22 Ω → 4.7 kΩ"


@pytest.fixture
def file(tmp_path, bench_text):
    path = tmp_path / "supply.toml"
    path.write_text(bench_text + STEP)
    return path


@pytest.fixture
def session(tmp_path, file, meter):
    """Return the path of a session that is being recorded; 24.3 V is too much at 22 Ω."""
    meter.line = lambda _: "m 230.0 v 24.3 t 41.5"
    path, ready = tmp_path / "a.benchmon", threading.Event()
    arguments = {"on_ready": ready.set, "duration": 60.0}
    thread = threading.Thread(target=record, args=(load_bench(file), path), kwargs=arguments)
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
        self.latest, self.events, self.benches = {}, [], []

    def look(self):
        update = self.view.poll()
        self.latest |= {each.channel: each for each in update.judgements}
        self.events += update.events
        self.benches += [update.bench] if update.bench else []
        return self

    def messages_of(self, kind):
        return [event for event in self.look().events if event.kind == kind]

    def judged(self, channel, so):
        judgement = self.look().latest.get(channel)
        return judgement if judgement is not None and so(judgement) else None

    def load(self, offer):
        self.view.request(LoadBench(offer.time))


def edit(file, old, new):
    text = file.read_text()
    assert old in text
    file.write_text(text.replace(old, new))


def test_an_edited_bench_is_offered_and_judges_from_when_it_is_loaded(file, session):
    watcher = Watcher(session)
    before = until(lambda: watcher.judged("vout", lambda one: one.verdict is Verdict.DISAGREES))
    edit(file, 'resistance = "22 Ω"', 'resistance = "4.7 kΩ"')
    edit(file, 'warn_above = "80 °C"', 'warn_above = "40 °C"')
    offer = until(lambda: watcher.messages_of(EventKind.BENCH_EDITED))[-1]
    if "warn_above" not in offer.message or "resistance" not in offer.message:
        offer = until(lambda: watcher.messages_of(EventKind.BENCH_EDITED)[1:])[-1]
    assert offer.message == CHANGES
    assert watcher.judged("case", lambda one: Flag.HOT not in one.flags), "nothing changes before somebody says so"
    watcher.load(offer)
    loaded = until(lambda: watcher.messages_of(EventKind.BENCH_LOADED))[0]
    assert loaded.message == f"the edited bench file is in force: {CHANGES}"
    until(lambda: watcher.judged("vout", lambda one: one.expected and one.expected > before.expected * 1.02))
    until(lambda: watcher.judged("case", lambda one: Flag.HOT in one.flags))
    assert [bench.load.resistance for bench in watcher.benches] == [4700.0]
    assert Watcher(session).look().benches[0].load.resistance == 4700.0, "who comes later knows it too"


def test_the_session_has_every_bench_file_and_replays_each_in_its_time(file, session):
    watcher = Watcher(session)
    until(lambda: watcher.judged("vout", lambda _: True))
    edit(file, '"0.1 % + 5 mV"', '"1 V"')
    watcher.load(until(lambda: watcher.messages_of(EventKind.BENCH_EDITED))[0])
    loaded = until(lambda: watcher.messages_of(EventKind.BENCH_LOADED))[0]
    until(lambda: watcher.judged("vout", lambda one: one.time > loaded.time and one.uncertainty == 1.0))
    watcher.view.request(StopRecording())
    until(lambda: not watcher.look().view.live)
    with closing(sqlite3.connect(session)) as connection:
        assert connection.execute("SELECT bench FROM benches").fetchall() == [(file.read_text(),)]
    replay = ReplayView(session, speed=1e9)
    updates = [replay.poll(), replay.poll()]
    judged = [one for update in updates for one in update.judgements if one.channel == "vout" and one.value]
    early = {round(one.uncertainty, 4) for one in judged if one.time < loaded.time - 0.3}
    late = {round(one.uncertainty, 4) for one in judged if one.time > loaded.time}
    assert (early, late) == ({0.0293}, {1.0})
    assert [update.bench.channel[1].accuracy.absolute for update in updates if update.bench] == [1.0]


def test_a_broken_file_is_reported_in_one_line_and_what_was_loaded_stays(file, session):
    watcher = Watcher(session)
    until(lambda: watcher.judged("vout", lambda _: True))
    whole = file.read_text()
    edit(file, 'resistance = "22 Ω"', 'resistance = "22 V"')
    messages_of = until(lambda: watcher.messages_of(EventKind.BENCH_NOT_LOADABLE))[0].message
    line = whole[: whole.index('resistance = "22 Ω"')].count("\n") + 1
    assert messages_of.startswith(f"supply.toml:{line}: load.resistance")
    assert messages_of.endswith("stays in force")
    watcher.view.request(LoadBench(1.0))
    assert until(lambda: watcher.messages_of("refused"))[0].message == "there is no edited bench file to load"
    file.write_text(whole)
    assert until(lambda: watcher.messages_of(EventKind.BENCH_AS_BEFORE))
    edit(file, 'period = "50 ms"', 'period = "1 s"')
    messages_of = until(lambda: watcher.messages_of(EventKind.BENCH_NOT_LOADABLE)[1:])[0].message
    assert messages_of.startswith("how they are asked: line, vout, case: that takes a new recording")
    assert not watcher.messages_of(EventKind.BENCH_EDITED)


def test_only_what_was_looked_at_is_loaded(file, session):
    watcher = Watcher(session)
    until(lambda: watcher.judged("vout", lambda _: True))
    edit(file, '"80 °C"', '"70 °C"')
    first = until(lambda: watcher.messages_of(EventKind.BENCH_EDITED))[0]
    edit(file, '"90 °C"', '"95 °C"')
    second = until(lambda: watcher.messages_of(EventKind.BENCH_EDITED)[1:])[0]
    watcher.load(first)
    assert "edited once more" in until(lambda: watcher.messages_of("refused"))[0].message
    watcher.load(second)
    assert until(lambda: watcher.messages_of(EventKind.BENCH_LOADED))
    file.unlink()
    watcher.view.request(Note("the file is gone"))
    assert until(lambda: watcher.messages_of("note"))
    assert not watcher.messages_of(EventKind.BENCH_NOT_LOADABLE)
