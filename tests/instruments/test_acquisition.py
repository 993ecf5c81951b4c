"""Acquisition over real lines: no instrument delays another, and one that returns is read again."""

import threading
import time
from pathlib import Path
from queue import Empty, Queue

import pytest

from benchmon.errors import BadReply, InstrumentTimeout
from benchmon.instruments.acquisition import Acquisition
from benchmon.instruments.driver import Driver
from benchmon.instruments.testing.fake_instrument import FakeSerialInstrument, FakeTcpInstrument, no_reply
from benchmon.instruments.types import (
    ChannelSettings,
    DrivenChannel,
    InstrumentNews,
    InstrumentSettings,
    Limits,
    Reading,
)
from benchmon_drivers.scpi.driver import ScpiDriver
from benchmon_drivers.scpi.settings import ScpiChannel, ScpiSettings
from benchmon_drivers.serial.lines import SerialLinesChannel, SerialLinesDriver, SerialLinesSettings


def meter(values, idn=b"Acme,Meter,1,1.0"):
    """A SCPI meter that answers `values`, by query."""
    table = {b"*IDN?": idn, b"SYST:ERR?": b'0,"No error"'} | {key.encode(): v.encode() for key, v in values.items()}
    return lambda line: table[line] + b"\n" if line in table else None


def scpi(name, fake_instrument, queries, period=0.1, **settings):
    channels = [DrivenChannel(channel, "V", period, 1.0, ScpiChannel(query=q)) for channel, q in queries.items()]
    return ScpiDriver(name, ScpiSettings(address=fake_instrument.visa_address, **settings), channels)


def lines(name, path, period=0.1, **settings):
    channels = [DrivenChannel("t", "°C", period, 1.0, SerialLinesChannel())]
    return SerialLinesDriver(name, SerialLinesSettings(address=path, **settings), channels)


class Running:
    """An acquisition that runs, and what it reported."""

    def __init__(self, *drivers):
        self.queue = Queue()
        self.seen = []
        self.acquisition = Acquisition(None, self.queue.put, drivers=drivers)

    def __enter__(self):
        self.acquisition.start()
        return self

    def __exit__(self, *_):
        assert self.acquisition.stop(5.0) == []

    def until(self, fits, timeout=60.0):
        """Return the first report from now on that `fits`; fail after `timeout` seconds."""
        deadline = time.monotonic() + timeout
        while True:
            try:
                report = self.queue.get(timeout=max(0.0, deadline - time.monotonic()))
            except Empty:
                pytest.fail(f"never came; there came {self.seen[-20:]}")
            self.seen.append(report)
            if fits(report):
                return report

    def news(self, kind, instrument=None, timeout=60.0):
        return self.until(
            lambda r: isinstance(r, InstrumentNews) and r.kind == kind and instrument in (None, r.instrument), timeout
        )

    def value(self, channel, value=None, timeout=60.0):
        return self.until(
            lambda r: (
                isinstance(r, Reading) and r.channel == channel and r.value is not None and value in (None, r.value)
            ),
            timeout,
        )

    def gather(self, seconds):
        """Return everything that comes within `seconds`."""
        mark, deadline = len(self.seen), time.monotonic() + seconds
        while (left := deadline - time.monotonic()) > 0:
            try:
                self.seen.append(self.queue.get(timeout=left))
            except Empty:
                break
        return self.seen[mark:]


def readings(reports, channel):
    return [report for report in reports if isinstance(report, Reading) and report.channel == channel]


def test_it_connects_with_identity_and_reads_every_channel():
    with (
        FakeTcpInstrument(meter({"U?": "22.1", "I?": "0.5"})) as fake_instrument,
        Running(scpi("dmm", fake_instrument, {"u": "U?", "i": "I?"})) as run,
    ):
        assert run.news("connected").text == "Acme,Meter,1,1.0"
        assert run.value("u").value == 22.1
        assert run.value("i").value == 0.5


