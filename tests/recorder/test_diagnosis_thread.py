"""Causes and forecasts while a recording runs: from judgements alone, with the explaining in its own thread."""

import threading
import time
from functools import cache

import pytest

from benchmon.bench import Step, load_bench
from benchmon.event_kinds import EventKind
from benchmon.prediction import predict
from benchmon.recorder.diagnosis_thread import DiagnosisService
from benchmon.watch.diagnosis.explainer import Explainer
from benchmon.watch.plan import Plan
from benchmon.watch.records import Event, EventDetails, Explanation, Explanations, Flag
from benchmon.watch.watch import Watch
from benchmon_simulated.scenarios import scenario_named

BENCH = load_bench(scenario_named("reservoir").path)


@cache
def prediction():
    return predict(BENCH, mains_voltage=230.0)


@pytest.fixture
def diagnosis():
    made = DiagnosisService(BENCH)
    made.start()
    made.expect(prediction(), None)
    yield made
    made.stop(5.0)


def feed(diagnosis, seconds, changed, start=0.0):
    """Give every channel its expected value, or what `changed` says; return all that was reported."""
    watch = Watch(BENCH.channel, diagnosis.history)
    shown = []
    for step in range(int(seconds * 4)):
        now = start + step / 4
        for channel in BENCH.channel:
            expected = prediction().at(channel.quantity)
            value = changed.get(channel.name, expected.value)
            judgement, events = watch.judge(channel.name, now, value, expected)
            diagnosis.observe(judgement)
            shown += events
        shown += diagnosis.news(now)
    return shown


def later(diagnosis, now, wanted, within=60.0):
    """Ask for news until `wanted` says that they have come; explaining takes as long as it takes."""
    shown = []
    deadline = time.monotonic() + within
    while time.monotonic() < deadline:
        shown += diagnosis.news(now)
        if wanted(shown):
            return shown
        threading.Event().wait(0.02)
    raise AssertionError(f"it never came: {shown}")


def causes(shown):
    return [one.ranked[0].cause for one in shown if isinstance(one, Explanations) and one.ranked]


def test_a_bench_as_expected_is_not_explained(diagnosis):
    shown = feed(diagnosis, 6.0, {})
    assert not causes(shown)
    assert not [one for one in shown if isinstance(one, Event)]


def test_a_meter_on_its_ac_range_is_named_with_the_remedy(diagnosis):
    ac = prediction().quantities["output.voltage.ac_rms"].value
    shown = feed(diagnosis, 4.0, {"output": ac})
    shown += later(diagnosis, 4.0, lambda news: causes(shown + news))
    assert "AC range" in next(one.ranked[0].message for one in shown if isinstance(one, Explanations))
    events = [one for one in shown if isinstance(one, Event) and one.kind == "cause"]
    assert len(events) == 1
    assert events[0].channel == "output"


def test_mains_that_nobody_has_turned_yet_is_no_cause(diagnosis):
    """A step wants 180 V and the mains stands at 230 V: what disagrees is explained at 230 V."""
    plan = Plan([Step(name="low mains", mains="180 V")])
    plan.take(Event(0.0, "", EventKind.STEP_BEGUN, "1 of 1: low mains", EventDetails(step=1)))
    diagnosis.follow(plan)
    ac = prediction().quantities["output.voltage.ac_rms"].value
    shown = feed(diagnosis, 4.0, {"output": ac})
    shown += later(diagnosis, 4.0, lambda news: causes(shown + news))
    first = next(one.ranked[0] for one in shown if isinstance(one, Explanations))
    assert "AC range" in first.message
    assert first.likelihood > 0.5


def test_a_cause_is_withdrawn_when_all_is_well_again(diagnosis):
    ac = prediction().quantities["output.voltage.ac_rms"].value
    shown = feed(diagnosis, 4.0, {"output": ac})
    shown += later(diagnosis, 4.0, lambda news: causes(shown + news))
    shown = feed(diagnosis, 4.0, {}, start=4.0)
    assert any(isinstance(one, Explanations) and not one.ranked for one in shown)


