"""A trip reaches the switch at once and is seen through, whatever else hangs; and what fails is said loudest."""

import sqlite3
import threading
import time
from contextlib import closing, contextmanager, suppress

import pytest

from benchmon.bench import load_bench, read_bench
from benchmon.errors import InstrumentError, RecorderError
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings, SwitchSettings
from benchmon.recorder import record, summary_text
from benchmon.recorder.switch_off import SwitchOffAttempts, SwitchOffControl
from benchmon.session.follower import open_session_view
from benchmon.session.records import RecorderState
from benchmon.session.requests import LoadBench, StopRecording, SwitchPowerOff
from benchmon.session.writer import SessionWriter
from benchmon.watch.status import Level
from benchmon.watch.status_wording import status_line
from benchmon.watch.watch import Watch
from support.far_ends.modbus import FakeModbusInstrument, Unit
from support.live_recordings import record_until
from support.waiting import until

SWITCH = """
[[instrument]]
name = "relay"
driver = "modbus"
address = "{address}"
timeout = "2 s"
{channel}
[switch_off]
instrument = "relay"
coil = 7
value = 0
"""
POLLED = """
[[channel]]
name = "aux"
instrument = "relay"
quantity = "load.temperature"
register = 0
period = "100 ms"
"""
CURRENT = """
[[channel]]
name = "line_current"
instrument = "meter"
quantity = "mains.current.rms"
group = "current"
accuracy = "1 % + 5 mA"
period = "50 ms"
"""
KINDS = {"tripped", "switching off", "switched off", "switch-off failed"}
SWITCHINGS = KINDS - {"tripped"} | {"power is back"}


BACK = ("line is at 230.0 V", "line_current is at 750.0 mA", "vout is at 15.00 V")


class Mains:
    """A relay on Modbus that cuts what the meter shows, if it works."""

    def __init__(self, meter, works=True):
        self.meter, self.works = meter, works
        self.case, self.switched, self.hot_since = 41.5, None, None
        self.unit = Unit(coil={7: True}, holding={0: 20})
        meter.line = self.line

    def heat(self):
        self.case = 95.0

    def line(self, _):
        off = self.works and not self.unit.tables["coil"][7]
        if off and self.switched is None:
            self.switched = time.monotonic()
        if self.case > 90 and self.hot_since is None:
            self.hot_since = time.monotonic()
        mains, vout, current = (0.0, 0.0, 0.0) if off else (230.0, 15.0, 0.75)
        return f"m {mains} v {vout} t {self.case} c {current}"


class Seen:
    """What a screen would know."""

    def __init__(self, view):
        self.view, self.events, self.latest = view, [], {}

    def kinds(self):
        update = self.view.poll()
        self.events += update.events
        self.latest |= {judgement.channel: judgement for judgement in update.judgements}
        return [event.kind for event in self.events if event.kind in KINDS]

    def of(self, kind):
        self.kinds()
        return [event for event in self.events if event.kind == kind]

    def now(self, channel):
        self.kinds()
        return self.latest[channel]

    def glance(self):
        switchings = [event for event in self.events if event.kind in SWITCHINGS]
        return status_line(self.latest, self.view.info.bench, "recording", None, switchings[-1] if switchings else None)


def test_the_summary_of_a_recording_says_what_became_of_it(tmp_path, meter, bench_with):
    mains = Mains(meter)
    mains.heat()
    with FakeModbusInstrument({1: mains.unit}) as relay:
        bench = read_bench(bench_with(relay.address))
        summary = record_until(bench, tmp_path / "a.benchmon", lambda live: "switched off" in live.kinds)
    assert summary.switching.kind == "switched off"
    assert f"switched off: {summary.switching.message}" in summary_text(summary).splitlines()


@contextmanager
def recording(text, path, bench=None):
    ready = threading.Event()
    found = []
    thread = threading.Thread(target=lambda: found.append(record(bench or read_bench(text), path, on_ready=ready.set)))
    thread.start()
    assert ready.wait(60)
    view = open_session_view(path)
    seen = Seen(view)
    try:
        until(lambda: seen.kinds() is not None and "case" in seen.latest)
        yield seen
    finally:
        with suppress(RecorderError):
            view.request(StopRecording())
        thread.join(60)
        view.close()
        assert found


