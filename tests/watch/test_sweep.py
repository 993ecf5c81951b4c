"""A sweep as it is done: it moves by events alone, takes what stands still, and goes on where it was."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.bench import CurrentLoad, Sweep, read_bench
from benchmon.errors import BadInput, BenchFileError
from benchmon.watch.plan import Plan, SweepAction, SweepRequest, SweepState
from benchmon.watch.plan.settled_points import (
    PredictedCurves,
    SettledValue,
    SettlingReadings,
    decode_predicted,
    decode_readings,
    encode_predicted,
    encode_readings,
)
from benchmon.watch.plan.sweep import former_points
from benchmon.watch.records import Judgement, Verdict
from support.supplies import supply

SWEEP = Sweep(name="regulation", over="load.current", values=["open", "0.5 A", "1 A"], hold="4 s")
METERS = """
[[instrument]]
name = "meter"
driver = "scpi"
address = "TCPIP::127.0.0.1::1::SOCKET"
[[channel]]
name = "output"
instrument = "meter"
quantity = "output.voltage.mean"
query = "V?"
accuracy = "0.1 % + 10 mV"
[[channel]]
name = "load"
instrument = "meter"
quantity = "output.current.mean"
query = "A?"
accuracy = "0.1 % + 1 mA"
"""


def moved(plan, events):
    for event in events:
        assert plan.take(event) or event.kind == "sweep predicted"
    return [event.kind for event in events]


def ask(plan, action, now, words="", name="regulation"):
    return moved(plan, plan.sweeps.answer(SweepRequest(action, name, words), now))


def take(plan, at, now):
    run = plan.sweeps.current
    moved(plan, [plan.sweeps.stands(run, at, now)])
    readings = {"output": SettledValue(22.0 - at, 0.02, 22.1 - at, 0.5)}
    return moved(plan, plan.sweeps.taken(run, at, readings, {"output": "V"}, now + 5.0))


def test_a_sweep_from_end_to_end():
    plan = Plan((), (SWEEP,))
    assert plan.sweeps.current is None
    assert plan.load is None
    ask(plan, SweepAction.BEGIN, 1.0)
    assert plan.load == "open"
    assert plan.sweeps.is_being_set, "nothing can be expected while a load is changed"
    assert take(plan, 0.0, 2.0) == ["sweep taken", "sweep asks"]
    assert plan.sweeps.current.in_words() == "regulation, 2 of 3: set the load to 500 mA"
    moved(plan, [plan.sweeps.stands(plan.sweeps.current, 0.51, 10.0)])
    assert plan.load == CurrentLoad(kind="current", current=0.51), "the prediction is for the load that is there"
    assert ask(plan, SweepAction.SKIP, 11.0, "no such resistor") == ["sweep skipped", "sweep asks"]
    assert take(plan, 1.02, 12.0) == ["sweep taken", "sweep done"]
    run = plan.sweeps.latest
    assert (run.state, [point.at for point in run.taken], plan.load) == (SweepState.DONE, [0.0, 1.02], None)
    assert run.points[2].skipped == "no such resistor"
    assert run.taken[1].readings["output"] == SettledValue(20.98, 0.02, 21.08, 0.5)


def test_what_cannot_be_is_refused_in_words():
    plan = Plan((), (SWEEP,))
    for action, name, words in (
        (SweepAction.BEGIN, "nothing", "has no sweep called nothing; there is regulation"),
        (SweepAction.STOP, "regulation", "does not run"),
    ):
        with pytest.raises(BadInput, match=words):
            ask(plan, action, 1.0, name=name)
    ask(plan, SweepAction.BEGIN, 1.0)
    with pytest.raises(BadInput, match="runs already"):
        ask(plan, SweepAction.BEGIN, 2.0)
    with pytest.raises(BadInput, match="say why"):
        ask(plan, SweepAction.SKIP, 2.0)


def test_a_stopped_sweep_goes_on_where_it_was_also_in_another_session():
    plan, events = Plan((), (SWEEP,)), []
    for step in (
        lambda: plan.sweeps.answer(SweepRequest(SweepAction.BEGIN, "regulation"), 1.0),
        lambda: [plan.sweeps.stands(plan.sweeps.current, 0.0, 2.0)],
        lambda: plan.sweeps.taken(plan.sweeps.current, 0.0, {"output": SettledValue(22.0, 0.02)}, {"output": "V"}, 9.0),
    ):
        found = step()
        moved(plan, found)
        events += found
    later = Plan((), (SWEEP,))
    for event in former_points(events, (SWEEP,)):
        later.take(event)
    assert later.sweeps.current is None, "it is never begun without the person"
    ask(later, SweepAction.BEGIN, 1.0)
    assert later.sweeps.current.number == 2
    ask(later, SweepAction.STOP, 2.0, "smell of varnish")
    assert later.sweeps.latest.in_words() == (
        "regulation stopped (by the operator: smell of varnish), 1 of 3 points taken"
    )
    ask(later, SweepAction.BEGIN, 3.0)
    assert (later.sweeps.current.number, len(later.sweeps.current.taken)) == (2, 1)


def judged(channel, time, value, expected=None):
    return Judgement(channel, time, value, 0.02, expected, 0.5 if expected else None, 0.0, Verdict.AGREES)


@pytest.fixture
def settling():
    found = SettlingReadings(read_bench(supply() + METERS))
    found.begin(0.0)
    return found


def read(settling, volts, amperes=lambda _: 0.5, expected=None, until=12):
    for second in range(1, until + 1):
        settling.observe(judged("load", second, amperes(second), expected and 0.5))
        settling.observe(judged("output", second, volts(second), expected and expected(second)))


def test_what_stands_still_is_taken_and_what_moves_is_not(settling):
    assert settling.lacks(SWEEP, 1.0) == ["no meter has read since it was set"]
    read(settling, lambda s: 22.0 + 0.004 * (s % 2), expected=lambda _: 22.1, until=2)
    assert "must stand still" in settling.lacks(SWEEP, 2.0)[0]
    read(settling, lambda s: 22.0 + 0.004 * (s % 2), expected=lambda _: 22.1)
    assert settling.lacks(SWEEP, 12.0) == []
    values = settling.values(SWEEP, 12.0)
    assert values["output"].value == pytest.approx(22.002)
    assert values["output"].uncertainty == pytest.approx(
        math.hypot(0.001 * 22.002 + 0.01, 0.004 / math.sqrt(3)), rel=0.05
    )
    settling.begin(0.0)
    read(settling, lambda s: 22.0 - 0.05 * s, expected=lambda _: 22.1)
    assert settling.lacks(SWEEP, 12.0) == ["output still moves"]


def test_a_mains_that_wanders_holds_up_nothing(settling):
    read(settling, lambda s: 22.0 + 0.05 * s, expected=lambda s: 22.1 + 0.05 * s)
    assert settling.lacks(SWEEP, 12.0) == []


@pytest.mark.parametrize(("amperes", "is_set"), [(0.502, True), (0.52, True), (0.6, False), (0.0, False)])
def test_a_load_counts_as_set_where_its_meter_stands_at_it(settling, amperes, is_set):
    read(settling, lambda _: 22.0, lambda _: amperes)
    assert settling.is_set(SWEEP, 0.5, 12.0) is is_set
    assert settling.is_set(SWEEP, 0.0, 12.0) is (amperes == 0.0)


numbers = st.floats(-1e6, 1e6)


@given(st.dictionaries(st.text(min_size=1, max_size=9), st.tuples(numbers, numbers), max_size=5))
def test_readings_come_back_as_they_were_stored(found):
    readings = {name: SettledValue(*pair) for name, pair in found.items()}
    assert decode_readings(encode_readings(readings)) == {
        name: SettledValue(pytest.approx(one.value, rel=1e-6), pytest.approx(one.uncertainty, rel=1e-6))
        for name, one in readings.items()
    }
    curves = PredictedCurves({name: [pair, None] for name, pair in found.items()}, [("load regulation", 9.0, 1.0, "%")])
    again = decode_predicted(encode_predicted(curves))
    assert (set(again.quantities), list(again.figures)) == (set(found), list(curves.figures))


@given(st.text(max_size=40))
def test_what_makes_no_sense_is_left_out(text):
    decode_readings(text)
    decode_predicted(text)
    assert decode_readings('{"a": 1, "b": ["x", 2, 3, 4], "c": [1, 2, null, 4]}') == {"c": SettledValue(1.0, 2.0)}


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (
            'over = "mains.voltage"\nvalues = ["207 V", "253 V"]\ninstrument = "meter"\nset = "V {value}"\noff = "OFF"',
            "never set by a program",
        ),
        ('over = "load.current"\nvalues = ["1 A", "2 A"]\nset = "CURR {value}"', "which one do set and off belong to"),
        (
            'over = "load.current"\nvalues = ["1 A", "2 A"]\ninstrument = "meter"\nset = "CURR {value}"',
            "needs set and off",
        ),
        ('over = "load.current"\nvalues = ["1 A", "2 A"]\nneeds = ["nothing"]', "is no \\[\\[channel\\]\\]"),
    ],
)
def test_keys_that_do_not_fit_are_refused_in_one_line(more, words):
    with pytest.raises(BenchFileError, match=words) as refused:
        read_bench(supply() + METERS + f'\n[[sweep]]\nname = "s"\n{more}\n')
    assert "\n" not in str(refused.value)
