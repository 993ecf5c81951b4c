"""A sweep as it is done: it moves by events alone, takes what stands still, and goes on where it was."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.bench import CurrentLoad, Step, Sweep, TwoLoads, read_bench
from benchmon.errors import BadInput, BenchFileError
from benchmon.watch.plan import Action, Plan, StepRequest, SweepAction, SweepRequest, SweepState
from benchmon.watch.plan.curves import curves_of, figures_of
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


def test_a_sweep_of_one_output_leaves_the_load_of_the_other():
    steps = (Step(name="cross", load="10 Ω", load_2="20 Ω"),)
    first = Sweep(name="first", over="load.resistance", values=["open", "5 Ω"])
    second = Sweep(name="second", over="load_2.resistance", values=["open", "5 Ω"])
    plan = Plan(steps, (first, second))
    moved(plan, plan.answer(StepRequest(Action.BEGIN, 1), 1.0, ()))
    assert plan.load == TwoLoads(10.0, 20.0)
    ask(plan, SweepAction.BEGIN, 2.0, name="first")
    assert plan.load == TwoLoads("open", 20.0)
    ask(plan, SweepAction.STOP, 3.0, name="first")
    assert plan.load == TwoLoads(10.0, 20.0), "a person sets back what a person has set"
    events = plan.sweeps.answer(SweepRequest(SweepAction.BEGIN, "second"), 4.0)
    assert "take the load of output 2 off" in events[0].message
    moved(plan, events)
    assert plan.load == TwoLoads(10.0, "open")


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
    assert settling.lacks(SWEEP, 1.0) == ["no meter has been read since it was set"]
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


def test_a_sweep_of_the_second_load_goes_by_the_meters_there():
    text = METERS.replace('"load"', '"load of output 2"').replace("output.current", "output_2.current")
    bench = read_bench(supply(rectifier={"kind": "two bridges"}, transformer={"secondaries": 2}) + text)
    settling = SettlingReadings(bench)
    sweep = Sweep(name="second", over="load_2.current", values=["open", "0.5 A"], hold="4 s")
    settling.begin(0.0)
    for half in range(24):
        settling.observe(judged("load of output 2", 0.5 * half, 0.5))
    assert settling.is_shown(sweep)
    assert settling.is_set(sweep, 0.5, 11.6)
    assert not settling.is_shown(sweep.model_copy(update={"over": "load.current"})), "no meter is in the first load"


def swept(volts, amperes, own=lambda channel, value: channel.accuracy.of(value)):
    """Return a sweep at 0 A and 1 A with what two meters read, and the channels of these meters."""
    channels = read_bench(supply() + METERS).channel
    plan = Plan((), (Sweep(name="ends", over="load.current", values=["open", "1 A"]),))
    ask(plan, SweepAction.BEGIN, 0.0, name="ends")
    for volt, ampere in zip(volts, amperes, strict=True):
        run = plan.sweeps.current
        moved(plan, [plan.sweeps.stands(run, ampere, 1.0)])
        readings = {
            one.name: SettledValue(value, own(one, value)) for one, value in zip(channels, (volt, ampere), strict=True)
        }
        moved(plan, plan.sweeps.taken(run, ampere, readings, {}, 2.0))
    return plan.sweeps.latest, channels


def test_the_figures_of_a_sweep_and_their_uncertainty_by_drawn_meters():
    """The ± is checked by drawing two meters with a gain and, at each reading, an offset within their data sheets.

    A tenth of the gain's error is drawn for each reading: the linearity.
    """
    figures = {one.name: one for one in figures_of(*swept((25.0, 20.0), (0.0, 1.0)))}
    assert figures["load regulation"].value == pytest.approx(25.0), "of 5 V in 20 V, as transformers state theirs"
    assert figures["output resistance"].value == pytest.approx(5.0)
    draw = np.random.default_rng(7)
    bent = 0.00005 * draw.standard_normal((2, 2, 20_000))
    gains = 1.0 + 0.0005 * draw.standard_normal((2, 1, 20_000)) + bent
    offsets = draw.standard_normal((2, 2, 20_000)) * np.array([0.005, 0.0005]).reshape(2, 1, 1)
    first, last = (gains[0, at] * volts + offsets[0, at] for at, volts in enumerate((25.0, 20.0)))
    little, much = (gains[1, at] * amperes + offsets[1, at] for at, amperes in enumerate((0.0, 1.0)))
    drawn = {"load regulation": 100.0 * (first - last) / last, "output resistance": (first - last) / (much - little)}
    for name, values in drawn.items():
        assert figures[name].uncertainty == pytest.approx(2.0 * np.std(values), rel=0.05)


def test_half_a_sweep_is_not_held_to_the_prediction_of_the_whole():
    run, channels = swept((25.0, 20.0), (0.0, 1.0))
    run.predicted = PredictedCurves({}, [("load regulation", 24.0, 6.0, "%")])
    assert figures_of(run, channels)[0].en == pytest.approx(1.0 / 6.0, rel=0.01)
    run.sweep = run.sweep.model_copy(update={"values": (0.0, 1.0, 2.0)})
    assert figures_of(run, channels)[0].expected is None


def test_a_curve_holds_what_was_read_beside_what_was_expected_and_no_efficiency_without_the_mains():
    run, channels = swept((25.0, 20.0), (0.0, 1.0))
    (output,) = curves_of(run, channels)
    assert [(one.at, one.read.value) for one in output.points] == [(0.0, 25.0), (1.0, 20.0)]
    assert output.name == "output", "what is swept is no curve of its own"


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
