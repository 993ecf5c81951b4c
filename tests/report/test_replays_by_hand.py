"""Replays that are frozen, stepped, taken to events, and judged by another bench."""

import pytest
from click.testing import CliRunner

from benchmon.bench import read_bench
from benchmon.cli.main import commands
from benchmon.errors import BadInput, RecorderError
from benchmon.report.reevaluate import Reevaluation
from benchmon.report.reevaluated_session import ReevaluatedReadings, ReevaluatedView, summarise, summary_as_text
from benchmon.report.session_reader import RecordedSession
from benchmon.screen.replay_app import ReplayApp
from benchmon.screen.widgets.key_bar import KeyBar
from benchmon.session.records import RecorderState
from benchmon.session.replay import Player, ReplayView
from benchmon.session.requests import StopRecording
from benchmon.watch.records import Event, Explanation, Explanations, Flag, Judgement, Verdict
from benchmon.watch.status import StatusFinding, StatusWatch
from support.session_view import lines_of


class Clock:
    def __init__(self):
        self.now = 100.0

    def __call__(self):
        return self.now


@pytest.fixture
def events():
    return [Event(10.0, "", "note", "ten"), Event(20.0, "", "note", "twenty"), Event(25.0, "output", "hot", "warm")]


@pytest.fixture
def play(write_session, events):
    """Return a player of a session with events at 0, 10, 20 and 25 s, and its clock."""
    clock = Clock()
    return Player(write_session(more=events), clock=clock), clock


def messages(update):
    return [event.message for event in update.events]


def test_a_frozen_play_stands_still_and_goes_on(play):
    player, clock = play
    player.poll()
    clock.now += 5
    assert player.poll().now == 5.0
    player.freeze()
    clock.now += 100
    update = player.poll()
    assert (update.now, update.judgements) == (5.0, ())
    assert (player.frozen, player.position) == (True, 5.0)
    player.freeze()
    clock.now += 1
    assert player.poll().now == 6.0


def test_the_pace_doubles_and_halves_within_bounds(play):
    player, clock = play
    player.poll()
    player.faster()
    clock.now += 2
    assert player.poll().now == 4.0
    player.slower()
    player.slower()
    clock.now += 2
    assert player.poll().now == 5.0
    for _ in range(30):
        player.faster()
    assert player.speed == 1000
    for _ in range(60):
        player.slower()
    assert player.speed == 0.01


def test_a_step_takes_the_next_reading_and_freezes(play):
    player, clock = play
    player.poll()
    clock.now += 3.2
    player.poll()
    assert player.step()
    update = player.poll()
    assert update.now == 3.5
    assert {judgement.time for judgement in update.judgements} == {3.5}
    assert player.frozen
    clock.now += 60
    assert player.poll().judgements == ()


def test_steps_end_at_the_last_reading(play):
    player, _ = play
    player.jump(29.4)
    player.poll()
    assert player.step()
    assert not player.step()


def test_going_to_events_and_back(play):
    player, _ = play
    player.poll()
    assert player.to_event(1)
    assert player.consume_restart()
    update = player.poll()
    assert update.now == 10.0
    assert messages(update) == ["recording started", "ten"]
    assert not player.consume_restart()
    assert player.to_event(1)
    assert player.poll().now == 20.0
    assert player.to_event(-1)
    assert player.poll().now == 10.0
    assert player.to_event(-1)
    assert player.poll().now == 0.0
    assert not player.to_event(-1)
    assert player.frozen


def test_while_it_plays_the_event_just_passed_is_not_gone_back_to(play):
    player, clock = play
    player.jump(20.3)
    player.poll()
    clock.now += 0.1
    player.poll()
    assert player.to_event(-1)
    assert player.position == 10.0


def test_there_is_nothing_after_the_last_event(play):
    player, _ = play
    player.jump(26.0)
    assert not player.to_event(1)


