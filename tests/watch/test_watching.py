import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.quantities import Expected
from benchmon.watch.records import Flag, Verdict
from benchmon.watch.verdict import en_number, judgement_of, verdict_of
from benchmon.watch.watch import Watch
from benchmon.watch.wording import verdict_sentence

OUTPUT = {"name": "vout", "quantity": "output.voltage.mean", "accuracy": "20 mV"}
EXPECTED = Expected(22.14, 0.21, "V")


def judge_all(watch, name, values, expected=None, start=0.0):
    """Return the judgements and the events of readings that come in time."""
    judged = [watch.judge(name, start + number, value, expected) for number, value in enumerate(values, 1)]
    return [judgement for judgement, _ in judged], [event for _, events in judged for event in events]


def kinds(events):
    return [event.kind for event in events]


def test_a_disagreement_is_reported_in_a_sentence_with_numbers_and_units(channel):
    _, events = judge_all(Watch([channel(**OUTPUT)]), "vout", [9.63] * 5, EXPECTED)
    assert [(event.kind, event.channel, event.time) for event in events] == [("disagrees", "vout", 3.0)]
    assert events[0].message == "vout reads 9.630 V, expected 22.14 ± 0.21 V (En −59.3): disagrees"


def test_each_reading_has_its_own_verdict_at_once(channel):
    judgements, events = judge_all(Watch([channel(**OUTPUT)]), "vout", [22.2, 9.6, 22.2], EXPECTED)
    assert [judgement.verdict for judgement in judgements] == [Verdict.AGREES, Verdict.DISAGREES, Verdict.AGREES]
    assert events == []


def test_agreement_is_reported_only_after_something_worse(channel):
    watch = Watch([channel(**OUTPUT)])
    assert judge_all(watch, "vout", [22.1] * 10, EXPECTED)[1] == []
    assert kinds(judge_all(watch, "vout", [9.0] * 3 + [22.1] * 10, EXPECTED)[1]) == ["disagrees", "agrees"]


def test_noise_on_the_line_is_reported_once(channel):
    on_the_line = 22.14 + math.hypot(0.02, 0.21)
    noise = [on_the_line + (0.002 if number % 7 < 4 else -0.002) for number in range(500)]
    assert kinds(judge_all(Watch([channel(**OUTPUT)]), "vout", noise, EXPECTED)[1]) == ["questionable"]


def test_nothing_expected_is_unpredicted_and_no_event(channel):
    judgements, events = judge_all(Watch([channel(**OUTPUT)]), "vout", [22.0] * 5)
    assert {judgement.verdict for judgement in judgements} == {Verdict.UNPREDICTED}
    assert judgements[0].en is None
    assert judgements[0].uncertainty == pytest.approx(0.02)
    assert events == []


def test_a_trip_is_reported_on_its_first_reading_and_stays(channel):
    watch = Watch([channel(warn_above="80 °C", trip_above="90 °C")])
    judgements, events = judge_all(watch, "case", [70.0, 95.2, 95.3, 60.0, 60.0, 60.0])
    assert [Flag.TRIPPED in judgement.flags for judgement in judgements] == [False] + [True] * 5
    assert kinds(events).count("tripped") == 1
    assert events[0].message == "case is at 95.2 °C, above its limit of 90.0 °C: tripped; switch off"
    assert Flag.TRIPPED in watch.tick(100.0)[0][0].flags


def test_a_limit_passed_again_trips_again_but_noise_at_it_does_not(channel):
    # 90 °C and a meter of ±1 K: only below 89 °C is it clearly inside again, as after the power was off and came back.
    watch = Watch([channel(trip_above="90 °C")])
    _, events = judge_all(watch, "case", [90.1, 89.9, 90.2, 89.1, 90.3])
    assert [event.time for event in events if event.kind == "tripped"] == [1.0]
    _, events = judge_all(watch, "case", [88.9, 90.1, 91.0], start=5.0)
    assert [event.time for event in events if event.kind == "tripped"] == [7.0]


def test_a_warning_is_reported_at_once_and_withdrawn_after_three_readings(channel):
    watch = Watch([channel(warn_above="80 °C")])
    judgements, events = judge_all(watch, "case", [81.0, 79.0, 81.0, 79.0, 79.0, 79.0])
    assert [Flag.HOT in judgement.flags for judgement in judgements] == [True, False, True, False, False, False]
    assert [(event.kind, event.time) for event in events] == [("hot", 1.0), ("cleared", 6.0)]
    assert events[0].message == "case is at 81.0 °C, above its warning of 80.0 °C"