def test_a_cause_that_comes_and_goes_is_one_event(diagnosis):
    cause = Explanation("open diode", 0.95, "an open diode", ("output",))

    def comes_and_goes(begin, end):
        shown = diagnosis._explained([cause], begin)
        for second in range(int(begin) + 1, int(end)):
            shown += diagnosis._look(float(second))
        return [one for one in shown if isinstance(one, Event)]

    assert len(comes_and_goes(10.0, 20.0)) == 1
    assert comes_and_goes(20.0, 30.0) == [], "a reading at the edge of disagreeing"
    assert comes_and_goes(30.0, 130.0) == []
    assert len(comes_and_goes(130.0, 131.0)) == 1, "it was away for long"


def test_nothing_is_explained_while_verdicts_change(diagnosis):
    asked = []
    diagnosis._explaining.ask = asked.append
    feed(diagnosis, 3.0, {})
    feed(diagnosis, 1.0, {"output": 9.0}, start=3.0)
    assert not asked
    feed(diagnosis, 3.0, {"output": 9.0}, start=4.0)
    assert asked
    assert next(one.value for one in asked[-1] if one.channel.name == "output") == 9.0


def test_stopping_ends_the_thread():
    before = set(threading.enumerate())
    made = DiagnosisService(BENCH)
    made.start()
    assert set(threading.enumerate()) - before
    made.stop(5.0)
    assert not set(threading.enumerate()) - before


def test_a_questionable_reading_is_not_explained(diagnosis):
    expected = prediction().quantities["output.voltage.mean"]
    asked = []
    diagnosis._explaining.ask = asked.append
    feed(diagnosis, 6.0, {"output": expected.value + 1.1 * expected.uncertainty})
    assert not asked


def test_while_nothing_moves_causes_are_asked_for_ever_more_seldom_and_at_once_when_something_does(diagnosis):
    asked = []
    diagnosis._explaining.ask = asked.append
    feed(diagnosis, 120.0, {"output": 9.0})
    assert 2 < len(asked) < 20
    del asked[:]
    feed(diagnosis, 4.0, {"output": 3.0}, start=120.0)
    assert next(one.value for one in asked[-1] if one.channel.name == "output") == 3.0


def test_it_gets_ready_so_that_a_fault_is_answered_at_once(diagnosis):
    got_ready = threading.Event()
    ready = diagnosis._explaining.prepare
    diagnosis._explaining.prepare = lambda observations: (ready(observations), got_ready.set())
    shown = feed(diagnosis, 12.0, {})
    assert got_ready.is_set()
    assert not causes(shown)
    ac = prediction().quantities["output.voltage.ac_rms"].value
    shown = feed(diagnosis, 4.0, {"output": ac}, start=12.0)
    shown += later(diagnosis, 16.0, lambda news: causes(shown + news))
    assert "AC range" in causes(shown)[0]


def test_an_explanation_that_breaks_down_says_so_and_the_next_one_comes(diagnosis, monkeypatch):
    def broken(_self, _observations):
        raise ZeroDivisionError("of our own\x1b[2J")

    whole = Explainer.explain
    monkeypatch.setattr(Explainer, "explain", broken)
    ac = prediction().quantities["output.voltage.ac_rms"].value
    shown = feed(diagnosis, 4.0, {"output": ac})
    shown += later(diagnosis, 4.0, lambda news: causes(shown + news))
    assert causes(shown) == ["none of these"]
    message = next(one.ranked[0].message for one in shown if isinstance(one, Explanations))
    assert "ZeroDivisionError" in message
    assert message.isprintable()
    monkeypatch.setattr(Explainer, "explain", whole)
    shown = feed(diagnosis, 16.0, {"output": ac}, start=4.0)
    shown += later(diagnosis, 20.0, lambda news: causes(shown + news))
    assert "AC range" in next(one.ranked[0].message for one in shown if isinstance(one, Explanations))