@pytest.fixture
def bench_with(bench_text):
    """Return the text of a bench whose meter also reads the line current, and whose switch is at an address."""

    def text(address, channel="", current=CURRENT):
        pattern = r"pattern = 'm (?P<mains>\S+) v (?P<vout>\S+) t (?P<case>\S+) c (?P<current>\S+)'"
        lines = [pattern if line.startswith("pattern") else line for line in bench_text.splitlines()]
        return "\n".join(lines) + current + SWITCH.format(address=address, channel=channel)

    return text


@pytest.mark.parametrize("line", ["tcp", "tcp, hanging", "rtu", "rtu, hanging"])
def test_a_trip_reaches_the_switch_at_once_though_it_hangs_over_another_question(tmp_path, meter, bench_with, line):
    mains, heard = Mains(meter), []
    tcp, hangs = line.startswith("tcp"), line.endswith("hanging")
    with FakeModbusInstrument({1: mains.unit}, tcp=tcp) as relay:

        def manner(frame):
            is_coil = frame[7 if tcp else 1] == 5
            if is_coil:
                heard.append(time.monotonic())
            return frame if is_coil or not hangs else None

        relay.behaviour = manner
        text = bench_with(relay.address, POLLED)
        with recording(text, tmp_path / "a.benchmon") as seen:
            until(lambda: relay.line.received)
            mains.heat()
            until(lambda: "switched off" in seen.kinds())
            assert heard[0] >= mains.hot_since
            assert seen.kinds() == ["tripped", "switching off", "switched off"]
            [tripped], [switchings], [done] = seen.of("tripped"), seen.of("switching off"), seen.of("switched off")
            assert tripped.time <= switchings.time <= done.time
            assert (
                "relay was commanded to switch off: case is at 95.0 °C, above its limit of 90.0 °C"
                in switchings.message
            )
            assert "line_current fell from 750.0 mA to 0.0 mA" in done.message
            until(lambda: seen.kinds() and seen.glance().sentence.startswith("Switched off: case is at 95.0 °C"))


def test_who_switches_on_again_with_the_limit_still_passed_is_switched_off_again(tmp_path, meter, bench_with):
    mains = Mains(meter)
    with (
        FakeModbusInstrument({1: mains.unit}) as relay,
        recording(bench_with(relay.address), tmp_path / "a.benchmon") as seen,
    ):
        coils = mains.unit.tables["coil"]
        mains.heat()
        for time_of_it in (1, 2, 3):
            until(lambda often=time_of_it: seen.kinds().count("switched off") == often)
            assert not coils[7]
            # It stays hot, and off: nothing more is said of it until somebody switches on.
            coils[7] = True
        until(lambda: seen.kinds().count("switched off") == 4)
        assert seen.kinds() == ["tripped", *["switching off", "switched off"] * 4]
        assert seen.of("switching off")[1].message.endswith("case is at 95.0 °C, above its limit of 90.0 °C, again")
        # Cooled down it stays on.
        mains.case = 41.5
        until(lambda: seen.now("case").value == 41.5)
        coils[7] = True
        until(lambda: seen.now("line_current").value == 0.75)
        began = seen.now("case").time
        until(lambda: seen.now("case").time > began + 1.5)
        assert coils[7]
        # Whichever meter shows it first: they are of one line.
        back = seen.of("power is back")[-1].message
        assert back in {f"{seen_by} again, after it was switched off" for seen_by in BACK}, back
        assert seen.glance().sentence.startswith("Switch off now, the power is back: case went past its limit")
        # And trips once more where it gets hot again.
        mains.heat()
        until(lambda: seen.kinds().count("switched off") == 5)
        assert not coils[7]


def test_where_no_channel_shows_it_a_limit_that_is_passed_again_switches_off_again(tmp_path, meter, bench_text):
    unit = Unit(coil={7: True})
    case_only = bench_text.replace('"mains.voltage.rms"', '"load.temperature"').replace(
        '"output.voltage.rms"', '"output.voltage.ripple"'
    )
    case = [41.5]
    meter.line = lambda _: f"m 20 v 20 t {case[0]}"
    with (
        FakeModbusInstrument({1: unit}) as relay,
        recording(case_only + SWITCH.format(address=relay.address, channel=""), tmp_path / "a.benchmon") as seen,
    ):
        case[0] = 95.0
        until(lambda: seen.kinds().count("switched off") == 1)
        unit.tables["coil"][7] = True
        for value in (41.5, 95.0):
            case[0], began = value, seen.now("case").time
            until(lambda now=value, then=began: seen.now("case").value == now and seen.now("case").time > then + 1.2)
        until(lambda: seen.kinds().count("switched off") == 2)
        assert not unit.tables["coil"][7]


