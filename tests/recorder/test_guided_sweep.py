"""A sweep set by hand, through the session file: asked for, confirmed, taken by itself, and gone on with later."""

import json
import threading
from contextlib import contextmanager

import pytest

from benchmon.bench import read_bench
from benchmon.errors import BadInput, PredictionError
from benchmon.prediction.curves import sweep
from benchmon.recorder import record
from benchmon.recorder.load_control import LoadControl
from benchmon.recorder.sweep_control import SweepControl, unfinished_in
from benchmon.report.export import export
from benchmon.report.sections.report import report
from benchmon.report.sections.sweeps import sweeps_as_dicts
from benchmon.report.session_reader import RecordedSession
from benchmon.session.follower import open_session_view
from benchmon.session.requests import StopRecording
from benchmon.watch.conditions import Conditions
from benchmon.watch.plan import Plan, SweepAction, SweepRequest, SweepState
from support.waiting import until

SWEEP = """
[[sweep]]
name = "loads"
over = "load.resistance"
values = ["open", "22 Ω"]
hold = "1 s"
"""


@contextmanager
def recorded(bench, path, former=None):
    ready = threading.Event()
    how = {
        "on_ready": ready.set,
        "duration": 60.0,
        "unfinished": () if former is None else unfinished_in(former, bench),
    }
    thread = threading.Thread(target=record, args=(bench, path), kwargs=how)
    thread.start()
    assert ready.wait(60)
    try:
        yield Follower(bench, path)
    finally:
        if open_session_view(path).live:
            open_session_view(path).request(StopRecording())
        thread.join(60)


class Follower:
    """Follows a session's sweep by its events, as every screen does."""

    def __init__(self, bench, path):
        self.view, self.plan, self.events, self.latest = open_session_view(path), Plan.of(bench), [], {}

    def look(self):
        update = self.view.poll()
        self.latest |= {each.channel: each for each in update.judgements}
        for event in update.events:
            self.plan.take(event)
        self.events += update.events
        return self

    def said(self, kind):
        return [event.message for event in self.look().events if event.kind == kind]

    def ask(self, action, words=""):
        self.view.request(SweepRequest(action, "loads", words))

    def run(self):
        return self.look().plan.sweeps.runs["loads"]


def test_a_sweep_by_hand_is_guided_taken_and_gone_on_with_in_the_next_session(tmp_path, bench_text, meter):
    meter.line = lambda _: "m 230.0 v 17.9 t 25.0"
    bench = read_bench(bench_text + SWEEP)
    with recorded(bench, tmp_path / "a.benchmon") as session:
        until(lambda: session.look().latest.get("vout"))
        assert session.run().state is SweepState.AHEAD, "a sweep is never begun without the person"
        session.ask(SweepAction.CONFIRM)
        assert until(lambda: session.said("refused")) == ["the sweep loads does not run; begin it first"]
        session.ask(SweepAction.BEGIN)
        assert until(lambda: session.said("sweep asks")) == ["loads, 1 of 2: take the load off"]
        until(lambda: (now := session.look().latest.get("vout")) and now.expected is None)
        session.ask(SweepAction.CONFIRM)
        assert until(lambda: session.said("sweep taken"), 60)[0].startswith("loads, 1 of 2: at no load: vout 17.9")
        assert until(lambda: session.said("sweep asks")[1:]) == ["loads, 2 of 2: set the load to 22 Ω"]
        first = session.run().points[1].readings["vout"]
        assert (first.value, first.expected) == (pytest.approx(17.9), pytest.approx(17.89, rel=0.01))
        curves = until(lambda: session.run().predicted.quantities.get("output.voltage.mean"), 60)
        assert curves[0][0] > curves[1][0], "the predicted curve falls with the load"
    until(lambda: session.run().state is SweepState.STOPPED)
    recorded_session = RecordedSession(tmp_path / "a.benchmon")
    report(recorded_session, tmp_path / "a.md")
    assert "| no load | 17.9" in (tmp_path / "a.md").read_text()
    assert export(recorded_session, tmp_path / "a.csv", sweeps=True) == 2, "a line for each of two channels"
    (swept,) = sweeps_as_dicts(recorded_session)
    assert (swept["values"], len(swept["curves"][0]["predicted"])) == ([None, 22.0], 2)
    json.dumps(swept, allow_nan=False)
    with recorded(bench, tmp_path / "b.benchmon", tmp_path / "a.benchmon") as later:
        until(lambda: later.run().state is SweepState.STOPPED)
        assert later.run().points[1].readings["vout"] == first
        later.ask(SweepAction.BEGIN)
        until(lambda: later.said("sweep asks")[-1:] == ["loads, 2 of 2: set the load to 22 Ω"])
        later.ask(SweepAction.SKIP, "no resistor at hand")
        assert until(lambda: later.said("sweep done")) == ["loads: all 2 points are over; set the load back"]
    with pytest.raises(BadInput, match="holds no unfinished sweep"):
        unfinished_in(tmp_path / "b.benchmon", bench)


def test_a_sweep_whose_curves_cannot_be_predicted_says_why_and_goes_on(bench_text, monkeypatch):
    def refused(*_, **__):
        raise PredictionError("load: finds no steady state")

    monkeypatch.setattr(sweep, "predict_sweep", refused)
    bench = read_bench(bench_text + SWEEP)
    plan = Plan.of(bench)
    control = SweepControl(bench, plan, LoadControl(bench, [], lambda: 1.0))
    control.start()
    try:
        asked = control.answer(SweepRequest(SweepAction.BEGIN, "loads"), 1.0, Conditions())
        (event,) = until(lambda: control.events(1.0))
    finally:
        control.stop()
    assert asked[-1].kind == "sweep asks"
    assert (event.kind, event.message) == ("prediction", "no curves of the sweep loads: load: finds no steady state")
    assert plan.sweeps.current.state is SweepState.ASKED
