"""What an explanation is given of a temperature that still moves, and that it never says "nothing wrong" too early."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.bench import load_bench
from benchmon.watch.diagnosis.explainer import NONE_OF_THESE, NOTHING_WRONG
from benchmon.watch.diagnosis.statement import statements, steady_reading
from benchmon.watch.heating.heating import HeatLimits, HeatWatch, Outlook, State
from benchmon.watch.records import Explanation, Flag, Judgement, Verdict
from benchmon_simulated.scenarios import scenario_named

CHANNELS = {channel.quantity: channel for channel in load_bench(scenario_named("reservoir").path).channel}
CASE, AIR, OUTPUT = (
    CHANNELS[name] for name in ("diode.temperature.case", "ambient.temperature", "output.voltage.mean")
)
FINE = [Explanation(NOTHING_WRONG, 0.99, "fine")]


def judged(channel, verdict=Verdict.AGREES, *flags):
    return Judgement(channel.name, 9.0, 50.0, 1.0, 30.0, 1.0, 5.0, verdict, frozenset(flags))


def test_a_rise_stands_for_where_it_is_heading():
    watch = HeatWatch(HeatLimits(None, 125.0))
    # An exact exponential to 118 °C with 60 s, seen for two time constants.
    for step in range(241):
        watch.update(step / 2.0, 24.0 + 94.0 * (1.0 - math.exp(-step / 120.0)))
    watch.finish()
    found = steady_reading(CASE, 105.3, watch.outlook(120.0))
    assert found.value == pytest.approx(118.0, abs=0.05 * 94.0)
    assert abs(found.value - 118.0) <= found.doubt


def test_what_is_not_known_yet_is_left_out_unless_it_was_warm():
    unknown = Outlook(3.0, State.UNKNOWN, value=41.0)
    assert steady_reading(CASE, 41.0, unknown) is None
    assert steady_reading(CASE, 41.0, unknown, was_warm=True).value == 41.0
    assert steady_reading(CASE, 41.0, Outlook(3.0, State.RUNAWAY)) is None
    assert steady_reading(AIR, 24.0, None).value == 24.0
    assert steady_reading(OUTPUT, 21.0, None).doubt == 0.0


@pytest.mark.parametrize(
    ("last", "left_out", "words"),
    [
        (judged(CASE, Verdict.DISAGREES), {CASE.name: None}, "disagrees and still moves"),
        (judged(CASE), {CASE.name: Outlook(3.0, State.RUNAWAY)}, "rises ever faster"),
        (judged(OUTPUT, Verdict.AGREES, Flag.DRIFTING), {}, "drifts"),
        (judged(CASE, Verdict.AGREES, Flag.TRIPPED, Flag.HOT), {}, "is past its limit"),
        (judged(OUTPUT, Verdict.AGREES, Flag.IMPLAUSIBLE), {}, "contradicts others"),
    ],
)
def test_nothing_is_not_called_wrong_where_something_is_going_on(last, left_out, words):
    first = statements(FINE, [last], left_out)[0]
    assert first.cause == NONE_OF_THESE
    assert first.message.startswith(f"{last.channel} {words}")


def test_what_agrees_is_nothing_wrong_and_other_causes_stay():
    assert statements(FINE, [judged(CASE), judged(OUTPUT)], {CASE.name: None}) == FINE
    other = [Explanation("a diode is open", 0.9, "it is")]
    assert statements(other, [judged(CASE, Verdict.DISAGREES)], {CASE.name: None}) == other


def test_a_channel_that_fell_silent_is_what_needs_looking_at():
    first = statements(FINE, [judged(CASE), judged(OUTPUT, Verdict.AGREES, Flag.STALE)], {})[0]
    assert first.cause == f"{OUTPUT.name}: no readings any more"
    assert "look at its meter" in first.message
    many = [judged(one, Verdict.AGREES, Flag.STALE) for one in list(CHANNELS.values())[:5]]
    assert "and 2 more have fallen silent" in statements(FINE, many, {})[0].message


def test_one_channel_that_goes_on_alone_may_have_another_clock():
    *ended, late = list(CHANNELS.values())[:4]
    last = [*(judged(one, Verdict.AGREES, Flag.STALE) for one in ended), judged(late)]
    first = statements(FINE, last, {})[0]
    assert first.cause == f"{late.name}: its log is of another time"
    assert first.likelihood <= 0.5
    assert "or all others have fallen silent" in first.message


def test_no_cause_is_named_where_every_channel_agrees():
    first, *rest = statements([Explanation("output: a weak battery", 0.76, "")], [judged(CASE), judged(OUTPUT)], {})
    assert (first.cause, rest) == (NOTHING_WRONG, [])


def test_nothing_is_not_called_sound_above_a_channel_that_disagrees():
    first = statements(FINE, [judged(CASE), judged(OUTPUT, Verdict.DISAGREES)], {})[0]
    assert first.cause == NONE_OF_THESE
    assert first.likelihood < 0.7
    assert OUTPUT.name in first.message


def test_where_a_channel_disagrees_the_known_causes_gain_on_chance():
    weak = Explanation("output: a weak battery", 0.2, "")
    odd = [judged(CASE), judged(OUTPUT, Verdict.DISAGREES)]
    ranked = [Explanation(NOTHING_WRONG, 0.75, "fine"), weak, Explanation(NONE_OF_THESE, 0.05, "")]
    first, second = statements(ranked, odd, {})
    assert (first.cause, second.cause) == (weak.cause, NONE_OF_THESE)
    assert first.likelihood > 0.7
    assert first.likelihood + second.likelihood == pytest.approx(1.0)


NAMES = (NOTHING_WRONG, NONE_OF_THESE, "a diode is open", f"{OUTPUT.name}: a weak battery", "the load draws twice")
SILENT_OR_FLAGGED = st.frozensets(st.sampled_from([Flag.STALE, Flag.DRIFTING, Flag.HOT, Flag.IMPLAUSIBLE]), max_size=2)


@st.composite
def situations(draw):
    """Draw causes by likelihood, the last judgement of each channel, and which of them still move."""
    causes = draw(st.permutations(NAMES))[: draw(st.integers(1, len(NAMES)))]
    parts = draw(st.lists(st.floats(0.01, 1.0), min_size=len(causes), max_size=len(causes)))
    whole = sum(parts) * draw(st.floats(1.0, 1.2))
    ranked = [Explanation(name, part / whole, f"{name}.") for name, part in zip(causes, parts, strict=True)]
    last = [
        judged(channel, draw(st.sampled_from([Verdict.AGREES, Verdict.QUESTIONABLE, Verdict.DISAGREES])), *draw(flags))
        for channel, flags in zip((CASE, OUTPUT, AIR), (SILENT_OR_FLAGGED,) * 3, strict=True)
    ]
    moving = {CASE.name: draw(st.sampled_from([None, Outlook(3.0, State.RUNAWAY)]))} if draw(st.booleans()) else {}
    return sorted(ranked, key=lambda one: -one.likelihood), last, moving


@given(situations())
@settings(max_examples=300)
def test_no_statement_contradicts_a_row_or_another_statement(situation):
    ranked, last, moving = situation
    found = statements(ranked, last, moving)
    causes = [one.cause for one in found]
    assert len(set(causes)) == len(causes)
    assert sum(one.likelihood for one in found) <= 1.0 + 1e-9
    settled = [one for one in last if one.channel not in moving]
    if any(one.verdict is Verdict.DISAGREES for one in settled):
        assert NOTHING_WRONG not in causes
    if found[0].cause == NOTHING_WRONG:
        assert all(one.verdict is not Verdict.DISAGREES and not one.flags for one in last)
    for one in found:
        assert "no known cause is seen yet" not in one.message or one.likelihood <= 0.5


def test_what_hardly_counts_beside_nothing_wrong_is_named_only_where_a_channel_disagrees():
    ranked = [*FINE, Explanation("a bad joint", 1e-4, "")]
    silent = [judged(OUTPUT), judged(CASE, Verdict.AGREES, Flag.STALE)]
    assert "a bad joint" not in [one.cause for one in statements(ranked, silent, {})]
    disagreeing = [judged(CASE), judged(OUTPUT, Verdict.DISAGREES)]
    assert [one.cause for one in statements(ranked, disagreeing, {})] == [NONE_OF_THESE, "a bad joint"]
