"""What a bench settles at, for sessions that do not hold it: old layouts, and sessions judged by another bench."""

import pytest

from benchmon.bench import load_bench
from benchmon.prediction import predict
from benchmon.report.reevaluated_session import ReevaluatedReadings, ReevaluatedView
from benchmon.screen.derived_predictions import DerivedPredictions
from benchmon.session.follower import open_session_view
from benchmon.session.replay import Player
from benchmon.watch.plan import Plan
from benchmon_simulated.scenarios import scenario_named
from support.layouts import as_layout
from support.waiting import until
from support.written_sessions import write_session


@pytest.fixture(scope="module")
def bench():
    return load_bench(scenario_named("reservoir").path)


@pytest.fixture(scope="module")
def expected(bench):
    """Return what the bench settles at on 237 V."""
    return predict(bench, mains_voltage=237.0).quantities


class Shown:
    """What a screen knows of a view after some polls."""

    def __init__(self, view):
        self.view, self.derived = view, DerivedPredictions(view.info.bench)
        self.plan = Plan(view.info.bench.step)
        self.settled, self.steps = None, {}

    def look(self):
        update = self.derived.add(self.view.poll(), self.plan)
        self.settled = update.settled or self.settled
        self.steps.update({step.step: step for step in update.steps})
        return self.settled is not None and len(self.steps) == len(self.plan.steps)


def test_a_session_of_an_old_layout_shows_what_its_bench_settles_at(tmp_path, bench, expected):
    path = write_session(tmp_path / "a.benchmon", bench, expected, 10)
    assert open_session_view(path).info.holds_predictions
    as_layout(path, 3)
    view = open_session_view(path)
    assert not view.info.holds_predictions
    shown = Shown(view)
    until(shown.look)
    found = shown.settled.prediction
    assert found.mains_voltage == pytest.approx(237.0, rel=0.005)
    assert found.waveforms.traces
    assert found.quantities["output.voltage.mean"].value == pytest.approx(
        expected["output.voltage.mean"].value, rel=0.01
    )
    assert [step.prediction is not None for step in shown.steps.values()] == [True] * len(bench.step)
    shown.derived.close()


def test_another_bench_has_its_own_settled_values_also_after_a_jump(tmp_path, bench, expected):
    path = write_session(tmp_path / "a.benchmon", bench, expected, 30)
    judged = ReevaluatedReadings(path, bench)
    player = Player(path, 1000.0, wrap=lambda view: ReevaluatedView(view, bench, judged))
    assert not player.info.holds_predictions
    shown = Shown(player)
    until(shown.look)
    steps = len(shown.steps)
    player.jump(3.0)
    shown.derived.restart()
    shown.settled, shown.steps = None, {}
    shown.look()
    assert shown.settled is not None
    assert len(shown.steps) == steps
    shown.derived.close()
