"""Readings that somebody types in, on their way through the requests of a session into a recording."""

import threading
import time
from contextlib import contextmanager

import pytest

from benchmon.bench import read_bench
from benchmon.cli.main import main
from benchmon.errors import BadInput
from benchmon.recorder import record
from benchmon.session.follower import SessionFollower, enter_reading, open_session_view
from benchmon.session.requests import StopRecording, TypedReading
from benchmon.watch.plan import Action, StepRequest
from benchmon.watch.records import Flag
from support.supplies import supply
from support.waiting import until

DISPLAY = """
[[instrument]]
name = "display"
driver = "hand"
[[channel]]
name = "heatsink, left = hot"
instrument = "display"
quantity = "regulator.temperature.case"
accuracy = "1 K"
period = "{period}"
warn_above = "80 °C"
trip_above = "90 °C"
"""
NAME = "heatsink, left = hot"


@contextmanager
def recording(bench, path):
    """Record in a thread, and give what a screen would follow it by."""
    ready = threading.Event()
    thread = threading.Thread(target=lambda: record(bench, path, on_ready=ready.set))
    thread.start()
    assert ready.wait(60)
    view = open_session_view(path)
    try:
        yield view
    finally:
        view.request(StopRecording())
        thread.join(60)
        view.close()


class Seen:
    """Everything that a view has reported."""

    def __init__(self, view):
        self.view, self.judgements, self.events = view, [], []

    def look(self):
        update = self.view.poll()
        self.judgements += update.judgements
        self.events += update.events
        return update

    def typed(self):
        self.look()
        return [judgement for judgement in self.judgements if judgement.channel == NAME and judgement.value is not None]

    def stale_after(self, moment):
        self.look()
        return [one for one in self.judgements if one.time > moment and one.channel == NAME and Flag.STALE in one.flags]

    def kinds(self):
        self.look()
        return [event.kind for event in self.events]


def bench_with_display(bench_text, period="60 s"):
    return read_bench(bench_text + DISPLAY.format(period=period))


def test_a_typed_reading_is_judged_like_any_other_and_marked(tmp_path, bench_text):
    with recording(bench_with_display(bench_text), tmp_path / "a.benchmon") as view:
        seen = Seen(view)
        until(lambda: seen.look().now > 0.5)
        view.request(TypedReading(NAME, "95,5 °C", 0.25))
        [judgement] = until(seen.typed)
        assert (judgement.value, judgement.time) == (95.5, 0.25)
        assert judgement.flags == {Flag.HOT, Flag.TRIPPED}
        [typed] = [event for event in seen.events if event.kind == "typed"]
        assert (typed.time, typed.channel) == (0.25, NAME)
        assert typed.message == f"{NAME}: 95,5 °C, typed in by hand"
        assert until(lambda: "tripped" in seen.kinds())


def test_it_turns_stale_by_its_own_period(tmp_path, bench_text):
    with recording(bench_with_display(bench_text, "0.2 s"), tmp_path / "a.benchmon") as view:
        seen = Seen(view)
        view.request(TypedReading(NAME, "40 °C"))
        [typed] = until(seen.typed)
        until(lambda: seen.stale_after(typed.time))
        assert seen.stale_after(typed.time)[0].time - typed.time < 1.5
        lost = until(lambda: "lost" in seen.kinds() and [event for event in seen.events if event.kind == "lost"])
        assert "type in what its display shows" in lost[0].message


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        (TypedReading(NAME, "40"), "has no unit"),
        (TypedReading(NAME, "40 V"), "is not a temperature"),
        (TypedReading("vout", "15 V"), "is read automatically"),
        (TypedReading("nothing", "15 V"), "nothing is not a channel of this bench"),
        (TypedReading("\x1b[2J", "4 V"), "is not a channel of this bench"),
        (TypedReading("x" * 5000, "4 V" * 5000), "is not a channel of this bench"),
    ],
)
def test_what_cannot_be_taken_is_refused_in_words(tmp_path, bench_text, typed, says):
    with recording(bench_with_display(bench_text), tmp_path / "a.benchmon") as view:
        seen = Seen(view)
        view.request(typed)
        until(lambda: "refused" in seen.kinds())
        [refused] = [event for event in seen.events if event.kind == "refused"]
        assert says in refused.message
        assert refused.message.isprintable()
        assert seen.typed() == []


def test_a_time_ahead_of_the_recorder_s_is_now(tmp_path, bench_text):
    with recording(bench_with_display(bench_text), tmp_path / "a.benchmon") as view:
        seen = Seen(view)
        view.request(TypedReading(NAME, "40 °C", 5000.0))
        [judgement] = until(seen.typed)
        assert judgement.time <= seen.look().now + 0.5


