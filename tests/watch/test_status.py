import math
from itertools import pairwise
from types import SimpleNamespace

import pytest

from benchmon.event_kinds import AlarmKind, EventKind
from benchmon.quantities import Expected
from benchmon.watch.records import Event, EventDetails, Explanation, Flag, Forecast
from benchmon.watch.status import Level, Outlooks, StatusWatch
from benchmon.watch.status_wording import SIGNS, shown, status_line
from benchmon.watch.verdict import judgement_of

GOOD = Expected(22.0, 0.5, "V")


@pytest.fixture
def bench(channel):
    """Return a bench of two voltages without limits and a temperature with limits."""
    volts = {"quantity": "output.voltage.mean", "accuracy": "20 mV"}
    case = channel(warn_above="80 °C", trip_above="90 °C")
    meters = (channel(name="vout", **volts), channel(name="vaux", **volts), case)
    return SimpleNamespace(channel=meters, typed_channels=(), step=(), sweep=(), mains=SimpleNamespace(voltage=230.0))


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
    seen = status_line(latest_of(bench), bench)
    assert seen.level is Level.AS_EXPECTED
    assert seen.sentence == "As expected: 2 channels agree (1 not predicted); 1 channel within limits"


def test_waiting_for_first_readings(bench):
    latest = latest_of(bench)
    del latest["vaux"]
    assert status_line(latest, bench).sentence == "Waiting for readings from 1 of 3 channels"
    assert status_line({}, bench).level is Level.WAITING


def test_nothing_predicted_is_not_as_expected(bench):
    latest = {channel.name: judgement_of(channel, 1.0, 22.0, None) for channel in bench.channel}
    assert status_line(latest, bench).level is Level.WAITING


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
    (Level.CAUTION, "Not as expected: vout is at 9.000 V, expected 22.00 ± 0.50 V", {"vout": 9.0}, {}),
    (Level.BLIND, "Not watched: case has limits but gives no reading", {"case": None}, {"case": {Flag.STALE}}),
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
    seen = status_line(latest_of(bench, flags, **values), bench)
    sentence += ". Not watched: case" if sentence.startswith("Not as expected") else ""
    assert (seen.level, seen.sentence, seen.sign) == (level, sentence, SIGNS[level])


def test_a_recorder_that_is_gone_is_worse_than_heat_but_not_than_a_trip(bench):
    hot = latest_of(bench, {"case": {Flag.HOT}}, case=85.0)
    assert status_line(hot, bench, "gone").level is Level.BLIND
    tripped = latest_of(bench, {"case": {Flag.TRIPPED}}, case=30.0)
    seen = status_line(tripped, bench, "gone")
    assert seen.level is Level.DANGER
    assert "case went past its limit, though it is at 30.0 °C now" in seen.sentence


def test_an_ended_recording_watches_nothing(bench):
    assert status_line(latest_of(bench), bench, "finished").level is Level.ENDED
    assert "vout disagreed" in status_line(latest_of(bench, vout=9.0), bench, "finished").sentence


@pytest.mark.parametrize("state", ["recording", "finished", "gone"])
@pytest.mark.parametrize("finding", WORST_FIRST)
def test_it_never_calls_anything_safe(bench, finding, state):
    for latest in (latest_of(bench, finding[3], **finding[2]), latest_of(bench), {}):
        seen = status_line(latest, bench, state)
        assert "safe" not in seen.sentence.lower()
        assert len(seen.sign) == 1
        assert seen.sentence.isprintable()


@pytest.mark.parametrize("state", ["recording", "finished", "gone"])
@pytest.mark.parametrize("flags", [{}, {"case": {Flag.TRIPPED}}])
def test_a_switch_that_failed_is_worse_than_anything_else(bench, state, flags):
    failed = Event(5.0, "", "switch-off failed", "SWITCH OFF BY HAND: relay has not switched off")
    seen = status_line(latest_of(bench, flags, case=95.0), bench, state, None, failed)
    assert (seen.level, seen.sentence) == (Level.DANGER, failed.message)


LOOK = "relay is commanded: off; no channel shows whether the power is gone, so look"