def test_a_switch_that_is_not_there_is_reported_before_it_is_needed_and_loudly_when_it_is(tmp_path, meter, bench_with):
    mains = Mains(meter)
    with FakeModbusInstrument({1: mains.unit}) as relay:
        relay.line.unplug()
        with recording(bench_with(relay.address), tmp_path / "a.benchmon") as seen:
            [switchings] = until(lambda: seen.of("switch"))
            assert "relay cannot be reached to switch off on a trip" in switchings.message
            mains.heat()
            [failed] = until(lambda: seen.of("switch-off failed"))
            assert failed.message.startswith("SWITCH OFF BY HAND: relay has not switched off within")
            assert "line_current is still at 750.0 mA" in failed.message
            assert "the connection is refused" in failed.message
            assert seen.glance().level is Level.DANGER
            assert seen.glance().sentence == failed.message
            # It is tried again, and succeeds as soon as it can.
            relay.line.plug_in()
            until(lambda: seen.of("switched off"))
            assert seen.glance().sentence.startswith("Switched off: case")


def test_a_switch_that_is_also_read_is_ready_only_once_it_is_connected(tmp_path, meter, bench_with):
    mains = Mains(meter)
    with FakeModbusInstrument({1: mains.unit}) as relay:
        relay.line.unplug()
        with recording(bench_with(relay.address, POLLED), tmp_path / "a.benchmon") as seen:
            [first] = until(lambda: seen.of("switch"))
            assert "relay cannot be reached to switch off on a trip" in first.message
            relay.line.plug_in()
            later = until(lambda: seen.of("switch")[1:])
            assert later[0].message == "relay is ready to switch off on a trip"


def test_a_switch_that_says_it_did_and_did_not_is_a_failure(tmp_path, meter, bench_with):
    mains = Mains(meter, works=False)
    with (
        FakeModbusInstrument({1: mains.unit}) as relay,
        recording(bench_with(relay.address), tmp_path / "a.benchmon") as seen,
    ):
        mains.heat()
        [failed] = until(lambda: seen.of("switch-off failed"))
        assert "line_current is still at 750.0 mA" in failed.message
        assert "coil 7 of unit 1 written 0, acknowledged" in failed.message
        assert sum(query[1] == 5 for query in relay.queries) > 1
        mains.works = True
        until(lambda: seen.of("switched off"))


def test_a_trip_does_not_wait_for_the_watch(tmp_path, meter, bench_with, monkeypatch):
    mains, gate, judge = Mains(meter), threading.Event(), Watch.judge

    def slowly(watch, channel, time, value, *rest):
        if channel == "case" and value is not None and value > 90:
            assert gate.wait(60)
        return judge(watch, channel, time, value, *rest)

    monkeypatch.setattr(Watch, "judge", slowly)
    path = tmp_path / "a.benchmon"
    with FakeModbusInstrument({1: mains.unit}) as relay, recording(bench_with(relay.address), path) as seen:
        mains.heat()
        until(lambda: mains.switched)
        gate.set()
        until(lambda: seen.of("switched off"))
        assert [kind for kind in seen.kinds() if kind != "switch"][:3] == ["tripped", "switching off", "switched off"]


def test_power_that_returns_past_a_newly_loaded_limit_is_switched_off_again(tmp_path, meter, bench_with):
    mains = Mains(meter)
    with FakeModbusInstrument({1: mains.unit}) as relay:
        file = tmp_path / "bench.toml"
        text = bench_with(relay.address)
        file.write_text(text, encoding="utf-8")
        with recording(text, tmp_path / "a.benchmon", load_bench(file)) as seen:
            mains.heat()
            until(lambda: seen.of("switched off"))
            # Not clearly inside the limit of 90 °C, so that one alone would not count as passed again.
            mains.case = 89.5
            file.write_text(text.replace('trip_above = "90 °C"', 'trip_above = "80 °C"'), encoding="utf-8")
            [offer] = until(lambda: seen.of("bench edited"))
            assert "case: trip_above 90 °C → 80 °C" in offer.message
            seen.view.request(LoadBench(offer.time))
            until(lambda: seen.of("bench loaded"))
            until(lambda: len(seen.of("tripped")) == 2)
            done = len(until(lambda: seen.of("switched off")))
            mains.unit.tables["coil"][7] = True
            until(lambda: len(seen.of("switched off")) > done)


