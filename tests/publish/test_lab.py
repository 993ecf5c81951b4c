"""All benches of a lab: what is shown of them, in which order, and what is not believed."""

import json
import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.publish.broker import read_broker
from benchmon.publish.lab import SILENT_AFTER, Overview, count_in_words, overview_as_text
from benchmon.publish.topics import BenchState, UnitResult, read_state
from benchmon.screen.lab_app import LabApp
from benchmon.watch.status import Level
from support.waiting import until


class Clock:
    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def overview(clock):
    """An overview that hears what a test says."""
    overview = Overview(read_broker("mqtt://127.0.0.1/lab"), clock)
    overview.connected = True
    return overview


def say(overview, name, level=Level.AS_EXPECTED, kept=False, **more):
    seen = {"state": "recording", "title": f"Supply {name}", "host": "bench-pc", "level": str(level)}
    payload = json.dumps(seen | {"sentence": f"{level}: words on {name}", "time": 61.0} | more)
    overview.on_message(f"lab/{name}/state", payload.encode(), kept=kept)


def test_the_worst_is_on_top(overview):
    say(overview, "c", Level.ENDED, state="finished")
    say(overview, "b")
    say(overview, "d", Level.CAUTION)
    say(overview, "a", Level.DANGER, tripped=["load"])
    assert [bench.name for bench in overview.benches()] == ["a", "d", "b", "c"]
    assert count_in_words(overview.benches()) == "4 benches: 1 in danger, 1 to look at, 1 as expected, 1 ended"
    text = overview_as_text(overview.benches())
    assert text.splitlines()[1:3] == ["Supply a on bench-pc: recording", "    danger: words on a"]


def test_units_done_passed_and_failed_today_are_counted_the_latest_test_of_each(overview):
    noon = 1_800_000_000.0
    day = 86_400.0
    for serial, passed, at in (
        ("A-1", True, noon - 2 * day),
        ("A-2", False, noon),
        ("A-2", True, noon + 60.0),
        ("A-3", False, noon),
        ("A/4", True, noon),
    ):
        unit = UnitResult(serial, passed, at, "" if passed else "load tripped")
        overview.on_message(f"lab/bench/{unit.topic}", unit.payload.encode())
    overview.on_message("lab/bench/unit/A-9", b'{"serial": "A-9", "passed": "yes", "at": 1}')
    assert overview.units_today(noon) == (2, 1)
    say(overview, "a")
    text = overview_as_text(overview.benches(), units=overview.units_today(noon))
    assert text.splitlines()[1] == "today 3 units done: 2 passed, 1 failed"
    overview.on_message("lab/bench/unit/A-3", b"")
    assert overview.units_today(noon) == (2, 0), "an empty message clears a topic"


def test_a_bench_that_falls_silent_is_not_believed(overview, clock):
    say(overview, "a")
    say(overview, "b", Level.DANGER, tripped=["load"])
    say(overview, "c", Level.ENDED, state="finished")
    clock.now += SILENT_AFTER + 1
    say(overview, "d")
    levels = {bench.name: (bench.level, bench.is_silent) for bench in overview.benches()}
    assert levels == {
        "a": (Level.BLIND, True),
        "b": (Level.DANGER, True),
        "c": (Level.ENDED, False),
        "d": (Level.AS_EXPECTED, False),
    }
    assert "No message for 6 s" in overview.benches()[1].sentence


def test_what_the_broker_had_kept_must_be_confirmed_soon(overview, clock):
    say(overview, "a", kept=True)
    assert not overview.benches()[0].is_silent
    clock.now += SILENT_AFTER * 0.6
    assert overview.benches()[0].is_silent


def test_a_cleared_topic_forgets_a_bench(overview):
    say(overview, "a")
    overview.on_message("lab/a/state", b"")
    assert overview.benches() == []
    assert count_in_words([]) == "no bench is published here yet"


def test_trouble_of_a_recorder_is_reported(overview):
    say(overview, "a", trouble="the disk is full")
    assert overview.benches()[0].sentence.endswith("(the disk is full)")


HOSTILE = [
    b"",
    b"{",
    b"[1]",
    b"null",
    b'{"state": "on fire", "title": "x", "host": "y"}',
    b'{"state": "recording", "title": 5, "host": "y"}',
    b"[" * 50_000,
    b'{"state": "recording"}' + b" " * 100_000,
    b"\xff\xfe",
]


@pytest.mark.parametrize("payload", HOSTILE)
def test_messages_that_make_no_sense_are_passed_over(overview, payload):
    assert read_state(payload) is None
    overview.on_message("lab/a/state", payload)
    assert overview.benches() == []