def test_after_a_jump_a_view_learns_all_it_needs(write_session, events):
    """Of a long session the readings of the last minutes before the place, and the last of every channel before."""
    player = Player(write_session(seconds=1000, rate=1.0, more=events), clock=Clock())
    player.jump(900.0)
    update = player.poll()
    assert update.now == 900.0
    times = [judgement.time for judgement in update.judgements if judgement.channel == "output"]
    assert times[-1] == 900.0
    assert times == sorted(times)
    assert 560 < times[1] < 575
    assert {judgement.channel for judgement in update.judgements} == {one.name for one in player.info.bench.channel}
    assert len(messages(update)) == 4
    assert all(judgement.expected is not None for judgement in update.judgements if judgement.channel == "output")


def test_the_end_is_reached(play):
    player, clock = play
    player.poll()
    clock.now += 1000
    assert player.poll().state is RecorderState.FINISHED
    with pytest.raises(RecorderError):
        player.request(StopRecording())
    player.close()


def test_an_absurd_speed_is_refused(write_session):
    with pytest.raises(BadInput, match="speed"):
        Player(write_session(), 0.0)


def other_bench(bench, **changes):
    text = bench.source
    for before, after in changes.values():
        assert before in text
        text = text.replace(before, after)
    return read_bench(text)


def seen(view):
    """Return all judgements and events of a view that is played to its end."""
    judgements, events = [], []
    while True:
        update = view.poll()
        judgements += update.judgements
        events += update.events
        assert (update.explanations, update.forecasts) == (None, ())
        if update.state is not RecorderState.RECORDING:
            return judgements, events