def test_who_asks_the_recording_to_end_meanwhile_waits_until_the_power_is_gone(tmp_path, meter, bench_with):
    mains = Mains(meter, works=False)
    path = tmp_path / "a.benchmon"
    with FakeModbusInstrument({1: mains.unit}) as relay, recording(bench_with(relay.address), path) as seen:
        mains.heat()
        until(lambda: seen.of("switching off"))
        seen.view.request(StopRecording())
        until(lambda: seen.of("switch-off failed"))
        assert seen.of("stopped") == []
        mains.works = True
        until(lambda: seen.of("stopped"))
        assert seen.kinds()[-1] == "switched off"


def test_off_that_is_asked_for_while_a_recording_ends_is_done(tmp_path, meter, bench_with, monkeypatch):
    mains, asked, finish = Mains(meter), [], SessionWriter.finish
    path = tmp_path / "a.benchmon"

    def finish_late(writer, at):
        if not asked:
            asked.append(open_session_view(path).request(SwitchPowerOff("by the operator")))
        return finish(writer, at)

    monkeypatch.setattr(SessionWriter, "finish", finish_late)
    with FakeModbusInstrument({1: mains.unit}) as relay, recording(bench_with(relay.address), path):
        pass
    assert not mains.unit.tables["coil"][7]
    update = open_session_view(path).poll()
    assert update.state is RecorderState.FINISHED
    [answer] = [event for event in update.events if event.details and event.details.request == asked[0]]
    assert answer.kind == "switching off"
    [done] = [event for event in update.events if event.kind == "switched off"]
    assert "no channel shows whether the power is gone, so look" in done.message
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT done IS NOT NULL FROM requests WHERE id = ?", asked).fetchone() == (1,)
    with pytest.raises(RecorderError, match="no recorder"):
        open_session_view(path).request(SwitchPowerOff("by the operator"))


def test_where_no_channel_shows_it_the_switch_s_own_word_is_called_that(tmp_path, meter, bench_with):
    mains = Mains(meter)
    # No line current, and the mains voltmeter stands before the switch.
    whole = mains.line
    meter.line = lambda number: whole(number).replace("m 0.0 v 0.0", "m 230.0 v 15.0")
    with FakeModbusInstrument({1: mains.unit}) as relay:
        text = bench_with(relay.address, current="").replace("output.voltage.rms", "load.temperature")
        text = text.replace('accuracy = "0.1 % + 5 mV"', 'accuracy = "1 K"')
        text = text.replace("mains.voltage.rms", "ambient.temperature").replace('"0.5 %"', '"1 K"')
        with recording(text, tmp_path / "a.benchmon") as seen:
            mains.heat()
            [done] = until(lambda: seen.of("switched off"))
            assert "the switch says that it is off; no channel shows whether the power is gone, so look" in done.message


def test_somebody_at_a_screen_may_ask_for_it(tmp_path, meter, bench_with):
    mains = Mains(meter)
    with (
        FakeModbusInstrument({1: mains.unit}) as relay,
        recording(bench_with(relay.address), tmp_path / "a.benchmon") as seen,
    ):
        [ready] = until(lambda: seen.of("switch"))
        assert ready.message == "relay is ready to switch off on a trip"
        seen.view.request(SwitchPowerOff("by the operator"))
        until(lambda: seen.of("switched off"))
        assert "asked for by the operator" in seen.of("switching off")[0].message
        # Switched on again by hand, it may be asked for again.
        mains.unit.tables["coil"][7] = True
        until(lambda: seen.kinds() and seen.latest["line_current"].value == 0.75)
        seen.view.request(SwitchPowerOff("by the operator"))
        until(lambda: len(seen.of("switched off")) == 2)


def test_a_bench_without_a_switch_says_so(tmp_path, bench_text):
    with recording(bench_text, tmp_path / "a.benchmon") as seen:
        seen.view.request(SwitchPowerOff("by the operator"))
        [refused] = until(lambda: seen.of("refused"))
        assert "this bench has no [switch_off]" in refused.message