def asked_at(steps, is_silent=lambda _: False, is_evidence=lambda _: True):
    """Return when causes are asked for while the mains current reads three times too much, a quarter second a step.

    The mains current is silent in some steps, and the output is no evidence in others, as a temperature that moves.
    """
    made, found, now = DiagnosisService(BENCH), [], 0.0
    made._explaining.ask = lambda _: found.append(now)
    made.expect(prediction(), None)
    watch, observations = Watch(BENCH.channel, made.history), made._observations
    made._observations = lambda lately, at: [
        one for one in observations(lately, at) if is_evidence(at) or one.channel.name != "output"
    ]
    for step in range(steps):
        now = 0.25 * step
        for channel in BENCH.channel:
            expected = prediction().at(channel.quantity)
            value = expected.value * (3.0 if channel.name == "mains current" else 1.0)
            if channel.name != "mains current" or not is_silent(now):
                made.observe(watch.judge(channel.name, now, value, expected)[0])
        for judgement, _ in watch.tick(now):
            made.observe(judgement)
        made.news(now)
    return found


def test_a_channel_that_was_silent_for_a_moment_is_nothing_new():
    undisturbed = asked_at(160)
    assert len(undisturbed) > 3
    assert asked_at(160, is_silent=lambda now: 18.0 <= now < 22.0) == undisturbed


def test_what_is_evidence_again_and_reads_what_it_did_has_not_moved():
    undisturbed = asked_at(160)
    third = undisturbed[2]
    assert asked_at(160, is_evidence=lambda now: not third - 1.0 <= now < third + 2.0) == undisturbed


def test_a_typed_value_is_no_evidence_once_the_supply_has_changed():
    """The ripple doubles after the output was typed in: the old value neither hides that nor is taken to be wrong."""
    by_hand = tuple(one.model_copy(update={"driver": "hand"}) for one in BENCH.instrument if one.name == "multimeter")
    live = tuple(one for one in BENCH.instrument if one.name != "multimeter")
    made = DiagnosisService(BENCH.model_copy(update={"instrument": by_hand + live}))
    asked = []
    made._explaining.ask = asked.append
    made.expect(prediction(), None)
    typed = {channel.name for channel in BENCH.channel if channel.instrument == "multimeter"}
    watch = Watch(BENCH.channel, made.history)

    def read(names, now, changed):
        for channel in BENCH.channel:
            if channel.name in names:
                expected = prediction().at(channel.quantity)
                value = changed.get(channel.name, expected.value)
                made.observe(watch.judge(channel.name, now, value, expected)[0])

    names = {channel.name for channel in BENCH.channel}
    read(names, 0.0, {})
    wrong = {"mains current": 3 * prediction().quantities["mains.current.rms"].value}
    for step in range(24):
        read(names - typed, 0.25 * step, wrong if step > 4 else {})
        made.news(0.25 * step)
    assert not typed & {one.channel.name for one in asked[-1]}
    read({"output"}, 6.0, {})
    for step in range(24, 40):
        read(names - typed, 0.25 * step, wrong)
        made.news(0.25 * step)
    assert typed & {one.channel.name for one in asked[-1]} == {"output"}


def test_contradictions_go_by_the_load_of_the_step(diagnosis):
    """Without load no mean current flows in a diode: the volts over the bench file's load contradict nothing."""
    plan = Plan([Step(name="unloaded", load="open")])
    plan.take(Event(0.0, "", EventKind.STEP_BEGUN, "1 of 1", EventDetails(step=1)))
    read = {"output": 26.0, "diode current": 0.0}
    feed(diagnosis, 8.0, read)
    assert Flag.IMPLAUSIBLE in diagnosis.history.flags("diode current")
    diagnosis.follow(plan)
    feed(diagnosis, 8.0, read, start=10.0)
    assert Flag.IMPLAUSIBLE not in diagnosis.history.flags("diode current")