class TestWhatIf:
    def test_the_same_bench_judges_alike(self, write_session, benches):
        more = [Explanations(3.0, (Explanation("x", 1.0, "y"),)), Event(4.0, "", "note", "kept")]
        path = write_session(more=more, spoil={"reservoir.voltage.ripple": 1.8})
        clock = Clock()
        view = ReevaluatedView(ReplayView(path, 1e6, clock), benches["reservoir"])
        view.poll()
        clock.now += 1
        judgements, events = seen(view)
        ripple = [one for one in judgements if one.channel == "ripple"]
        assert len(judgements) >= 12 * 59
        assert {one.verdict for one in ripple[2:]} == {Verdict.DISAGREES}
        assert {one.verdict for one in judgements if one.channel == "output"} == {Verdict.AGREES}
        assert [event.message for event in events if event.kind == "note"] == ["kept"]

    def test_a_lower_limit_would_have_tripped(self, write_session, benches):
        bench = other_bench(
            benches["reservoir"],
            limit=('trip_above = "105 °C"', 'trip_above = "50 °C"'),
            warning=('warn_above = "80 °C"', 'warn_above = "40 °C"'),
        )
        then, now = summarise(path := write_session()), summarise(path, bench)
        assert Flag.TRIPPED not in then.channels["diode case"].flags
        assert Flag.TRIPPED in now.channels["diode case"].flags
        text = summary_as_text(then, now)
        said, _, kept = text.partition("Events of the recording only:")
        assert "tripped; switch off" in said
        assert "nothing" in kept

    def test_wider_tolerances_would_have_agreed(self, write_session, benches):
        bench = other_bench(benches["reservoir"], accuracy=('accuracy = "2 % + 20 mV"', 'accuracy = "90 %"'))
        path = write_session(spoil={"reservoir.voltage.ripple": 1.8})
        then, now = summarise(path), summarise(path, bench)
        assert then.channels["ripple"].verdicts[Verdict.DISAGREES] == 60
        assert now.channels["ripple"].verdicts[Verdict.AGREES] >= 58
        assert "disagrees" in summary_as_text(then, now).partition("Events of the recording only:")[2]

    def test_another_part_changes_what_is_expected(self, write_session, benches):
        bench = other_bench(benches["reservoir"], reservoir=('capacitance = "10 mF"', 'capacitance = "3.3 mF"'))
        now = summarise(write_session(), bench)
        assert now.channels["ripple"].verdicts[Verdict.DISAGREES] >= 58
        assert now.channels["mains voltage"].verdicts[Verdict.AGREES] >= 58

    def test_without_mains_nothing_is_expected(self, write_session, benches):
        now = summarise(write_session(off_at=15.0), benches["reservoir"])
        assert now.channels["output"].verdicts[Verdict.UNPREDICTED] >= 25
        assert now.channels["output"].verdicts[Verdict.AGREES] >= 28

    def test_a_switching_off_happened_whatever_the_bench(self, write_session, benches):
        done = [
            Event(14.8, "", "switching off", "relay was commanded to switch off: diode case past its limit"),
            Event(
                15.4, "", "switched off", "mains voltage fell from 230.0 V to 0.1 V, 0.60 s after the command to relay"
            ),
        ]
        path = write_session(off_at=15.0, more=done)
        then, now = summarise(path), summarise(path, benches["reservoir"])
        for seen in (then, now):
            assert [event for event in seen.events if event.kind in ("switching off", "switched off")] == done
        assert "switch" not in summary_as_text(then, now).partition("Events of the recording only:")[2]
        assert "fell from 230.0 V" in summary_as_text(then)
        clock = Clock()
        view = ReevaluatedView(ReplayView(path, 1.0, clock), benches["reservoir"])
        status = StatusWatch(benches["reservoir"])
        for clock.now in (100.0, 129.0):
            update = view.poll()
            for judgement in update.judgements:
                status.judgement(judgement)
            status.events(update.events)
        assert status.at(update.now).finding is StatusFinding.SWITCHED

    def test_a_silence_is_one_unless_the_period_is_longer(self, write_session, benches, silent):
        def values(channel, now, value):
            return silent if channel.name == "output" and 5 <= now < 9 else value

        said = "output has given no usable reading for 1.5 s, due every 0.25 s: stale"
        more = [
            Judgement("output", 6.0, None, None, None, None, None, Verdict.UNPREDICTED, frozenset({Flag.STALE})),
            Event(6.0, "output", "stale", said),
            Event(7.0, "output", "cause", "a loose lead"),
            Event(9.0, "output", "cleared", "output reads again"),
        ]
        path = write_session(values=values, more=more)
        then, now = summarise(path), summarise(path, benches["reservoir"])
        assert [event.message for event in now.events if event.kind == "stale"] == [said]
        text = summary_as_text(then, now)
        assert text.count("  nothing\n") == 2
        assert "nothing needs explaining" in text.partition("Likely causes, by the end of the powered time")[2]
        slower = summarise(path, other_bench(benches["reservoir"], period=('period = "0.25 s"', 'period = "5 s"')))
        assert "stale" not in {event.kind for event in slower.events}

    def test_channels_are_known_by_their_names(self, write_session, benches):
        bench = other_bench(
            benches["reservoir"],
            name=('name = "ripple"', 'name = "hum"'),
            needs=('"output", "ripple", "mains power"', '"output", "mains power"'),
        )
        now = summarise(write_session(), bench)
        assert now.channels["hum"].verdicts.total() == 0
        assert "ripple" not in now.channels

    def test_a_bench_of_other_channels_is_refused(self, write_session, benches):
        text = benches["reservoir"].source.partition("# ---- The plan")[0]
        names = [channel.name for channel in benches["reservoir"].channel]
        for place, name in enumerate(names):
            text = text.replace(f'name = "{name}"', f'name = "other {place}"')
        with pytest.raises(BadInput, match="no channel of this session"):
            summarise(write_session(), read_bench(text))

    def test_a_channel_in_another_unit_is_refused(self, write_session, benches):
        bench = other_bench(
            benches["reservoir"],
            quantity=('quantity = "reservoir.voltage.ripple"', 'quantity = "output.current.rms"'),
            accuracy=('accuracy = "2 % + 20 mV"', 'accuracy = "2 %"'),
        )
        with pytest.raises(BadInput, match="another unit"):
            summarise(write_session(), bench)


