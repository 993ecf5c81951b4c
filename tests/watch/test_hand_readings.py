"""Meters that a person reads: what is due, and which typed values still count once the supply has changed."""

from __future__ import annotations

import pytest

from benchmon.bench import read_bench
from benchmon.event_kinds import EventKind
from benchmon.watch.plan import Plan, blocking_reasons
from benchmon.watch.plan.hand_readings import HandReadings
from benchmon.watch.records import Event, EventDetails, Judgement, Verdict
from benchmon.watch.status import Level, StatusWatch
from support.supplies import supply

BENCH = read_bench(
    supply()
    + """
[[instrument]]
name = "live"
driver = "scpi"
[[instrument]]
name = "DMM"
driver = "hand"
[[channel]]
name = "mains"
instrument = "live"
quantity = "mains.voltage.rms"
[[channel]]
name = "current"
instrument = "live"
quantity = "mains.current.rms"
[[channel]]
name = "room"
instrument = "DMM"
quantity = "ambient.temperature"
[[channel]]
name = "output"
instrument = "DMM"
quantity = "output.voltage.mean"
[[channel]]
name = "ripple"
instrument = "DMM"
quantity = "output.voltage.ac_rms"
period = "30 s"
[[step]]
name = "half"
mains = "115 V"
needs = ["ripple"]
[[step]]
name = "full"
mains = "230 V"
"""
)


@pytest.fixture
def hand():
    made = HandReadings(BENCH)
    made.observe("mains", 0.0, 230.0, 0.1)
    made.observe("current", 0.0, 0.3, 0.1)
    return made


def typed(hand, time, names=("room", "output", "ripple")):
    for name in names:
        hand.observe(name, time, 1.0, 0.0)


def begun(number, time):
    plan = Plan(BENCH.step)
    plan.take(Event(time, "", EventKind.STEP_BEGUN, "", EventDetails(step=number)))
    return plan


def test_what_was_never_read_is_due_and_what_was_just_read_is_not(hand):
    assert hand.due(1.0) == ("room", "output", "ripple")
    typed(hand, 2.0)
    assert hand.due(3.0) == ()


def test_a_value_is_due_again_after_its_period_which_is_a_minute_where_none_is_given(hand):
    typed(hand, 2.0)
    assert hand.due(33.0) == ("ripple",)
    assert hand.due(63.0) == ("room", "output", "ripple")


def test_once_another_channel_disagrees_or_agrees_again_a_typed_value_no_longer_counts(hand):
    typed(hand, 2.0)
    hand.observe("current", 3.0, 0.9, 4.0)
    assert hand.lapsed == ("room", "output", "ripple")
    typed(hand, 4.0, ["output"])
    assert (hand.lapsed, hand.due(5.0)) == (("room", "ripple"), ("room", "ripple"))
    hand.observe("current", 6.0, 0.3, 0.1)
    assert hand.is_lapsed("output")


def test_the_mains_turned_makes_it_lapse_and_the_mains_that_wanders_does_not(hand):
    typed(hand, 2.0)
    for second, volts in enumerate((231.0, 229.0, 233.0, 228.0)):
        hand.observe("mains", 3.0 + second, volts, 0.1)
    assert hand.lapsed == ()
    hand.observe("mains", 8.0, 180.0, 0.1)
    assert hand.is_lapsed("output")


def test_a_mains_that_wanders_after_it_was_turned_leaves_what_was_typed_since(hand):
    # 226 V is seen while it is turned from 200 V to 230 V, and 233 V would be turned from there.
    for time, volts in ((3.0, 200.0), (4.0, 226.0), (5.0, 230.0)):
        hand.observe("mains", time, volts, 0.1)
    typed(hand, 6.0)
    hand.observe("mains", 7.0, 233.0, 0.1)
    assert hand.lapsed == ()
    hand.observe("mains", 8.0, 238.0, 0.1)
    assert hand.is_lapsed("output")


def test_what_was_typed_right_after_a_step_began_outlasts_the_first_verdicts_in_it(hand):
    hand.follow(begun(2, 3.0))
    hand.observe("current", 2.9, 0.3, 0.1)
    typed(hand, 4.0)
    hand.observe("current", 5.0, 0.3, 4.0)
    assert hand.lapsed == ()
    # The load is set to what the step wants, which is a change.
    hand.observe("current", 6.0, 0.9, 0.1)
    assert hand.is_lapsed("output")


def test_a_channel_at_the_edge_of_disagreeing_lets_nothing_lapse_again_and_again(hand):
    hand.observe("current", 3.0, 0.9, 1.6)
    typed(hand, 4.0)
    for second, en in enumerate((1.4, 1.6, 1.2, 1.7)):
        hand.observe("current", 5.0 + second, 0.9, en)
    assert hand.lapsed == ()
    hand.observe("current", 9.0, 0.9, 0.5)
    assert hand.is_lapsed("output")


def test_without_power_only_what_needs_none_is_due(hand):
    hand.observe("mains", 1.0, 0.2, None)
    assert hand.due(2.0) == ("room",)
    hand.observe("mains", 3.0, 230.0, 0.1)
    assert hand.due(4.0) == ("room", "output", "ripple")


def test_a_step_asks_for_its_own_values_what_it_needs_first_and_waits_for_its_mains(hand):
    typed(hand, 2.0)
    hand.follow(begun(1, 3.0))
    assert hand.due(4.0) == ("room",)
    hand.observe("mains", 5.0, 114.0, 0.1)
    assert hand.due(6.0) == ("ripple", "room", "output")


def test_a_step_is_not_confirmed_by_a_value_of_before():
    step = begun(1, 3.0).current_step
    latest = {
        "mains": Judgement("mains", 5.0, 115.0, 1.0, 115.0, 5.0, 0.0, Verdict.AGREES),
        "ripple": Judgement("ripple", 2.0, 1.0, 0.1, 1.0, 0.1, 0.0, Verdict.AGREES),
    }
    assert blocking_reasons(step, 6.0, BENCH.channel, latest) == []
    [reason] = blocking_reasons(step, 6.0, BENCH.channel, latest, ("ripple",))
    assert reason == "ripple was typed before the supply changed, read it again"


def test_the_status_says_who_is_due_and_waits_for_what_has_lapsed():
    """A typed value of before is neither called right nor wrong."""

    def read(name, time, value, en):
        verdict = Verdict.AGREES if en < 1 else Verdict.DISAGREES
        watch.judgement(Judgement(name, time, value, 0.1, value, 0.1, en, verdict))

    watch = StatusWatch(BENCH)
    for name in ("mains", "current", "room", "output", "ripple"):
        read(name, 1.0, 230.0 if name == "mains" else 20.0, 3.0 if name == "output" else 0.1)
    status = watch.at(2.0)
    assert (status.level, status.due, status.about.channel) == (Level.CAUTION, (), "output")
    read("mains", 3.0, 115.0, 0.1)
    status = watch.at(3.5)
    assert (status.level, status.silent) == (Level.WAITING, 3)
    assert status.due == status.lapsed == ("room", "output", "ripple")
    assert watch.at(4.0, "finished").due == ()
