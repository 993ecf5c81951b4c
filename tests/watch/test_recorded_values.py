"""Values that a person records in a step: limits, reasons, and a plan that does not go on without them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.bench import RecordEntry, Step, read_bench, read_recorded
from benchmon.errors import BadInput
from benchmon.recorder.operator_requests import PlanControl, decode_request
from benchmon.session.records import Request
from benchmon.watch.guess import Guess, GuessRequest, guesses_of
from benchmon.watch.plan import Action, Plan, RecordRequest, StepRequest, blocking_reasons
from benchmon.watch.records import Judgement, Verdict
from support.supplies import supply

STEP = Step.model_validate(
    {
        "name": "before power",
        "record": [
            {"name": "insulation", "unit": "MΩ", "at_least": "2 MΩ", "note": "500 V DC"},
            {"name": "earth bond", "unit": "Ω", "at_most": "0.1 Ω"},
            {"name": "creepage looked at"},
        ],
    }
)


SHORTED = """
[[instrument]]
name = "DMM"
driver = "hand"
[[channel]]
name = "output"
instrument = "DMM"
quantity = "output.voltage.mean"
accuracy = "0.5 % + 20 mV"
[[step]]
name = "leads shorted"
zero = ["output"]
[[step]]
name = "on"
"""


@pytest.fixture
def plan():
    made = Plan([STEP])
    for event in made.answer(StepRequest(Action.BEGIN, 1), 0.0, []):
        made.take(event)
    return made


def lacking(plan):
    return blocking_reasons(plan.current_step, 1.0, (), {})


def record(plan, entry, shows="", **given):
    event = plan.record(RecordRequest(1, entry, shows, **given), 1.0)
    plan.take(event)
    return event


def test_the_plan_does_not_go_on_without_what_is_to_be_recorded(plan):
    assert lacking(plan) == [
        "insulation is to be recorded",
        "earth bond is to be recorded",
        "creepage looked at is to be recorded",
    ]
    record(plan, "insulation", "5.2", meter="M-7", calibrated="2026-03-01", who="AB")
    record(plan, "earth bond", "80 mΩ")
    record(plan, "creepage looked at", "more than 6 mm everywhere")
    assert lacking(plan) == []


def test_a_plan_begins_before_what_is_to_be_recorded_or_skips_it_with_a_reason():
    plan = Plan([STEP, Step(name="full mains")])
    with pytest.raises(BadInput, match="begin with step 1"):
        plan.answer(StepRequest(Action.BEGIN, 2), 0.0, [])
    for request in (StepRequest(Action.BEGIN, 1), StepRequest(Action.SKIP, 1, "measured at the maker's")):
        for event in plan.answer(request, 0.0, []):
            plan.take(event)
    assert plan.step_number == 2


def test_a_value_past_its_limit_is_recorded_and_holds_the_plan(plan):
    event = record(plan, "insulation", "350 kΩ")
    assert (event.kind, event.details.met) == ("not met", False)
    assert "insulation is 350 kΩ, which is not at least 2 MΩ" in lacking(plan)
    assert record(plan, "insulation", "3 MΩ").kind == "recorded"
    assert not any(words.startswith("insulation") for words in lacking(plan))


def test_a_reason_stands_in_place_of_a_value(plan):
    event = record(plan, "earth bond", reason="class II, there is no earth", who="AB")
    assert event.message == "1 of 1: earth bond not recorded: class II, there is no earth; by AB"
    assert not any(words.startswith("earth bond") for words in lacking(plan))


def test_the_sentence_has_all_that_was_typed(plan):
    event = record(plan, "insulation", "5.2", meter="M-7", calibrated="2026-03-01", who="AB")
    assert event.message == ("1 of 1: insulation 5.2 MΩ, at least 2 MΩ: met; with M-7 (calibrated 2026-03-01), by AB")


@pytest.mark.parametrize(
    ("entry", "shows", "why"),
    [("insulation", "good", "not a value in MΩ"), ("insulation", "5 V", "the unit 'V'"), ("height", "1", "nothing")],
)
def test_what_is_no_value_of_the_entry_is_refused(plan, entry, shows, why):
    with pytest.raises(BadInput, match=why):
        plan.record(RecordRequest(1, entry, shows), 1.0)


@pytest.mark.parametrize("keys", [{"at_least": "2 V"}, {"at_least": "3 MΩ", "at_most": "2 MΩ"}])
def test_limits_that_cannot_be_meant_are_refused(keys):
    with pytest.raises(ValueError, match="at_"):
        RecordEntry(name="insulation", unit="MΩ", **keys)


@given(st.floats(1e-3, 1e3), st.sampled_from(["MΩ", "mA", "V", "mm", "%", ""]))
def test_a_number_alone_is_in_the_unit_that_is_asked_for(number, unit):
    factor = {"MΩ": 1e6, "mA": 1e-3, "mm": 1e-3}.get(unit, 1.0)
    assert read_recorded(f"{number:.6f}", unit) == pytest.approx(number * factor, abs=1e-6 * factor)


def test_a_request_without_a_step_records_nothing():
    with pytest.raises(BadInput, match="records nothing"):
        decode_request(Request("record", '{"step": "two"}'))


def test_shorted_leads_give_a_zero_of_the_readings_since_they_were_shorted():
    bench = read_bench(supply() + SHORTED)
    control = PlanControl(bench)
    control.answer(StepRequest(Action.BEGIN, 1), 0.0)

    def read(value):
        control.observe(Judgement("output", 1.0, value, 0.02, None, None, None, Verdict.UNPREDICTED))

    assert control.is_shorted("output")
    read(12.0)
    [refused] = control.answer(StepRequest(Action.CONFIRM, 1), 2.0)
    assert "too much for a zero: are its leads shorted?" in refused.message
    for value in (0.014, 0.016):
        read(value)
    confirmed = control.answer(StepRequest(Action.CONFIRM, 1), 3.0)
    assert control.zeros(confirmed) == {"output": pytest.approx(0.015)}
    assert control.zeros(confirmed) == {}, "the same readings are not taken off twice"
    assert not control.is_shorted("output")


def test_a_guess_is_recorded_with_its_step_and_what_was_read_when_it_was_typed():
    control = PlanControl(read_bench(supply() + SHORTED))
    before = control.record(GuessRequest("output", "22,5 V"), 0.5)
    control.answer(StepRequest(Action.BEGIN, 1), 1.0)
    control.observe(Judgement("output", 1.5, 21.9, 0.02, 22.0, 0.3, -0.3, Verdict.AGREES))
    later = control.record(GuessRequest("output", "22 V"), 2.0)
    assert before.message == "output: guessed 22.50 V, before it had a reading"
    assert later.message == "output: guessed 22.00 V, while it read 21.90 V"
    assert guesses_of([before, later]) == [
        Guess("output", 0.5, 22.5, None, None),
        Guess("output", 2.0, 22.0, 1, 21.9),
    ]
    for wrong in (GuessRequest("output", "much"), GuessRequest("nothing", "1 V")):
        assert control.record(wrong, 3.0).kind == "refused"
