"""Clocks that jump and machines that sleep are reported; a power cycle is known by how warm it leaves the parts."""

import math
from itertools import pairwise

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from benchmon.recorder import recording
from benchmon.recorder.heartbeat import Clocks, ClockWatch
from benchmon.session.follower import open_session_view
from benchmon.session.records import Anchor
from benchmon.watch.conditions import PowerSwitchings
from benchmon.watch.records import Event
from support.live_recordings import record_until

START = Clocks(100.0, 1.7e9, 5000.0)


def after(clocks, monotonic, wall=0.0, asleep=0.0):
    """The clocks a little later: seconds of the monotonic one, a jump of the wall clock, and sleep."""
    passed = monotonic + asleep
    return Clocks(clocks.monotonic + monotonic, clocks.wall + passed + wall, clocks.with_sleep + passed)


def noticed(*steps):
    watch, clocks, found = ClockWatch(100.0, START), START, []
    for step in steps:
        clocks = after(clocks, *step)
        found += watch.look(clocks)
    return [one for one in found if isinstance(one, Event)], [one for one in found if isinstance(one, Anchor)]


def test_steady_clocks_are_anchored_once_a_minute_and_otherwise_silent():
    events, anchors = noticed(*[(0.25, 0.0001)] * 1000)
    assert events == []
    assert [round(anchor.time) for anchor in anchors] == [60, 120, 180, 240]
    assert all(anchor.jump == 0.0 for anchor in anchors)
    assert anchors[-1].wall - 1.7e9 == pytest.approx(240, abs=0.2)


@pytest.mark.parametrize(
    ("step", "kind", "words", "jump"),
    [
        ((0.25, 3600.0), "clock", "the wall clock was set ahead by 1 h", 3600),
        ((0.25, -90.0), "clock", "the wall clock was set back by 1 min 30 s", -90),
        ((0.25, 0.0, 7500.0), "gap", "the machine slept for 2 h 05 min", 7500),
        ((8.0,), "gap", "the recorder stood still for 8.0 s", 0),
    ],
)
def test_what_happens_to_the_clocks_is_reported_and_anchored(step, kind, words, jump):
    [event], [anchor] = noticed((0.25,), step, (0.25,))
    assert (event.kind, event.message.startswith(words)) == (kind, True), event
    assert anchor.jump == pytest.approx(jump, abs=1e-6)
    assert anchor.time == pytest.approx(0.25 + step[0])


def test_a_sleep_with_a_clock_set_meanwhile_is_two_things():
    events, [anchor] = noticed((0.25, -30.0, 600.0))
    assert [event.kind for event in events] == ["gap", "clock"]
    assert anchor.jump == pytest.approx(570.0)


def test_a_wall_clock_that_jumps_while_recording_is_in_the_session(tmp_path, bench, monkeypatch):
    shown = []

    def read():
        shown.append(None)
        real = Clocks.now()
        return Clocks(real.monotonic, real.wall + (7200 if len(shown) > 3 else 0), real.with_sleep)

    class Jumping:
        now = staticmethod(read)

    monkeypatch.setattr(recording, "Clocks", Jumping)
    record_until(bench, tmp_path / "a.benchmon", lambda live: "clock" in live.kinds and live.latest(3))
    update = open_session_view(tmp_path / "a.benchmon").poll()
    [event] = [event for event in update.events if event.kind == "clock"]
    assert "set ahead by 2 h" in event.message
    times = [judgement.time for judgement in update.judgements]
    assert max(later - former for former, later in pairwise(times)) < 60


def switched(*changes):
    """Power that is on or off from each time on, read five times a second."""
    power, end = PowerSwitchings(23.0, None), changes[-1][0]
    for step in range(int(5 * end) + 1):
        time = step / 5
        volts = [volts for since, volts in changes if since <= time]
        power.observe(time, volts[-1] if volts else 0.0)
    return power


def test_power_that_comes_again_starts_again():
    power = switched((10, 230), (50, 0), (80, 230), (100, 230))
    assert power.on_since == 80
    assert switched((10, 230), (50, 0), (60, 0)).on_since is None


def test_a_glitch_of_the_meter_is_no_power_cycle():
    assert switched((10, 230), (50, 0), (51, 230), (100, 230)).on_since == 10


def test_a_short_break_leaves_parts_warm_and_a_long_one_cold():
    short = switched((0, 230), (1000, 0), (1010, 230), (1020, 230))
    assert 500 < short.warm_for(1010, 300.0) < 1000
    assert short.warm_for(1010, 0.5) < 1e-6
    assert switched((0, 230), (1000, 0), (9000, 230), (9010, 230)).warm_for(9010, 300.0) == pytest.approx(10, abs=1)


@given(time=st.floats(0, 1e4), constant=st.floats(1.0, 1e4))
@example(time=4003.0, constant=108.0)
def test_one_power_on_is_as_warm_as_it_has_been_on(time, constant):
    power = PowerSwitchings(23.0, 0.0)
    found = power.warm_for(time, constant)
    assert found == math.inf or found == pytest.approx(time, rel=1e-9, abs=1e-6)
    assert found != math.inf or time > 700 * constant