@pytest.mark.parametrize(
    ("kind", "message", "lead"),
    [
        ("switching off", "x", "Switching off"),
        ("switched off", "x", "Switched off"),
        ("switched off", LOOK, "Commanded to switch off, look whether it is"),
        ("power is back", "x", "Switch off now, the power is back"),
    ],
)
def test_a_trip_says_how_its_switching_off_stands_and_stays_a_danger(bench, kind, message, lead):
    stated = Event(5.0, "", kind, message, EventDetails(seen_off=message != LOOK))
    seen = status_line(latest_of(bench, {"case": {Flag.TRIPPED}}, case=95.0), bench, switching=stated)
    assert seen.level is Level.DANGER
    assert seen.sentence == f"{lead}: case is at 95.0 °C, above its limit of 90.0 °C"


def test_a_switching_off_without_a_trip_is_reported_as_far_as_it_is_known(bench, channel):
    """What is low then is so because the power is gone; and that it is gone is said only where it was seen."""
    low = channel(name="vlow", quantity="output.voltage.mean", accuracy="20 mV", warn_below="10 V")
    bench = SimpleNamespace(channel=(*bench.channel, low))
    latest = latest_of(bench, {"vlow": {Flag.HOT}}, vout=0.01, vlow=0.01)
    assert status_line(latest, bench).sentence.startswith(
        "Get ready to switch off: vlow is at 10.00 mV, below its warning"
    )

    def stated(kind, message, latest=latest):
        seen = status_line(
            latest, bench, switching=Event(5.0, "", kind, message, EventDetails(seen_off=message != LOOK))
        )
        return seen.level, seen.sentence

    assert stated("switching off", "by hand") == (Level.CAUTION, "Switching off, not seen to be off yet: by hand")
    assert stated("switched off", LOOK) == (Level.CAUTION, f"Commanded to switch off, not seen to be off: {LOOK}")
    fell = "current fell from 756.0 mA to 0.2 mA"
    charge = "; charge may remain: measure before you touch"
    assert stated("switched off", fell) == (Level.WAITING, f"Switched off: {fell}{charge}")
    still = latest | latest_of(bench, {"case": {Flag.HOT}}, case=85.0, vout=0.01, vlow=0.01)
    assert stated("switched off", fell, still) == (
        Level.CAUTION,
        "Switched off, yet case is at 85.0 °C, above its warning of 80.0 °C",
    )
    assert stated("power is back", "x") == (Level.CAUTION, status_line(latest, bench).sentence)
    silent = latest_of(bench, {"case": {Flag.STALE}}, case=None)
    assert stated("switched off", fell, silent)[0] is Level.BLIND
    ended = status_line(
        latest, bench, "finished", switching=Event(5.0, "", "switched off", fell, EventDetails(seen_off=True))
    )
    assert ended.sentence == f"Ended, no longer watched. It was switched off: {fell}"


@pytest.fixture
def with_mains(channel):
    """Return a bench of 230 V with meters of mains, current and a voltage that must not be low."""
    meters = (
        channel(name="mains", quantity="mains.voltage.rms", accuracy="0.5 %"),
        channel(name="line", quantity="mains.current.rms", accuracy="1 % + 1 mA"),
        channel(name="vout", quantity="output.voltage.mean", accuracy="20 mV", warn_below="10 V"),
    )
    return SimpleNamespace(channel=meters, step=(), sweep=(), mains=SimpleNamespace(voltage=230.0))