def test_each_channel_keeps_its_own_period():
    with FakeTcpInstrument(meter({"U?": "1", "I?": "2"})) as fake_instrument:
        fast = DrivenChannel("u", "V", 0.05, 1.0, ScpiChannel(query="U?"))
        slow = DrivenChannel("i", "A", 0.2, 1.0, ScpiChannel(query="I?"))
        driver = ScpiDriver("dmm", ScpiSettings(address=fake_instrument.visa_address, timeout=1.0), [fast, slow])
        with Running(driver) as run:
            run.value("u")
            reports = run.gather(2.05)
    times = [one.time for one in readings(reports, "u")]
    # A busy machine leaves some out; none comes more often than its period.
    assert 1 < len(readings(reports, "i")) <= 12
    assert len(readings(reports, "i")) < len(times) <= 44


def test_a_silent_a_refusing_and_a_slow_instrument_delay_no_other():
    def slow(line):
        time.sleep(0.3)
        return meter({"U?": "3"})(line)

    with (
        FakeTcpInstrument(meter({"U?": "1"})) as good,
        FakeTcpInstrument(no_reply) as mute,
        FakeTcpInstrument(slow) as sluggish,
        FakeTcpInstrument() as gone,
    ):
        gone.unplug()
        drivers = [
            scpi("mute", mute, {"m": "U?"}),
            scpi("gone", gone, {"x": "U?"}),
            scpi("slow", sluggish, {"s": "U?"}, timeout=1.0),
            scpi("good", good, {"g": "U?"}, period=0.05, timeout=1.0),
        ]
        with Running(*drivers) as run:
            for _ in range(3):
                assert run.value("s").value == 3.0

            def lost():
                return {one.instrument for one in run.seen if isinstance(one, InstrumentNews) and one.kind == "lost"}

            run.until(lambda _: lost() == {"mute", "gone"})
            quick, late = (readings(run.seen, channel) for channel in "gs")
    assert len(quick) > 2 * len(late), "the quick one is not held up by the slow one"


def test_an_unplugged_instrument_is_lost_once_and_back_by_itself():
    with (
        FakeTcpInstrument(meter({"U?": "1"})) as fake_instrument,
        Running(scpi("dmm", fake_instrument, {"u": "U?"}, timeout=0.2)) as run,
    ):
        run.value("u")
        fake_instrument.unplug()
        assert "dmm" in run.news("lost").instrument
        quiet = run.gather(2.5)
        assert quiet == [], "a loss is reported once, and nothing else"
        fake_instrument.answer = meter({"U?": "2"})
        fake_instrument.plug_in()
        assert run.news("connected").text == "Acme,Meter,1,1.0"
        assert run.value("u").value == 2.0


def test_the_reason_of_a_loss_names_the_address_and_a_remedy():
    with FakeTcpInstrument() as fake_instrument:
        fake_instrument.unplug()
        with Running(scpi("dmm", fake_instrument, {"u": "U?"})) as run:
            text = run.news("lost").text
    assert fake_instrument.visa_address in text
    assert "refused" in text
    assert "switched on" in text


def test_a_silent_instrument_is_reported_lost_within_three_periods():
    with (
        FakeTcpInstrument(meter({"U?": "1"})) as fake_instrument,
        Running(scpi("dmm", fake_instrument, {"u": "U?"}, period=0.5)) as run,
    ):
        last = run.value("u").time
        fake_instrument.answer = no_reply
        while True:
            report = run.until(lambda _: True)
            if isinstance(report, InstrumentNews):
                break
            last = report.time
        assert report.kind == "lost"
        assert report.time - last < 3 * 0.5 + 0.3
        fake_instrument.answer = meter({"U?": "1"})
        run.news("connected")


def test_a_reply_that_is_no_number_is_a_reading_without_value_and_no_loss():
    with (
        FakeTcpInstrument(meter({"U?": "<b>\x1b[31mERR", "I?": "2"})) as fake_instrument,
        Running(scpi("dmm", fake_instrument, {"u": "U?", "i": "I?"})) as run,
    ):
        bad = run.until(lambda r: isinstance(r, Reading) and r.channel == "u")
        assert bad.value is None
        assert r"<b>\x1b[31mERR" in bad.problem
        run.value("i")
        reports = run.gather(1.0)
        assert all(one.value == 2.0 for one in readings(reports, "i"))
        assert not [one for one in run.seen if isinstance(one, InstrumentNews) and one.kind == "lost"]