def test_what_was_seen_long_ago_is_refused():
    from benchmon.recorder.operator_requests import enter_manual  # noqa: PLC0415  an hour would be too long to wait for

    event = enter_manual(None, TypedReading("x", "1 V", 10.0), time.monotonic(), 700.0)
    assert event.kind == "refused"
    assert "was seen 690 s ago" in event.message


def test_a_reading_is_typed_in_on_the_command_line_too(tmp_path, bench_text, capsys):
    path = tmp_path / "a.benchmon"
    with recording(bench_with_display(bench_text), path) as view:
        seen = Seen(view)
        with pytest.raises(SystemExit) as left:
            main(["enter", NAME, "-5,5 °C", "--session", str(path)])
        assert (left.value.code, capsys.readouterr().out) == (0, f"{NAME}: -5,5 °C, typed in by hand\n")
        assert until(seen.typed)[0].value == -5.5
        with pytest.raises(SystemExit) as left:
            main(["enter", NAME, "41", "--session", str(path)])
        assert left.value.code == 2
        assert "has no unit" in capsys.readouterr().err
    with pytest.raises(SystemExit) as left:
        main(["enter", NAME, "41 °C", "--session", str(path)])
    assert left.value.code == 2


def test_an_answer_to_another_operator_is_not_taken_for_one_s_own(tmp_path, bench_text, monkeypatch):
    path = tmp_path / "a.benchmon"
    with recording(bench_with_display(bench_text), path) as view:
        ask = SessionFollower.request

        def ask_after_another(follower, request):
            ask(follower, TypedReading(NAME, "1 °C"))
            return ask(follower, request)

        monkeypatch.setattr(SessionFollower, "request", ask_after_another)
        assert enter_reading(path, NAME, "2 °C") == f"{NAME}: 2 °C, typed in by hand"
        with pytest.raises(BadInput, match="has no unit"):
            enter_reading(path, NAME, "3")
        monkeypatch.undo()
        assert view.live


PLANNED = """
[[step]]
name = "before power"
record = [{ name = "insulation", unit = "MΩ", at_least = "2 MΩ" }]
zero = ["out"]
[[step]]
name = "on"
"""


def test_a_plan_is_moved_on_the_command_line_where_there_is_no_screen(tmp_path, bench_text, capsys):
    path = tmp_path / "a.benchmon"

    def plan(*words):
        with pytest.raises(SystemExit) as left:
            main(["plan", *words, "--session", str(path)])
        found = capsys.readouterr()
        return left.value.code, found.out + found.err

    text = bench_with_display(bench_text).source.replace(NAME, "out") + PLANNED
    with recording(read_bench(text), path) as view:
        assert plan("go-on")[0] == 2
        assert plan("begin") == (0, "step begun: 1 of 2: before power\n")
        code, shown = plan()
        assert code == 0
        assert "record: insulation, at least 2 MΩ" in shown
        assert "short the leads of out" in shown
        assert "lacking: insulation is to be recorded" in shown
        assert max(map(len, shown.splitlines())) <= 80
        assert plan("record", "insulation", "1.2") == (1, "1 of 2: insulation 1.2 MΩ, at least 2 MΩ: not met\n")
        assert plan("record", "insulation")[0] == 2
        assert plan("record", "insulation", "--reason", "class III")[0] == 0
        assert "out gives no reading" in plan("go-on")[1]
        enter_reading(path, "out", "0.2 °C")
        assert plan("skip", "no time") == (0, "step skipped: 1 of 2: before power: no time\nstep begun: 2 of 2: on\n")
        assert plan("go-on", "hum", "gone")[1] == "step done: 2 of 2: on: hum gone\n"
        assert "plan finished" in plan()[1]
        assert view.live


def test_without_a_mains_meter_a_reading_is_judged_at_the_mains_of_its_step_however_early_it_is_typed(tmp_path):
    display = DISPLAY.format(period="60 s").partition("warn_above")[0].replace("1 K", "1 %")
    display = display.replace("regulator.temperature.case", "output.voltage.mean")
    step = '[[step]]\nname = "a tenth"\nmains = "23 V"\nload = "open"\n'
    bench = read_bench(supply(mains={"tolerance": "6 %"}) + display + step)
    with recording(bench, tmp_path / "a.benchmon") as view:
        seen = Seen(view)
        until(lambda: seen.look().now > 0.1)
        view.request(StepRequest(Action.BEGIN, 1))
        view.request(TypedReading(NAME, "2.3 V"))
        [judgement] = until(seen.typed)
        # At the full mains it is 16 V.
        assert 1.0 < judgement.expected < 2.0
        # The tolerance of the mains is that of a variable transformer's scale, too.
        assert judgement.expected_uncertainty > 0.06 * judgement.expected
