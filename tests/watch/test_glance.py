import math
from types import SimpleNamespace

import pytest

from benchmon.prediction.result import Expected
from benchmon.watch.agreement import judgement_of
from benchmon.watch.glance import SIGNS, Level, glance
from benchmon.watch.records import Event, Flag

GOOD = Expected(22.0, 0.5, "V")


@pytest.fixture
def bench(channel):
    """Return a bench of two voltages without limits and a temperature with limits."""
    volts = {"quantity": "output.voltage.mean", "accuracy": "20 mV"}
    case = channel(warn_above="80 °C", trip_above="90 °C")
    return SimpleNamespace(channel=(channel(name="vout", **volts), channel(name="vaux", **volts), case))


def latest_of(bench, flags=None, **values):
    """Return judgements: all as expected, save the values and flags given."""
    latest = {}
    for channel in bench.channel:
        expected = GOOD if channel.unit == "V" else None
        value = values.get(channel.name, 22.0)
        latest[channel.name] = judgement_of(
            channel, 1.0, value, expected, frozenset((flags or {}).get(channel.name, ()))
        )
    return latest


def test_all_is_well(bench):
    seen = glance(latest_of(bench), bench)
    assert seen.level is Level.AS_EXPECTED
    assert seen.sentence == "As expected: 2 channels agree (1 not predicted); 1 channel within limits"


def test_waiting_for_first_readings(bench):
    latest = latest_of(bench)
    del latest["vaux"]
    assert glance(latest, bench).sentence == "Waiting for readings from 1 of 3 channels"
    assert glance({}, bench).level is Level.WAITING


def test_nothing_predicted_is_not_as_expected(bench):
    latest = {channel.name: judgement_of(channel, 1.0, 22.0, None) for channel in bench.channel}
    assert glance(latest, bench).level is Level.WAITING


# The worst first; each is added to all that stand after it.
WORST_FIRST = [
    (
        Level.DANGER,
        "Switch off now: case is at 95.0 °C, above its limit of 90.0 °C",
        {"case": 95.0},
        {"case": {Flag.TRIPPED}},
    ),
    (
        Level.CAUTION,
        "Get ready to switch off: case is at 85.0 °C, above its warning of 80.0 °C",
        {"case": 85.0},
        {"case": {Flag.HOT}},
    ),
    (Level.BLIND, "Not watched: case has limits but gives no reading", {"case": None}, {"case": {Flag.STALE}}),
    (Level.CAUTION, "Not as expected: vout is at 9.000 V, expected 22.00 ± 0.50 V", {"vout": 9.0}, {}),
    (Level.CAUTION, "vaux shows over range, expected 22.00 ± 0.50 V", {"vaux": math.inf}, {"vaux": {Flag.OVERRANGE}}),
    (Level.CAUTION, "vaux gives no reading", {"vaux": None}, {"vaux": {Flag.STALE}}),
    (Level.CAUTION, "Questionable: vout is at 22.60 V, expected 22.00 ± 0.50 V", {"vout": 22.6}, {}),
]


@pytest.mark.parametrize("rank", range(len(WORST_FIRST)))
def test_the_worst_comes_first(bench, rank):
    values, flags = {}, {}
    for _, _, more_values, more_flags in reversed(WORST_FIRST[rank:]):
        values |= more_values
        flags |= more_flags
    level, sentence, _, _ = WORST_FIRST[rank]
    seen = glance(latest_of(bench, flags, **values), bench)
    assert (seen.level, seen.sentence, seen.sign) == (level, sentence, SIGNS[level])


def test_a_recorder_that_is_gone_is_worse_than_heat_but_not_than_a_trip(bench):
    hot = latest_of(bench, {"case": {Flag.HOT}}, case=85.0)
    assert glance(hot, bench, "gone").level is Level.BLIND
    tripped = latest_of(bench, {"case": {Flag.TRIPPED}}, case=30.0)
    seen = glance(tripped, bench, "gone")
    assert seen.level is Level.DANGER
    assert "case went past its limit, though it is at 30.0 °C now" in seen.sentence


def test_an_ended_recording_watches_nothing(bench):
    assert glance(latest_of(bench), bench, "finished").level is Level.ENDED
    assert "vout disagreed" in glance(latest_of(bench, vout=9.0), bench, "finished").sentence


@pytest.mark.parametrize("state", ["recording", "finished", "gone"])
@pytest.mark.parametrize("finding", WORST_FIRST)
def test_it_never_calls_anything_safe(bench, finding, state):
    for latest in (latest_of(bench, finding[3], **finding[2]), latest_of(bench), {}):
        seen = glance(latest, bench, state)
        assert "safe" not in seen.sentence.lower()
        assert len(seen.sign) == 1
        assert seen.sentence.isprintable()


@pytest.mark.parametrize("state", ["recording", "finished", "gone"])
@pytest.mark.parametrize("flags", [{}, {"case": {Flag.TRIPPED}}])
def test_a_switch_that_failed_is_worse_than_anything_else(bench, state, flags):
    failed = Event(5.0, "", "switch-off failed", "SWITCH OFF BY HAND: relay has not switched off")
    seen = glance(latest_of(bench, flags, case=95.0), bench, state, None, failed)
    assert (seen.level, seen.sentence) == (Level.DANGER, failed.message)


@pytest.mark.parametrize(("kind", "lead"), [("switching off", "Switching off"), ("switched off", "Switched off")])
def test_a_trip_says_how_its_switching_off_stands_and_stays_a_danger(bench, kind, lead):
    seen = glance(latest_of(bench, {"case": {Flag.TRIPPED}}, case=95.0), bench, switching=Event(5.0, "", kind, "x"))
    assert seen.level is Level.DANGER
    assert seen.sentence == f"{lead}: case is at 95.0 °C, above its limit of 90.0 °C"


def test_what_was_switched_off_without_a_trip_is_judged_as_ever(bench):
    told = Event(5.0, "", "switched off", "x")
    assert glance(latest_of(bench), bench, switching=told).level is Level.AS_EXPECTED