class TestCommand:
    def run(self, *arguments):
        return CliRunner().invoke(commands, ["replay", *map(str, arguments)], standalone_mode=False)

    def test_what_was_said_without_a_screen(self, write_session):
        done = self.run(write_session(spoil={"reservoir.voltage.ripple": 1.8}), "--headless")
        assert done.return_value == 0
        assert "0 of 60" in done.output
        assert "disagrees" in done.output

    def test_both_then_and_now(self, write_session, benches, tmp_path):
        (tmp_path / "other.toml").write_text(benches["reservoir"].source, encoding="utf-8")
        done = self.run(write_session(), "--bench", tmp_path / "other.toml", "--headless")
        assert "would agree" in done.output

    def test_a_screen_needs_a_terminal(self, write_session):
        assert "--headless" in str(self.run(write_session()).exception)

    def test_bad_input(self, tmp_path):
        for arguments in (["none.benchmon"], [tmp_path], ["x", "--bench", "none.toml"]):
            assert isinstance(self.run(*arguments, "--headless").exception, BadInput)


async def gone(app, pilot):
    """Wait until the play is where it was sent: it goes there beside the screen."""
    for _ in range(500):
        app.follow()
        if app.job is None:
            return
        await pilot.pause(0.02)
    raise AssertionError(f"it never came: {app.job.in_words}")


async def test_the_keys_of_the_screen(write_session, events):
    clock = Clock()
    app = ReplayApp(Player(write_session(more=events), clock=clock), ascii_only=True)
    async with app.run_test(size=(100, 40)) as pilot:
        await pilot.press("f")
        assert app._player.frozen
        await pilot.press("right_square_bracket")
        await gone(app, pilot)
        assert app.state.now == 10.0
        assert app.state.events_seen == 2
        await pilot.press("right_square_bracket")
        await gone(app, pilot)
        assert app.state.events_seen == 3
        await pilot.press("left_square_bracket")
        await gone(app, pilot)
        # The picture has begun afresh: it does not know what has not happened yet.
        assert (app.state.now, app.state.events_seen) == (10.0, 2)
        await pilot.press("full_stop")
        assert app.state.now == 10.5
        await pilot.press("greater_than_sign", "f")
        clock.now += 1
        app.follow()
        assert app.state.now == 12.5
        await pilot.press("less_than_sign")
        assert app._player.speed == 1.0
        keys = app.screen.query_one(KeyBar)
        said = "".join(cell.text for cell in keys.lines[0])
        assert said.startswith("f Freeze . Step ] [ Events > < Pace p Plan")
        assert "OFF" not in said
        await pilot.click(keys, offset=(1, 0))
        assert app._player.frozen
        await pilot.press("q")


KEYS_OF_A_REPLAY = (
    *("f", "right_square_bracket", "right_square_bracket", "left_square_bracket", "full_stop", "full_stop"),
    *("greater_than_sign", "f", "f", "less_than_sign", "right_square_bracket", "left_square_bracket"),
    *("left_square_bracket", "full_stop", "right_square_bracket"),
)


# Rows, header, details and events are in the first two; the others take as long again.
@pytest.mark.parametrize(
    "opener",
    [[], ["enter"], *(pytest.param([key], marks=pytest.mark.long) for key in "bep")],
    ids=["rows", "details", "digits", "events", "plan"],
)
async def test_every_key_of_a_replay_shows_the_moment_it_leads_to(write_session, events, opener):
    """Rows, status header, details and events are those of a screen that is opened at that moment."""

    path = write_session(more=events, values=lambda _channel, now, value: value * (1.0 + now / 20.0))
    clock = Clock()
    app = ReplayApp(Player(path, clock=clock), ascii_only=True)
    async with app.run_test(size=(100, 40)) as pilot:
        await pilot.press(*opener)
        for key in KEYS_OF_A_REPLAY:
            await pilot.press(key)
            await gone(app, pilot)
            clock.now += 1.0
            app.follow()
            await pilot.pause()
            shown, moment = without_messages(lines_of(app)), app._player.position
            player = Player(path, clock=Clock())
            player.jump(moment)
            player.consume_restart()
            other = ReplayApp(player, ascii_only=True)
            async with other.run_test(size=(100, 40)) as fresh:
                await fresh.press("f", *opener)
                await fresh.pause()
                assert shown == without_messages(lines_of(other)), (key, moment)


