"""A recording, its export assessed, and the session judged again by the same bench: one rule, so the same answers."""

import math

import pytest

from benchmon.bench import read_bench
from benchmon.event_kinds import EventKind
from benchmon.report.export import export
from benchmon.report.logged_readings import read_readings
from benchmon.report.reevaluate import assess
from benchmon.report.reevaluated_session import ReevaluatedReadings
from benchmon.report.session_reader import RecordedSession
from benchmon.session.follower import open_session_view
from benchmon.watch.records import Flag, Verdict
from benchmon.watch.verdict import verdict_of
from support.live_recordings import live_recording

WARM_DIODE = '[diode]\nthermal_resistance = "20 K/W"\nthermal_time_constant = "60 s"\n'


class Supply:
    """What the meter sends: the mains rises by 1 %; the output falls to a third and the case gets hot on command."""

    def __init__(self):
        self.output, self.case = 16.34, 30.0

    def line(self, number):
        volts = 230.0 + 2.3 * min(1.0, number / 100)
        return f"m {volts:.2f} v {self.output * volts / 230.0:.4f} t {self.case}"


@pytest.fixture
def recording(tmp_path, bench_text, meter):
    """Return a bench, the path of a session of it, its file exported, and what a follower of the session sees."""
    supply = Supply()
    meter.line = supply.line
    # On a busy machine a meter may be silent for a quarter of a second: that is no silence here.
    bench = read_bench(bench_text.replace("[diode]\n", WARM_DIODE).replace("50 ms", "300 ms"))
    path, log = tmp_path / "a.benchmon", tmp_path / "a.csv"
    with live_recording(bench, path) as live:
        live.until(lambda seen: seen.latest(8) and seen.all_are(Verdict.AGREES))
        supply.output = 5.4
        live.until(lambda seen: "disagrees" in seen.kinds)
        live.read(6)
        supply.case = 84.0
        live.until(lambda seen: "hot" in seen.kinds)
        live.read(12)
    export(RecordedSession(path), log)
    return bench, path, log, open_session_view(path).poll()


def watched(events):
    """Return kind, channel and time of what the watch made of the readings; causes are compared for themselves."""
    left_out = frozenset(kind for kind in EventKind if kind.traits.kept or kind is EventKind.CAUSE)
    return sorted((one.kind, one.channel, one.time) for one in events if one.kind not in left_out)


def assert_alike(found, expected):
    """Assert that the same was found, at most two readings apart: a recorder's prediction takes its time."""
    assert [one[:2] for one in found] == [one[:2] for one in expected]
    assert [one[2] for one in found] == [pytest.approx(one[2], abs=0.7) for one in expected]


def test_the_recorder_a_log_and_a_session_judged_again_find_the_same(recording):
    bench, path, log, then = recording
    again_view, found = (
        ReevaluatedReadings(path, bench),
        assess(bench, read_readings(log, [one.name for one in bench.channel])),
    )
    causes = again_view.explanations()
    judged = again_view.judgements(0, again_view.count_until(math.inf))
    for channel in bench.channel:
        recorded, again = ([one for one in shown if one.channel == channel.name] for shown in (then.judgements, judged))
        # Until the first prediction is there a recorder expects nothing. A silence is judged at no reading's time.
        at = {one.time: one for one in again}
        pairs = [(one, at[one.time]) for one in recorded if one.verdict is not Verdict.UNPREDICTED]
        assert len(pairs) > 15
        for one, other in pairs:
            assert one.expected == pytest.approx(other.expected, abs=0.1 * one.expected_uncertainty)
            assert one.verdict is other.verdict or abs(one.en - other.en) < 0.2
            assert one.verdict is verdict_of(one.en)
        last, shown = recorded[-1], found["channels"][channel.name]
        assert (shown["value"], shown["verdict"]) == (last.value, str(last.verdict))
        assert shown["flags"] == sorted(map(str, last.flags))
        assert shown["expected"] == pytest.approx(last.expected, abs=0.1 * last.expected_uncertainty)
        assert (again[-1].verdict, again[-1].flags) == (last.verdict, last.flags)
    assert Flag.HOT in next(one for one in reversed(judged) if one.channel == "case").flags
    events = watched(then.events)
    assert {("disagrees", "vout"), ("hot", "case")} <= {event[:2] for event in events}
    assert_alike(watched(again_view.events), events)
    assert_alike(sorted((one["kind"], one["channel"], one["time_s"]) for one in found["events"]), events)
    assert found["explanations"][0]["cause"] == causes[0].cause
    assert found["explanations"][0]["likelihood"] == pytest.approx(causes[0].likelihood, abs=0.02)
    if then.explanations is not None and then.explanations.ranked:
        assert then.explanations.ranked[0].cause == causes[0].cause