def test_a_wrong_query_silences_only_its_channel():
    with (
        FakeTcpInstrument(meter({"U?": "1"})) as fake_instrument,
        Running(scpi("dmm", fake_instrument, {"u": "U?", "x": "NONSENSE?"}, timeout=0.2)) as run,
    ):
        silent = run.until(lambda r: isinstance(r, Reading) and r.channel == "x")
        assert "NONSENSE?" in silent.problem
        assert len(readings(run.gather(1.5), "u")) >= 10
        assert not [one for one in run.seen if isinstance(one, InstrumentNews) and one.kind == "lost"]


def late(delay_of, values):
    """A meter whose answer to one query comes too late; the others at once."""
    table = meter(values)

    def answer(line):
        time.sleep(delay_of.get(line.decode(), 0.0))
        return table(line)

    return answer


@pytest.mark.parametrize("kind", [FakeTcpInstrument, FakeSerialInstrument])
def test_a_late_reply_is_never_taken_for_the_next_channel_s(kind):
    answer = late({"SLOW?": 0.5}, {"SLOW?": "111", "U?": "1", "I?": "2"})
    with (
        kind(answer) as fake_instrument,
        Running(scpi("dmm", fake_instrument, {"u": "U?", "slow": "SLOW?", "i": "I?"}, timeout=0.2, retries=0)) as run,
    ):
        reports = run.gather(3.0)
    assert readings(reports, "u")
    assert readings(reports, "i")
    assert {one.value for one in readings(reports, "u")} <= {1.0, None}
    assert {one.value for one in readings(reports, "i")} <= {2.0, None}
    assert {one.value for one in readings(reports, "slow")} <= {111.0, None}


def test_a_late_reply_of_a_meter_without_identity_is_not_taken_either():
    """Nothing but waiting helps there: what comes within three time-outs is thrown away."""
    slow = threading.Event()
    table = {b"A?": b"1", b"B?": b"2"}

    def answer(line):
        if line == b"A?" and slow.is_set():
            slow.clear()
            time.sleep(0.35)
        return table[line] + b"\n" if line in table else None

    with (
        FakeSerialInstrument(answer) as fake_instrument,
        Running(scpi("old", fake_instrument, {"a": "A?", "b": "B?"}, timeout=0.15, identity="")) as run,
    ):
        run.value("b")
        for _ in range(3):
            slow.set()
            assert {one.value for one in readings(run.gather(1.2), "b")} == {2.0}


def test_a_meter_without_identity_connects_with_its_first_reading():
    table = {b"U?": b"4\n"}
    with FakeTcpInstrument(table.get) as fake_instrument, Running(scpi("old", fake_instrument, {"u": "U?"})) as run:
        assert fake_instrument.visa_address in run.news("connected").text
        assert run.value("u").value == 4.0


def test_a_stream_is_thinned_to_its_period_and_unplugging_is_noticed():
    with FakeSerialInstrument() as fake_instrument:
        ended = threading.Event()

        def stream():
            count = 0
            while not ended.wait(0.02):
                fake_instrument.send(b"%d\n" % count)
                count += 1

        thread = threading.Thread(target=stream)
        with Running(lines("thermo", fake_instrument.path, period=0.2)) as run:
            thread.start()
            run.news("connected")
            reports = readings(run.gather(2.1), "t")
            ended.set()
            thread.join()
            assert 9 <= len(reports) <= 12
            values = [one.value for one in reports]
            assert values == sorted(set(values))
            # It fell silent: lost, and back when it talks.
            assert "no reading" in run.news("lost").text
            fake_instrument.send(b"1\n")
            deadline = time.monotonic() + 60
            while not any(isinstance(one, InstrumentNews) and one.kind == "connected" for one in run.gather(0.3)):
                assert time.monotonic() < deadline
                fake_instrument.send(b"77\n")


def test_a_spike_past_a_limit_shorter_than_a_period_is_reported_at_once():
    with FakeSerialInstrument() as fake_instrument:
        channel = DrivenChannel("t", "°C", 30.0, 1.0, SerialLinesChannel(), Limits(above=(90.0,)))
        driver = SerialLinesDriver("thermo", SerialLinesSettings(address=fake_instrument.path, timeout=5.0), [channel])
        with Running(driver) as run:
            # Opening a port throws away what came before, so it is said until it is heard.
            deadline = time.monotonic() + 60
            while not readings(run.gather(0.05), "t"):
                assert time.monotonic() < deadline
                fake_instrument.send(b"x\n20\n")
            fake_instrument.send(b"20\n95\n20\n")
            assert run.value("t", 95.0, timeout=20.0), "long before the period of 30 s is over"