def test_limits_below_guard_too(channel):
    watch = Watch([channel(**OUTPUT, warn_below="20 V", trip_below="18 V")])
    judgements, events = judge_all(watch, "vout", [19.0, 17.0])
    assert [judgement.flags for judgement in judgements] == [{Flag.HOT}, {Flag.HOT, Flag.TRIPPED}]
    assert events[1].message == "vout is at 17.00 V, below its limit of 18.00 V: tripped; switch off"


def test_a_reading_that_agrees_can_still_trip(channel):
    watch = Watch([channel(trip_above="90 °C")])
    judgement, events = watch.judge("case", 1.0, 95.0, Expected(95.0, 5.0, "°C"))
    assert judgement.verdict is Verdict.AGREES
    assert kinds(events) == ["tripped"]


def test_an_overrange_display_is_beyond_the_limit(channel):
    judgement, events = Watch([channel(trip_above="90 °C")]).judge("case", 1.0, math.inf, Expected(60, 5, "°C"))
    assert judgement.flags == {Flag.OVERRANGE, Flag.TRIPPED}
    assert (judgement.en, judgement.verdict) == (None, Verdict.UNPREDICTED)
    assert kinds(events) == ["tripped", "overrange"]


@pytest.mark.parametrize("period", [0.2, 1.0, 30.0])
def test_silence_from_the_start_is_stale_within_three_periods(channel, period):
    watch = Watch([channel(period=period)])
    assert watch.tick(3 * period) == []
    [(judgement, events)] = watch.tick(3.01 * period)
    assert (judgement.value, judgement.flags) == (None, {Flag.STALE})
    assert kinds(events) == ["stale"]
    assert watch.tick(4 * period) == []


def test_replies_without_a_number_do_not_keep_a_channel_fresh(channel):
    watch = Watch([channel()])
    watch.judge("case", 1.0, 25.0)
    for time in (2.0, 3.0, 4.0):
        judgement, events = watch.judge("case", time, None, None, "it answered 'ERR\x1b[2J'")
        assert judgement.value is None
        assert kinds(events) == (["no reading"] if time == 2.0 else [])
    [(_, events)] = watch.tick(4.1)
    assert "ERR\\x1b[2J" in events[0].message


def test_a_stale_channel_comes_back_with_its_first_reading(channel):
    watch = Watch([channel()])
    watch.tick(3.1)
    judgements, events = judge_all(watch, "case", [25.0] * 4, start=10.0)
    assert Flag.STALE not in judgements[0].flags
    assert [(event.kind, event.time, event.message) for event in events] == [("cleared", 13.0, "case reads again")]


def test_what_was_hot_stays_hot_in_silence(channel):
    watch = Watch([channel(warn_above="80 °C")])
    watch.judge("case", 1.0, 85.0)
    assert watch.judge("case", 2.0, None)[0].flags == {Flag.HOT}
    assert watch.tick(5.0)[0][0].flags == {Flag.HOT, Flag.STALE}


def test_not_a_number_is_no_reading(channel):
    judgement, events = Watch([channel(trip_above="90 °C")]).judge("case", 1.0, math.nan)
    assert (judgement.value, kinds(events)) == (None, ["no reading"])


READINGS = st.lists(
    st.tuples(st.sampled_from(["a", "b", "c"]), st.one_of(st.none(), st.floats(-100, 200), st.just(math.inf))),
    max_size=60,
)


@given(READINGS)
def test_no_limit_is_ever_missed_and_no_trip_forgotten(channel, readings):
    watch = Watch([channel(name=name, trip_above="90 °C", trip_below="0 °C") for name in "abc"])
    tripped, shown, armed = set(), [], dict.fromkeys("abc", True)
    for time, (name, value) in enumerate(readings):
        judgement, events = watch.judge(name, float(time), value)
        is_past = value is not None and (value > 90 or value < 0)
        if is_past:
            tripped.add(name)
        assert (Flag.TRIPPED in judgement.flags) == (name in tripped)
        assert ("tripped" in kinds(events)) == (is_past and armed[name])
        if value is not None:
            armed[name] = not is_past and (armed[name] or 1 <= value <= 89)
        shown += [event.channel for event in events if event.kind == "tripped"]
    assert set(shown) == tripped


