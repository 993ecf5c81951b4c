"""What the bench settles at, as it is measured and in every step of its plan, is worked out once and stored."""

from dataclasses import replace

import numpy as np
import pytest

from benchmon.bench import read_bench
from benchmon.prediction.operating_point import OperatingPointPredictor
from benchmon.recorder import spawn_recorder
from benchmon.recorder.predictor import SettledPredictions
from benchmon.screen.session_state import SessionState
from benchmon.session.follower import open_session_view
from benchmon.session.records import SettledPrediction, StepPrediction
from benchmon.session.replay import ReplayView
from benchmon.watch.conditions import Conditions
from benchmon.watch.plan import Plan
from support.waiting import until

PLAN = """
[[step]]
name = "as it is"
[[step]]
name = "a tenth, no load"
mains = "23 V"
load = "open"
"""


@pytest.fixture
def planned(bench_text):
    return read_bench(bench_text + PLAN)


@pytest.fixture
def predictions(planned):
    predictions = SettledPredictions(planned)
    predictions.start()
    yield predictions
    predictions.stop(60.0)


def settle(predictions, bench, now, measured, count):
    """Return what becomes known at `now` until it is `count` predictions, by step; 0 is as measured."""
    found = {}

    def look():
        for one in predictions.news(now, measured, Plan(bench.step), is_ready=True):
            found[one.step if isinstance(one, StepPrediction) else 0] = one
        return len(found) >= count

    until(look)
    return found


def test_it_predicts_for_what_is_measured_and_for_every_step(predictions, planned):
    found = settle(predictions, planned, 1.0, Conditions(230.0, 21.0), 3)
    assert {number: one.problem for number, one in found.items()} == {0: "", 1: "", 2: ""}
    follower = OperatingPointPredictor(planned)
    mains = found[0].prediction.mains_voltage
    assert mains == pytest.approx(230.0, rel=0.003)
    volts = "output.voltage.mean"
    assert found[0].prediction.quantities[volts] == follower.at(mains, 20.0).quantities[volts]
    assert found[2].prediction.quantities[volts].value == pytest.approx(
        follower.at(23.0, 20.0, "open").quantities[volts].value, rel=1e-3
    )
    assert found[1].prediction.quantities == found[0].prediction.quantities
    assert found[0].prediction.traces
    assert not found[2].prediction.traces, "nobody measures a step that is still ahead"


def test_what_only_trembles_is_not_predicted_again_and_a_jump_is_soon(predictions, planned):
    settle(predictions, planned, 1.0, Conditions(230.0, 21.0), 3)
    plan = Plan(planned.step)
    for now, mains in ((30.0, 230.9), (40.0, 229.2), (50.0, 230.0)):
        assert predictions.news(now, Conditions(mains, 21.4), plan, is_ready=True) == []
    assert settle(predictions, planned, 60.0, Conditions(234.0, 21.0), 2).keys() == {0, 1}, "step 2 has a mains"
    assert predictions.news(61.5, Conditions(236.5, 21.0), plan, is_ready=True) == [], "a small move can wait"
    assert settle(predictions, planned, 61.6, Conditions(110.0, 21.0), 2).keys() == {0, 1}


def test_another_bench_is_predicted_from_the_beginning(predictions, planned):
    settle(predictions, planned, 1.0, Conditions(230.0, 21.0), 3)
    edited = replace_load(planned)
    predictions.change(edited)
    found = settle(predictions, edited, 2.0, Conditions(230.0, 21.0), 3)
    amperes = "output.current.mean"
    assert found[0].prediction.quantities[amperes].value == pytest.approx(
        OperatingPointPredictor(edited).at(230.0, 20.0).quantities[amperes].value, rel=0.01
    )


def replace_load(bench):
    load = bench.load.model_copy(update={"resistance": 2.0 * bench.load.resistance})
    return bench.model_copy(update={"load": load})


def test_what_cannot_be_predicted_says_why(predictions, planned):
    found = settle(predictions, planned, 1.0, Conditions(230.0, 900.0), 3)
    assert all(one.prediction is None and "is not plausible" in one.problem for one in found.values())


def test_a_session_holds_them_for_every_reader(tmp_path, bench_text, meter):  # noqa: ARG001 - it streams
    (tmp_path / "bench.toml").write_text(bench_text + PLAN, encoding="utf-8")
    recorder = spawn_recorder(tmp_path / "bench.toml", tmp_path / "a.benchmon")
    view = open_session_view(recorder.path)
    early = SessionState(view.info, live=True)

    def knows_all():
        early.update(view.poll(), live=True)
        return early.settled is not None and len(early.steps) == 2

    try:
        until(knows_all)
    finally:
        recorder.stop()
    end = early.now + 60.0
    for late in (open_session_view(recorder.path, recent=1.0), ReplayView(recorder.path, 0.0, start=end)):
        state = SessionState(late.info)
        state.update(late.poll(), live=False)
        assert state.settled == early.settled
        assert state.steps == early.steps
        waves = state.settled.waveforms
        assert np.all(np.diff(waves.time) > 0)
        assert np.max(waves.traces["mains.voltage"]) == pytest.approx(325.0, rel=0.02)
    first = ReplayView(recorder.path, 0.0, start=0.0).poll()
    assert first.settled is None
    assert first.steps == ()


def test_a_packed_wave_that_is_damaged_is_none(predictions, planned):
    found = settle(predictions, planned, 1.0, Conditions(230.0, 21.0), 1)
    assert isinstance(found[0], SettledPrediction)
    for packed in (b"", b"no wave", found[0].prediction.packed[:-9]):
        waves = replace(found[0].prediction, packed=packed).waveforms
        assert (len(waves.time), waves.traces) == (0, {})