def test_a_port_that_is_not_there_and_a_pty_that_vanishes_are_losses():
    with Running(lines("thermo", "/dev/no-such-port")) as run:
        assert "there is no such port; is it plugged in?" in run.news("lost").text
    fake_instrument = FakeSerialInstrument(meter({"U?": "1"}))
    with fake_instrument, Running(scpi("dmm", fake_instrument, {"u": "U?"})) as run:
        run.value("u")
        fake_instrument.unplug()
        assert fake_instrument.visa_address in run.news("lost").text


class Slow(Driver):
    """A driver that hangs in its library."""

    gate = threading.Event()

    def _open(self):
        return "slow"

    def _query(self, _):
        self.gate.wait(60)
        raise InstrumentTimeout("gave up")

    def _close(self): ...


def one_channel(kind, name="x"):
    return kind(name, InstrumentSettings(address="nowhere"), [DrivenChannel(name, "V", 0.05, 1.0, ChannelSettings())])


def test_stop_names_those_that_hang_and_does_not_wait_for_them():
    Slow.gate.clear()
    acquisition = Acquisition(None, Queue().put, drivers=[one_channel(Slow, "hung")])
    acquisition.start()
    assert acquisition.stop(0.3) == ["hung"]
    Slow.gate.set()
    assert acquisition.stop(5.0) == []


def test_stopping_is_allowed_before_starting_and_twice():
    acquisition = Acquisition(None, Queue().put, drivers=[one_channel(Slow)])
    assert acquisition.stop(0.1) == []
    assert acquisition.stop(0.1) == []


def test_a_faulty_foreign_driver_is_one_lost_instrument_and_no_dead_thread():
    class Faulty(Driver):
        opened = 0

        def _open(self):
            Faulty.opened += 1
            return "faulty"

        def _query(self, _):
            if Faulty.opened < 4:
                raise ZeroDivisionError("division by zero")
            return 5.0

        def _close(self): ...

    with Running(one_channel(Faulty)) as run:
        assert "ZeroDivisionError" in run.news("lost").text
        assert run.value("x").value == 5.0


def test_bad_replies_of_a_stream_are_readings_without_value():
    class Odd(Driver):
        streams = True

        def _open(self):
            return "odd"

        def _listen(self, seconds):
            time.sleep(min(seconds, 0.01))
            yield "x", BadReply("shows nonsense")

        def _close(self): ...

    with Running(one_channel(Odd)) as run:
        assert run.until(lambda r: isinstance(r, Reading)).problem == "shows nonsense"


def open_files():
    return len(list(Path("/proc/self/fd").iterdir()))


def test_nothing_is_left_behind_after_many_losses_and_a_stop():
    with (
        FakeTcpInstrument(meter({"U?": "1"})) as fake_instrument,
        FakeSerialInstrument() as silent,
        FakeTcpInstrument(no_reply) as mute,
    ):
        drivers = [
            scpi("dmm", fake_instrument, {"u": "U?"}, timeout=0.1),
            scpi("mute", mute, {"m": "U?"}, timeout=0.1),
            lines("thermo", silent.path, timeout=0.1),
        ]
        run = Running(*drivers)
        threads = threading.active_count()
        files = open_files()
        with run:
            for _ in range(3):
                run.value("u")
                fake_instrument.unplug()
                run.news("lost", "dmm")
                fake_instrument.plug_in()
                run.news("connected", "dmm")
        assert threading.active_count() == threads
        # The far ends let go of their own halves a little later.
        deadline = time.monotonic() + 60
        while open_files() > files and time.monotonic() < deadline:
            time.sleep(0.01)
        assert open_files() <= files


def test_threads_are_daemons_named_after_their_instruments():
    with (
        FakeTcpInstrument(meter({"U?": "1"})) as fake_instrument,
        Running(scpi("dmm", fake_instrument, {"u": "U?"})) as run,
    ):
        run.value("u")
        mine = [thread for thread in threading.enumerate() if "dmm" in thread.name]
        assert [thread.daemon for thread in mine] == [True]