class Hanging(Driver):
    """A driver of somebody else's that hangs the first time."""

    switch_model = SwitchSettings

    def __init__(self):
        channel = DrivenChannel("x", "V", 1.0, 1.0, ChannelSettings())
        super().__init__("relay", InstrumentSettings(), [channel])
        self.configure_switch(SwitchSettings())
        self.calls, self.gate = 0, threading.Event()

    def _open(self): ...

    def _close(self): ...

    def _switch_off(self, _):
        self.calls += 1
        if self.calls == 1:
            self.gate.wait(20)
        elif self.calls == 2:
            raise ZeroDivisionError("oops")
        return "clack"


def test_one_that_hangs_or_fails_does_not_keep_the_next_from_trying():
    driver = Hanging()
    attempts = SwitchOffAttempts(driver.name, driver.switch_off, driver.is_off)
    attempts.send()
    until(lambda: attempts.send_if_due() or attempts.was_accepted, 8)
    assert attempts.last == "clack"
    assert driver.calls >= 3
    driver.gate.set()


class SlowToTell(Hanging):
    """A switch that takes the command at once, and its time to say that it is still on."""

    def _switch_off(self, _):
        return "clack"

    def _is_off(self, _):
        self.gate.wait(20)
        return False


def test_a_switch_that_has_not_yet_said_what_it_is_has_not_switched_off():
    driver = SlowToTell()
    attempts = SwitchOffAttempts(driver.name, driver.switch_off, driver.is_off)
    attempts.send()
    until(lambda: attempts.last == "clack")
    assert not attempts.was_accepted
    driver.gate.set()
    until(lambda: attempts.was_accepted)
    assert attempts.says_off is False


class Refusing(Hanging):
    """A switch that cannot be reached."""

    def _switch_off(self, _):
        self.calls += 1
        raise InstrumentError("the connection is refused")


def test_a_switch_that_refuses_is_asked_more_and_more_slowly(monkeypatch):
    now, driver = [1000.0], Refusing()
    monkeypatch.setattr("benchmon.recorder.switch_off.time.monotonic", lambda: now[0])
    attempts = SwitchOffAttempts(driver.name, driver.switch_off, driver.is_off)
    attempts.send()
    for _ in range(750):
        now[0] += 0.02
        until(lambda: not any(thread.is_alive() for thread in attempts._threads))
        attempts.send_if_due()
    assert 6 <= driver.calls <= 11


class RefusingOnce(Refusing):
    """A switch whose connection is refused the first time."""

    def __init__(self):
        super().__init__()
        self.accepted = threading.Event()

    def _switch_off(self, _):
        if self.calls == 0:
            return super()._switch_off(_)
        self.accepted.set()
        return "clack"


def test_a_meter_that_shows_no_power_does_not_spare_the_switch_its_command(bench_text):
    # The line was on its way when the command was sent: the command itself has failed.
    driver, started = RefusingOnce(), time.monotonic()
    switch_off = SwitchOffControl(read_bench(bench_text), [driver], lambda: time.monotonic() - started)
    switch_off.observe("line", 0.0, 230.0)
    switch_off.trip("asked for", 1)
    switch_off.observe("line", time.monotonic() - started, 0.0)
    until(lambda: any(event.kind == "switched off" for event in switch_off.events()))
    assert driver.accepted.wait(60)
    switch_off.end()


def test_who_asks_while_it_is_being_switched_off_has_it_commanded_once_more(tmp_path, meter, bench_with, monkeypatch):
    monkeypatch.setattr("benchmon.recorder.switch_off._NEXT_ATTEMPT_AFTER", 1000.0)
    mains = Mains(meter, works=False)
    with (
        FakeModbusInstrument({1: mains.unit}) as relay,
        recording(bench_with(relay.address), tmp_path / "a.benchmon") as seen,
    ):
        coils = mains.unit.tables["coil"]
        for _ in range(4):
            seen.view.request(SwitchPowerOff("by the operator"))
            until(lambda: not coils[7])
            coils[7] = True
        assert "switched off" not in seen.kinds()
        mains.works, coils[7] = True, False
        until(lambda: "switched off" in seen.kinds())