@pytest.mark.parametrize(
    ("line", "vout", "level", "sentence"),
    [
        (0.0002, 0.01, Level.WAITING, "No mains: mains is at 40.00 mV; charge may remain: measure before"),
        (0.0, 17.0, Level.CAUTION, "mains is at 40.00 mV, yet vout is at 17.00 V: stored charge, or the power is on"),
        (0.4, 0.01, Level.CAUTION, "mains is at 40.00 mV, yet line is at 400.0 mA: stored charge, or the power is on"),
    ],
)
def test_without_mains_what_is_low_is_no_warning_and_what_is_not_low_is(with_mains, line, vout, level, sentence):
    values = {"mains": 0.04, "line": line, "vout": vout}
    low = frozenset({Flag.HOT} if vout < 10 else ())
    latest = {
        each.name: judgement_of(each, 1.0, values[each.name], None, low if each.name == "vout" else frozenset())
        for each in with_mains.channel
    }
    seen = status_line(latest, with_mains)
    assert (seen.level, seen.sentence[: len(sentence)]) == (level, sentence)
    latest["mains"] = judgement_of(with_mains.channel[0], 2.0, 229.0, Expected(230.0, 2.0, "V"))
    assert seen.sentence != status_line(latest, with_mains).sentence


def test_a_current_far_above_what_is_expected_asks_for_a_hand_at_the_switch(channel):
    """A short lets the output fall and the currents rise: what may burn comes first, unless its meter is mistaken."""
    meters = (
        channel(name="vout", quantity="output.voltage.mean", accuracy="20 mV"),
        channel(name="line", quantity="mains.current.rms", accuracy="1 %"),
        channel(name="winding", quantity="secondary.current.rms", accuracy="1 %"),
    )
    bench = SimpleNamespace(channel=meters, step=(), sweep=(), mains=SimpleNamespace(voltage=230.0))
    expected = (Expected(22.0, 0.5, "V"), Expected(0.54, 0.03, "A"), Expected(3.1, 0.13, "A"))

    def seen(values, *causes):
        judged = zip(meters, values, expected, strict=True)
        latest = {one.name: judgement_of(one, 1.0, value, wanted) for one, value, wanted in judged}
        return status_line(latest, bench, ahead=Outlooks(1.0, {}, causes)).sentence

    shorted = (0.0, 3.4, 24.0)
    assert seen(shorted) == "Get ready to switch off: winding is at 24.00 A, expected 3.10 ± 0.13 A (and 1 more)"
    assert seen((22.0, 0.7, 4.0)).startswith("Not as expected: winding is at 4.000 A"), "more, and not far too much"
    assert seen((22.0, 0.8, 4.0)).startswith("Not as expected: line is at 800.0 mA"), "the farthest off is named"
    assert seen((22.0, 0.54, -31.0)).startswith("Get ready to switch off: winding is at −31.00 A")
    clamp = Explanation("winding: the clamp's ratio is 10 times too large", 0.99, "x", ("winding",))
    assert seen((22.0, 0.54, 31.0), clamp).startswith("Not as expected: winding is at 31.00 A")
    diode = Explanation("a diode is shorted", 0.99, "x")
    assert seen(shorted, diode).endswith("expected 3.10 ± 0.13 A; likely a diode is shorted (and 1 more)")


VOLTS = {"quantity": "output.voltage.mean", "accuracy": "20 mV"}
LIMITS = {"warn_above": "80 °C", "trip_above": "90 °C"}
EVERY_FINDING = [
    ("tripped", {**LIMITS}, 95.0, {Flag.TRIPPED}, "Switch off now: tripped is at"),
    ("surely", {**LIMITS}, 60.0, set(), "Get ready to switch off: surely will pass"),
    ("warned", {**LIMITS}, 85.0, {Flag.HOT}, "Get ready to switch off: warned is at"),
    (
        "short",
        {"quantity": "mains.current.rms", "accuracy": "1 mA"},
        9.0,
        set(),
        "Get ready to switch off: short is at",
    ),
    ("perhaps", {**LIMITS}, 60.0, set(), "Keep an eye on it: perhaps may pass"),
    ("wrong", VOLTS, 9.0, set(), "Not as expected: wrong is at"),
    ("mains", {"quantity": "mains.voltage.rms", "accuracy": "1 V"}, 0.2, set(), "No mains: mains is at"),
    ("guard", {**LIMITS}, None, {Flag.STALE}, "Not watched: guard"),
    ("over", VOLTS, math.inf, {Flag.OVERRANGE}, "over shows over range"),
    ("odd", VOLTS, 22.0, {Flag.IMPLAUSIBLE}, "Contradicts other readings: odd"),
    ("drift", VOLTS, 22.0, {Flag.DRIFTING}, "Drifting: drift"),
    ("silent", VOLTS, None, {Flag.STALE}, "silent gives no reading"),
    ("edge", VOLTS, 22.6, set(), "Questionable: edge is at"),
]
"""Every finding at a channel of its own, the worst first, and how the first line begins where it decides."""