@given(
    st.binary(max_size=200)
    | st.recursive(
        st.none() | st.booleans() | st.floats() | st.text(),
        lambda inner: st.dictionaries(st.sampled_from(["state", "title", "host", "tripped", "at", "level"]), inner),
        max_leaves=10,
    ).map(lambda seen: json.dumps(seen).encode())
)
def test_whatever_is_said_is_plain_text_or_nothing(payload):
    state = read_state(payload)
    if state is not None:
        assert (state.title + state.host + state.sentence + "".join(state.tripped)).isprintable() or not state.title
        assert isinstance(state.at, float)


def test_hostile_words_cannot_steer_the_terminal(overview):
    say(overview, "a", title="\x1b[2J[red]Supply", sentence="two\nlines\x07", level="no level", tripped=["\x1b"])
    [bench] = overview.benches()
    assert bench.last.title == "\\x1b[2J[red]Supply"
    assert bench.sentence == "two\\nlines\\x07"
    assert bench.level is Level.BLIND


def test_no_flood_of_benches_fills_the_memory(overview):
    for number in range(3000):
        say(overview, f"bench{number}")
    assert len(overview.benches()) == 2000
    assert "more are NOT shown" in overview_as_text(overview.benches(), overview.left_out).splitlines()[0]
    assert overview.left_out == 1000
    overview.on_message("lab/bench0/state", b"")
    overview.on_message("lab/bench2500/state", b"")
    say(overview, "bench2000")
    assert len(overview.benches()) == 2000
    assert overview.left_out == 998


def test_a_state_survives_the_way():
    state = BenchState("recording", "Supply", "pc", "danger", "Switch off", ("load",), "", 1e9, 2e9, 5.0)
    assert read_state(state.payload.encode()) == state


def shown(app):
    return "\n".join("".join(segment.text for segment in strip) for strip in app.screen._compositor.render_strips())


@pytest.mark.parametrize("size", [(80, 24), (40, 10), (250, 70)])
async def test_the_screen_shows_all_benches_the_worst_first(overview, clock, size):
    for number in range(30):
        say(overview, f"{number:02}")
    say(overview, "hot", Level.DANGER, tripped=["load"], title="Bench by the window [b]bold[/b]")
    app = LabApp(overview)
    async with app.run_test(size=size) as pilot:
        await pilot.pause()
        text = shown(app)
        assert "31 benches: 1 in danger" in text
        assert text.index("words on hot") < text.index("words on 00")
        assert size[0] == 40 or "[b]bold" in text
        assert "q" in text.splitlines()[-1]
        await pilot.press("end")
        assert "words on 29" in shown(app)
        clock.now += 60
        app.look()
        await pilot.pause()
        assert "30 not wa" in shown(app)
        overview.connected = False
        app.look()
        await pilot.pause()
        assert "not reached" in shown(app)
        await pilot.press("q")


async def test_ascii_alone(overview):
    say(overview, "a", Level.DANGER, sentence="Load at 201 °C ± 2 K", title="Prüfstand")
    app = LabApp(overview, ascii_only=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert shown(app).isascii()


async def test_a_hundred_benches_are_all_there(overview):
    app = LabApp(overview)
    async with app.run_test(size=(120, 40)) as pilot:
        for number in range(100):
            say(overview, f"{number:03}")
        app.look()
        await pilot.pause()
        assert "100 benches" in shown(app)
        assert "words on 000" in shown(app)
        await pilot.press("end")
        assert "words on 099" in shown(app)


def test_a_message_of_many_megabytes_is_passed_over_and_not_kept(broker, listen):
    say_it = listen(broker, "lab/+/state")
    good = json.dumps({"state": "recording", "title": "Supply good", "host": "pc"}).encode()
    for name, payload in (("huge", b'{"state": "recording"}' + b" " * 30_000_000), ("good", good)):
        say_it._client.publish(f"lab/{name}/state", payload, retain=True).wait_for_publish(60)
    until(lambda: len(say_it.messages) == 2)
    overview = Overview(read_broker(broker.url))
    tracemalloc.start()
    try:
        overview.start()
        # Messages that are kept come in the order of their topics or any other: one more follows all of them.
        until(overview.benches)
        say_it._client.publish("lab/last/state", good).wait_for_publish(60)
        until(lambda: {bench.name for bench in overview.benches()} == {"good", "last"})
        assert tracemalloc.get_traced_memory()[1] < 5_000_000
    finally:
        tracemalloc.stop()
        overview.stop()
