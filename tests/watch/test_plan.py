"""The plan of a staged power-on: it moves by events alone, and refuses in words what cannot be."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.bench import Step
from benchmon.errors import BadInput
from benchmon.watch.plan import Action, Outcome, Plan, PlanState, StepRequest, blocking_reasons, powered_above
from benchmon.watch.records import Event, EventDetails, Flag, Judgement, Verdict

STEPS = (
    Step(name="a tenth: no load", mains="23 V", load="open", hold="10 s", needs=("vout",)),
    Step(name="full mains", mains="230 V", needs=("vout", "case")),
    Step(name="load on", load="6.2 Ω", hold="2 min"),
)


def judged(channel, value=22.0, verdict=Verdict.AGREES, *flags):
    return Judgement(channel, 1.0, value, 0.1, 22.0, 0.2, 0.0, verdict, frozenset(flags))


def do(plan, action, place, now, words=""):
    events = plan.answer(StepRequest(action, place, words), now, [])
    for event in events:
        assert plan.take(event)
    return events


def test_nothing_stands_before_the_operator_begins():
    plan = Plan(STEPS)
    assert (plan.state, plan.step_number, plan.current_step) == (PlanState.WAITING, None, None)
    with pytest.raises(BadInput, match="not begun"):
        plan.answer(StepRequest(Action.CONFIRM, 1), 1.0, [])


def test_a_plan_from_end_to_end():
    plan = Plan(STEPS)
    do(plan, Action.BEGIN, 1, 5.0)
    assert plan.current_step.step.name == "a tenth: no load"
    events = do(plan, Action.CONFIRM, 1, 20.0, "hum: none")
    assert [event.kind for event in events] == ["step done", "step begun"]
    assert events[0].message == "1 of 3: a tenth: no load: hum: none"
    assert plan.steps[0].words == "hum: none"
    assert plan.steps[0].held(99.0) == 15.0
    do(plan, Action.SKIP, 2, 30.0, "the variac is at its end")
    assert plan.steps[1].outcome is Outcome.SKIPPED
    assert plan.step_number == 3
    do(plan, Action.CONFIRM, 3, 200.0)
    assert (plan.state, plan.step_number) == (PlanState.FINISHED, None)


def test_stopping_ends_it_and_it_can_be_begun_again():
    plan = Plan(STEPS)
    do(plan, Action.BEGIN, 1, 5.0)
    do(plan, Action.STOP, 1, 6.0, "smell of varnish")
    assert plan.state is PlanState.STOPPED
    assert plan.steps[0].words == "smell of varnish"
    do(plan, Action.BEGIN, 1, 60.0)
    assert plan.current_step.held(61.0) == 1.0


@pytest.mark.parametrize(
    ("action", "place", "words", "lacks", "why"),
    [
        (Action.CONFIRM, 2, "", [], "step 2 is no longer the current one; that is step 1 now"),
        (Action.CONFIRM, 1, "", ["vout disagrees"], "step 1 is not done: vout disagrees"),
        (Action.SKIP, 1, "", [], "with a reason"),
        (Action.BEGIN, 1, "", [], "begun already"),
    ],
)
def test_what_cannot_be_done_is_refused_in_words(action, place, words, lacks, why):
    plan = Plan(STEPS)
    do(plan, Action.BEGIN, 1, 5.0)
    with pytest.raises(BadInput, match=why):
        plan.answer(StepRequest(action, place, words), 9.0, lacks)
    assert plan.step_number == 1


def test_a_plan_of_no_steps_cannot_begin():
    with pytest.raises(BadInput, match="no step 1"):
        Plan(()).answer(StepRequest(Action.BEGIN, 1), 1.0, [])


@given(st.text(max_size=60))
def test_no_text_breaks_it(text):
    plan = Plan(STEPS)
    do(plan, Action.BEGIN, 1, 0.0)
    for kind in ("step begun", "step done", "step skipped", "plan stopped", "note"):
        plan.take(Event(1.0, "", kind, text))
        plan.take(Event(1.0, "", kind, text, EventDetails(step=1, note=text)))
    assert (plan.state, plan.steps[0].outcome, plan.steps[0].words) == (PlanState.STOPPED, Outcome.STOPPED, text)


def test_an_event_of_another_plan_moves_nothing():
    plan = Plan(STEPS)
    assert not plan.take(Event(1.0, "", "step begun", "4 of 9: elsewhere", EventDetails(step=4)))
    assert not plan.take(Event(1.0, "", "note", "1 of 3: a tenth", EventDetails(step=1)))
    assert plan.state is PlanState.WAITING


@pytest.fixture
def channels(channel):
    return (channel(name="line", quantity="mains.voltage.rms", accuracy="1 V"), channel(name="case"))


def lacks(plan, now, channels, *judgements, lapsed=()):
    return blocking_reasons(plan.current_step, now, channels, {each.channel: each for each in judgements}, lapsed)


def test_only_what_was_typed_can_have_been_typed_before_the_supply_changed(channels):
    plan = Plan([Step(name="warm", needs=["case"])])
    do(plan, Action.BEGIN, 1, 0.0)
    never = judged("case", None, Verdict.UNPREDICTED, Flag.STALE)
    assert lacks(plan, 1.0, channels, never, lapsed=["case"]) == ["case gives no reading"]
    typed = lacks(plan, 1.0, channels, judged("case"), lapsed=["case"])
    assert typed == ["case was typed before the supply changed, read it again"]


def test_what_a_step_lacks_is_reported_one_by_one(channels):
    plan = Plan(STEPS)
    do(plan, Action.BEGIN, 1, 100.0)
    found = lacks(plan, 103.0, channels, judged("vout", 9.0, Verdict.DISAGREES), judged("line", 231.0))
    assert found == ["vout disagrees", "the mains is at 231 V, this step wants 23.0 V", "hold for another 7 s"]
    assert lacks(plan, 110.0, channels, judged("vout"), judged("line", 23.9)) == []
    assert lacks(plan, 110.0, channels) == ["vout gives no reading", "line gives no reading"]


@pytest.mark.parametrize(
    ("judgement", "words"),
    [
        (judged("case", 22.0, Verdict.QUESTIONABLE), "case is questionable"),
        (judged("case", 22.0, Verdict.UNPREDICTED), "case has no expected value to agree with"),
        (judged("case", 22.0, Verdict.AGREES, Flag.HOT), "case is past its warning"),
        (judged("case", None, Verdict.UNPREDICTED, Flag.STALE), "case gives no reading"),
        (judged("case", 99.0, Verdict.AGREES, Flag.TRIPPED), "case went past its limit"),
    ],
)
def test_only_what_agrees_and_is_within_limits_lets_go_on(judgement, words, channels):
    plan = Plan(STEPS)
    do(plan, Action.BEGIN, 1, 0.0)
    do(plan, Action.CONFIRM, 1, 1.0)
    assert words in lacks(plan, 2.0, channels, judged("vout"), judged("line", 230.0), judgement)


def test_a_trip_anywhere_holds_the_plan(channels):
    plan = Plan((Step(name="soak"),))
    do(plan, Action.BEGIN, 1, 0.0)
    assert lacks(plan, 1.0, channels, judged("case", 99.0, Verdict.AGREES, Flag.TRIPPED)) == [
        "case went past its limit"
    ]


def test_power_counts_from_half_the_least_step():
    class Bench:
        class mains:  # noqa: N801 - it stands for a section
            voltage = 230.0

        step = STEPS

    assert powered_above(Bench) == 11.5
    Bench.step = ()
    assert powered_above(Bench) == 23.0