@given(READINGS, st.permutations(["a", "b", "c"]))
def test_the_order_of_channels_changes_no_judgement(channel, readings, order):
    channels = {name: channel(name=name, warn_above="90 °C") for name in "abc"}
    expected = Expected(50.0, 5.0, "°C")
    one, other = Watch(list(channels.values())), Watch([channels[name] for name in order])
    for time, (name, value) in enumerate(readings):
        assert one.judge(name, float(time), value, expected) == other.judge(name, float(time), value, expected)
    key = lambda silence: silence[0].channel  # noqa: E731
    assert sorted(one.tick(1e3), key=key) == sorted(other.tick(1e3), key=key)


def test_a_warning_waits_for_its_delay_and_a_trip_does_not(channel):
    watch = Watch([channel(warn_above="80 °C", trip_above="90 °C", warn_delay="3 s")])
    judgements, events = judge_all(watch, "case", [82.0, 82.0, 70.0, 82.0, 82.0, 82.0, 82.0, 91.0])
    assert [(event.kind, event.time) for event in events] == [("hot", 7.0), ("tripped", 8.0)]
    assert [Flag.HOT in judgement.flags for judgement in judgements] == [True, True, False, *[True] * 5]


def test_noise_below_a_warning_s_line_neither_ends_it_nor_its_delay(channel):
    watch = Watch([channel(warn_above="80 °C", accuracy="1 K", warn_delay="3 s")])
    _, events = judge_all(watch, "case", [80.5, 79.5, 80.5, 79.5, 80.5, 79.5, 79.5, 79.5, 79.5, 78.5, 78.5, 78.5])
    assert [(event.kind, event.time) for event in events] == [("hot", 5.0), ("cleared", 12.0)]


def test_a_delay_below_zero_is_refused(channel):
    with pytest.raises(ValueError, match="greater than or equal to 0"):
        channel(warn_delay="-1 s")


def test_a_reading_is_judged_by_the_expected_value_that_is_kept_beside_it(channel):
    """That follows a prediction which creeps in steps of a twentieth of its uncertainty; En belongs to it."""
    watch = Watch([channel(**OUTPUT)])
    judgements, predicted = [], [Expected(22.14 + 0.001 * number, 0.21, "V") for number in range(200)]
    for number, expected in enumerate(predicted):
        judgements.append(watch.judge("vout", float(number), 22.345 + 0.001 * number, expected)[0])
    for one, fresh in zip(judgements, predicted, strict=True):
        assert abs(one.expected - fresh.value) <= 0.05 * 0.21 + 1e-9
        assert one.en == en_number(one.value, one.uncertainty, one.expected, one.expected_uncertainty)
        assert one.verdict is verdict_of(one.en)
    assert len({one.expected for one in judgements}) == 19  # in all it moves by nearly a whole uncertainty
    assert {one.verdict for one in judgements} == {Verdict.AGREES, Verdict.QUESTIONABLE}


def test_drift_is_watched_by_the_prediction_itself(channel):
    given = []

    class Noting:
        def update(self, _channel, _time, _value, expected, _en):
            given.append(expected.value)
            return []

        def flags(self, _channel):
            return frozenset()

    watch = Watch([channel(**OUTPUT)], Noting())
    for number in range(5):
        watch.judge("vout", float(number), 22.0, Expected(22.14 + 0.001 * number, 0.21, "V"))
    assert given == [22.14 + 0.001 * number for number in range(5)]


def test_a_verdict_on_its_way_to_another_waits_for_it(channel):
    half_width = math.hypot(0.02, 0.21)
    values = [22.14 + part * half_width for part in (1.2, 1.3, 2.0, 2.0, 2.0)]
    _, events = judge_all(Watch([channel(**OUTPUT)]), "vout", values, EXPECTED)
    assert [(event.kind, event.time) for event in events] == [("disagrees", 5.0)]


def test_a_verdict_of_several_readings_says_so_where_the_last_one_alone_has_another(channel):
    judgement = judgement_of(channel(**OUTPUT), 1.0, 22.14 + 2.0 * math.hypot(0.02, 0.21), EXPECTED)
    sentence = verdict_sentence(channel(**OUTPUT), judgement, Verdict.QUESTIONABLE)
    assert sentence.endswith("(En +2.0): disagrees; with those before it questionable")