def without_messages(lines):
    """Return the lines of a screen without the messages above the keys, and without the room they take."""
    kept = [
        line.rstrip() for line in lines[:-1] if not line.startswith((" ! Frozen", " ! Plays", " ! There is", " ! f "))
    ]
    return [line for line in kept if line]


def test_events_of_another_bench_can_be_gone_back_to(write_session, benches):
    changes = {"warning": ('warn_above = "80 °C"', 'warn_above = "40 °C"')}
    bench = other_bench(benches["reservoir"], **changes)
    clock = Clock()

    def warming(channel, now, value):
        return 30.0 + now if channel.name == "diode case" else value

    path = write_session(values=warming)
    judged = ReevaluatedReadings(path, bench)
    player = Player(
        path, clock=clock, wrap=lambda view: ReevaluatedView(view, bench, judged), event_times=judged.event_times
    )
    player.poll()
    clock.now += 14
    hot = [event.time for event in player.poll().events if event.kind == "hot"]
    assert len(hot) == 1
    assert player.to_event(-1)
    while player.position > hot[0]:
        assert player.to_event(-1)
    assert player.position == hot[0]


def test_jumps_of_another_bench_find_what_playing_through_would_find(write_session, benches):
    bench = other_bench(benches["reservoir"], warning=('warn_above = "80 °C"', 'warn_above = "40 °C"'))

    def warming(channel, now, value):
        return 30.0 + now if channel.name == "diode case" else value

    path, clock = write_session(values=warming), Clock()
    through = ReevaluatedView(ReplayView(path, 1.0, clock), bench)
    seen = [through.poll()]
    clock.now += 25.0
    seen.append(through.poll())
    judged = ReevaluatedReadings(path, bench)
    player = Player(
        path, clock=Clock(), wrap=lambda view: ReevaluatedView(view, bench, judged), event_times=judged.event_times
    )
    for place in (28.0, 3.0, 25.0):
        player.jump(place)
        update = player.poll()
    assert update.judgements == tuple(one for each in seen for one in each.judgements)
    assert update.events == tuple(event for each in seen for event in each.events)
    assert "hot" in {event.kind for event in update.events}
    (expected,) = player.band("output", 19.0, 21.0, 1)
    there = [one for one in update.judgements if one.channel == "output" and one.time <= 20.0][-1]
    assert (expected.value, expected.uncertainty) == (there.expected, there.expected_uncertainty)
    assert player.band("output", 25.0, 29.0, 1) == (None,)


def test_a_session_is_judged_once_however_often_it_is_jumped_about(write_session, benches, monkeypatch):
    path, count = write_session(), 0
    of_one = Reevaluation.judge

    def counted(judging, *reading):
        nonlocal count
        count += 1
        return of_one(judging, *reading)

    monkeypatch.setattr(Reevaluation, "judge", counted)
    judged = ReevaluatedReadings(path, benches["reservoir"])
    player = Player(
        path, wrap=lambda view: ReevaluatedView(view, benches["reservoir"], judged), event_times=judged.event_times
    )
    for place in (29.0, 1.0, 20.0, 10.0):
        player.jump(place)
        player.poll()
    readings = sum(sum(each.values()) for each in RecordedSession(path).counts().values())
    assert readings - 30 < count <= readings + 1