@pytest.mark.parametrize("worse", range(len(EVERY_FINDING)))
def test_of_every_pair_the_first_line_names_the_worse_and_never_forgets_a_silent_guard(channel, worse):
    for lesser in range(worse, len(EVERY_FINDING)):
        both = [EVERY_FINDING[lesser], EVERY_FINDING[worse]]
        channels = {name: channel(name=name, **keys) for name, keys, *_ in both}
        bench = SimpleNamespace(
            channel=tuple(channels.values()), mains=SimpleNamespace(voltage=230.0), step=(), sweep=(), switch_off=None
        )
        latest = {}
        for name, _, value, flags, _ in both:
            unit = channels[name].unit
            expected = {"V": GOOD, "A": Expected(0.75, 0.1, "A")}.get(unit) if name != "mains" else None
            latest[name] = judgement_of(channels[name], 1.0, value, expected, frozenset(flags))
        forecasts = {
            "surely": Forecast("surely", 1.0, "rising", 0.1, 120.0, 5.0, 200.0, 150.0, 300.0),
            "perhaps": Forecast("perhaps", 1.0, "rising", 0.1, 92.0, 5.0, 200.0, 150.0, math.inf),
        }
        seen = status_line(latest, bench, "recording", Outlooks(1.0, forecasts))
        begins = both[1][4]
        if both[1][0] == "mains" and latest[both[0][0]].value in (22.0, 22.6):
            begins = "mains is at 200.0 mV, yet"  # the output speaks for power
        assert seen.sentence.startswith(begins), (both[0][0], both[1][0])
        if "guard" in latest and worse > 0:
            assert "Not watched: guard" in seen.sentence


def levels_of(bench, values, name="vout"):
    """Return the level after each of `values` of one channel, the others as expected."""
    watch, found = StatusWatch(bench), []
    for judgement in latest_of(bench).values():
        watch.judgement(judgement)
    channel = next(one for one in bench.channel if one.name == name)
    for time, value in enumerate(values):
        watch.judgement(judgement_of(channel, float(time), value, GOOD))
        found.append(watch.at(float(time)).level)
    return found


def changes(found):
    return sum(one is not other for one, other in pairwise(found))


def test_one_last_digit_of_a_display_is_no_other_status(bench):
    edge = 22.0 + math.hypot(0.5, 0.02)
    assert changes(levels_of(bench, [edge + 0.02 * (-1) ** at for at in range(200)])) <= 1


def test_a_single_reading_that_is_clearly_wrong_changes_the_status_at_once_and_back(bench):
    assert levels_of(bench, [23.5, 22.1]) == [Level.CAUTION, Level.AS_EXPECTED]


def test_a_reading_that_agrees_for_long_ends_a_doubt(bench):
    assert levels_of(bench, [22.6, *[22.45] * 20])[-1] is Level.AS_EXPECTED


def test_a_load_that_is_not_released_is_a_danger_until_it_is(bench):
    watch = StatusWatch(bench)
    for judgement in latest_of(bench).values():
        watch.judgement(judgement)
    stuck = "TAKE THE LOAD OFF BY HAND: load has not released it"
    watch.events([Event(1.0, "", EventKind.LOAD_NOT_RELEASED, stuck)])
    for state in ("recording", "finished"):
        seen = watch.at(1.0, state)
        assert seen.level is Level.DANGER
        assert shown(seen, bench).sentence == "Take the load off by hand: its instrument has not released it"
        assert [alarm.kind for alarm in seen.alarms] == [AlarmKind.LOAD_NOT_RELEASED]
    watch.events([Event(2.0, "", EventKind.LOAD_RELEASED, "load released the load")])
    assert watch.at(2.0).level is Level.AS_EXPECTED
    assert not watch.at(2.0).alarms
