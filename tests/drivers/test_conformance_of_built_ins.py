"""Every built-in driver passes the conformance kit, on each kind of line that it speaks over."""

import threading
import time
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from pyvisa import VisaIOError

from benchmon.errors import BadInput, BadReply, InstrumentError
from benchmon.instruments.testing.conformance import ALWAYS_PLAYED, Behaviour, DriverConformance, Rig
from benchmon.instruments.testing.fake_instrument import FakeSerialInstrument, FakeTcpInstrument, no_reply
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings, Reading
from benchmon_drivers.csv_tail import CsvTailChannel, CsvTailDriver, CsvTailSettings
from benchmon_drivers.manual import HandDriver
from benchmon_drivers.modbus.driver import ModbusChannel, ModbusDriver, ModbusSettings, ModbusSwitch
from benchmon_drivers.scpi.driver import ScpiDriver
from benchmon_drivers.scpi.settings import ScpiChannel, ScpiSettings, ScpiSwitch
from benchmon_drivers.serial.driver import SerialSwitch
from benchmon_drivers.serial.frames import SerialFramesChannel, SerialFramesDriver, SerialFramesSettings
from benchmon_drivers.serial.lines import SerialLinesChannel, SerialLinesDriver, SerialLinesSettings
from benchmon_drivers.value_file import ValueFileChannel, ValueFileDriver, ValueFileSettings
from support.far_ends.modbus import FakeModbusInstrument, Unit
from support.far_ends.rigs import NOISE, answers_ill, streaming_rig


def scpi_answers(behaviour):
    well = {
        b"*IDN?": b"Acme,Meter,1,1.0\n",
        b"SYST:ERR?": b'0,"No error"\n',
        b"MEAS?": b"+2.21000000E+01\n",
        b"AUX?": b"1.5,-2.5\r\n",
        b"*OPC?": b"1\n",
        b"OUTP?": b"0\n",
    }
    if behaviour is Behaviour.SILENT:
        return no_reply
    if behaviour is Behaviour.GARBAGE:
        return lambda _: NOISE
    if behaviour is Behaviour.CONTROL_CODES:
        well[b"*IDN?"] = b"\x1b]0;gotcha\x07[red]Acme\x00" + 700 * b"x" + b"\n"
    return well.get


def ill_answers(fake_instrument, behaviour):
    well = scpi_answers(Behaviour.WELL)

    def answer(line):
        if line == b"*IDN?":
            return well(line)
        if behaviour is Behaviour.ONE_BAD:
            return b"1.5,no\n" if line == b"AUX?" else well(line)
        return answers_ill(fake_instrument, behaviour, 0.3, well)(line)

    return answer


EVERY_BEHAVIOUR = frozenset(Behaviour)


@contextmanager
def scpi_rig(fake_instrument):
    with fake_instrument:
        fake_instrument.answer = scpi_answers(Behaviour.WELL)
        driver = ScpiDriver(
            "dmm",
            ScpiSettings(address=fake_instrument.visa_address, timeout=0.3),
            [
                DrivenChannel("uout", "V", 1.0, 1.0, ScpiChannel(query="MEAS?")),
                DrivenChannel("iout", "A", 1.0, 10.0, ScpiChannel(query="AUX?", index=1, factor=0.001)),
            ],
        )

        driver.configure_switch(ScpiSwitch(command="OUTP OFF", confirm="OUTP?"))

        def behave(behaviour):
            is_ill = behaviour in (Behaviour.DRIPPING, Behaviour.LATE, Behaviour.ONE_BAD)
            fake_instrument.answer = ill_answers(fake_instrument, behaviour) if is_ill else scpi_answers(behaviour)

        yield Rig(driver, {"uout": 22.1, "iout": -0.025}, behave, EVERY_BEHAVIOUR)
        driver.close()


class TestScpiOnASocket(DriverConformance):
    def rig(self):
        return scpi_rig(FakeTcpInstrument())


class TestScpiOnASerialLine(DriverConformance):
    def rig(self):
        return scpi_rig(FakeSerialInstrument())


def lines_driver(address, query=""):
    return SerialLinesDriver(
        "thermometer",
        SerialLinesSettings(address=address, timeout=0.4, pattern=r"T1=(?P<t1>\S+) T2=(?P<t2>\S+)"),
        [
            DrivenChannel("t1", "°C", 0.1, 1.0, SerialLinesChannel(group="t1", query=query)),
            DrivenChannel("t2", "°C", 0.1, 2.0, SerialLinesChannel(group="t2", query=query)),
        ],
    )


LINE, TEMPERATURES = b"T1=23,4 T2=25.6\r\n", {"t1": 23.4, "t2": 51.2}
ONE_BAD_LINE = b"T1=23,4 T2=2.5.6\r\n"


class TestSerialLinesStreaming(DriverConformance):
    def rig(self):
        return streaming_rig(
            FakeSerialInstrument(), lambda far_end: far_end.path, lines_driver, LINE, TEMPERATURES,
            one_bad=ONE_BAD_LINE, drips=True,
        )  # fmt: skip


class TestSerialLinesStreamingOverASocket(DriverConformance):
    def rig(self):
        return streaming_rig(
            FakeTcpInstrument(), lambda far_end: far_end.url, lines_driver, LINE, TEMPERATURES,
            one_bad=ONE_BAD_LINE, drips=True,
        )  # fmt: skip


class TestSerialLinesAsked(DriverConformance):
    @contextmanager
    def rig(self):
        echo = b"D\r\n"
        answers = {Behaviour.SILENT: None, Behaviour.GARBAGE: NOISE, Behaviour.ONE_BAD: echo + ONE_BAD_LINE}
        with FakeSerialInstrument() as fake_instrument:

            def behave(behaviour):
                reply = answers.get(behaviour, echo + LINE)
                if behaviour in (Behaviour.LATE, Behaviour.DRIPPING):
                    fake_instrument.answer = answers_ill(fake_instrument, behaviour, 0.4, lambda _: reply)
                else:
                    fake_instrument.answer = lambda _: reply

            behave(Behaviour.WELL)
            driver = lines_driver(fake_instrument.path, query="D")
            driver.configure_switch(SerialSwitch(text="off"))
            yield Rig(driver, TEMPERATURES, behave, EVERY_BEHAVIOUR)
            driver.close()


@contextmanager
def modbus_rig(tcp):
    identity, nasty = [b"Acme", b"M1", b"V2.0"], [b"\x1b]0;gotcha\x07", b"[red]\x00", 200 * b"x"]
    manners = {Behaviour.SILENT: lambda _: None, Behaviour.GARBAGE: lambda _: NOISE}
    registers = dict(enumerate([2210, 0xFFFF, 0xFFE7]))
    unit = Unit(holding=registers)
    with FakeModbusInstrument({1: unit}, tcp=tcp) as fake_instrument:
        driver = ModbusDriver(
            "meter",
            ModbusSettings(address=fake_instrument.address, timeout=0.3, identify=True),
            [
                DrivenChannel("uout", "V", 1.0, 1.0, ModbusChannel(register=0, factor=0.01)),
                DrivenChannel("iout", "A", 1.0, 10.0, ModbusChannel(register=1, type="int32", factor=0.001)),
            ],
        )

        def behave(behaviour):
            fake_instrument.behaviour = manners.get(behaviour, lambda frame: frame)
            if behaviour in (Behaviour.LATE, Behaviour.DRIPPING):
                ill = answers_ill(fake_instrument.line, behaviour, 0.3, lambda frame: frame)
                fake_instrument.behaviour = ill
            unit.identity = nasty if behaviour is Behaviour.CONTROL_CODES else identity
            # A register that is not there is refused, also where it is asked for together with others.
            unit.tables["holding"] = {0: 2210} if behaviour is Behaviour.ONE_BAD else dict(registers)

        behave(Behaviour.WELL)
        driver.configure_switch(ModbusSwitch(coil=7, value=False))
        yield Rig(driver, {"uout": 22.1, "iout": -0.25}, behave, EVERY_BEHAVIOUR)
        driver.close()


class TestModbusTcp(DriverConformance):
    def rig(self):
        return modbus_rig(tcp=True)


class TestModbusRtu(DriverConformance):
    def rig(self):
        return modbus_rig(tcp=False)


def frames_driver(address, query=""):
    layout = {"sync": "AA 55", "length": 7, "checksum": "xor", "checksum_from": 2, "query": query}
    return SerialFramesDriver(
        "meter",
        SerialFramesSettings.model_validate({"address": address, "timeout": 0.4} | layout),
        [
            DrivenChannel("u", "V", 0.1, 1.0, SerialFramesChannel(at=2, format=">h", factor=0.01)),
            DrivenChannel("i", "A", 0.1, 2.0, SerialFramesChannel.model_validate(DIGITS)),
        ],
    )


DIGITS = {"at": 4, "format": "bcd", "count": 2, "factor": 0.001, "fixed_range": True}
FRAME = b"\xaa\x55\xf7\x5e\x02\x50\xfb"
"""-2210, the digits 0250, and the xor of their bytes."""
ONE_BAD_FRAME = b"\xaa\x55\xf7\x5e\x02\xf0\x5b"
"""The same with a digit that is none, and the xor of their bytes."""


class TestSerialFramesStreaming(DriverConformance):
    def rig(self):
        shows = {"u": -22.1, "i": 0.5}
        return streaming_rig(
            FakeSerialInstrument(), lambda far_end: far_end.path, frames_driver, FRAME, shows,
            one_bad=ONE_BAD_FRAME, drips=True,
        )  # fmt: skip


class TestSerialFramesAsked(DriverConformance):
    @contextmanager
    def rig(self):
        answers = {
            Behaviour.SILENT: None, Behaviour.GARBAGE: NOISE + FRAME[:-1], Behaviour.ONE_BAD: ONE_BAD_FRAME,
        }  # fmt: skip
        with FakeSerialInstrument(split=lambda data: ([data], b"")) as fake_instrument:

            def behave(behaviour):
                fake_instrument.answer = lambda _: answers.get(behaviour, FRAME)
                if behaviour in (Behaviour.LATE, Behaviour.DRIPPING):
                    fake_instrument.answer = answers_ill(fake_instrument, behaviour, 0.4, lambda _: FRAME)

            behave(Behaviour.WELL)
            driver = frames_driver(fake_instrument.path, query="01")
            driver.configure_switch(SerialSwitch.model_validate({"bytes": "02"}))
            yield Rig(driver, {"u": -22.1, "i": 0.5}, behave, EVERY_BEHAVIOUR)
            driver.close()


class TestValueFile(DriverConformance):
    @contextmanager
    def rig(self):
        with TemporaryDirectory() as folder:
            paths = [Path(folder, name) for name in ("temp1_input", "temp2_input")]

            def behave(behaviour):
                for path in paths:
                    if behaviour is Behaviour.SILENT:
                        path.unlink()
                    else:
                        is_bad = behaviour is Behaviour.ONE_BAD and path is paths[-1]
                        path.write_bytes(NOISE if is_bad or behaviour is Behaviour.GARBAGE else b"23400\n")

            behave(Behaviour.WELL)
            keys = [{"factor": 0.001}, {"pattern": r"^(\d+)$", "factor": 0.001, "offset": 2.2}]
            channels = [
                DrivenChannel(f"t{at}", "°C", 0.1, at, ValueFileChannel.model_validate({"file": path.name} | own))
                for at, (path, own) in enumerate(zip(paths, keys, strict=True), 1)
            ]
            driver = ValueFileDriver("sensor", ValueFileSettings(address=folder), channels)
            plays = ALWAYS_PLAYED | {Behaviour.ONE_BAD}
            yield Rig(driver, TEMPERATURES, behave, plays, "a file is there or not, and is neither asked nor late")


class LogFile:
    """What `streaming_rig` plays a meter on: a file that grows."""

    def __init__(self, path):
        self.path = path

    def __enter__(self):
        self.path.write_bytes(b"t1;t2\n")
        return self

    def __exit__(self, *_):
        self.path.unlink()

    def send(self, data):
        with self.path.open("ab") as file:
            file.write(data)


class TestCsvTail(DriverConformance):
    @contextmanager
    def rig(self):
        def make(address):
            return CsvTailDriver(
                "logger",
                CsvTailSettings(address=address, separator=";", decimal_comma=True, timeout=0.4),
                [
                    DrivenChannel("t1", "°C", 0.1, 1.0, CsvTailChannel(column="t1")),
                    DrivenChannel("t2", "°C", 0.1, 2.0, CsvTailChannel(column=2)),
                ],
            )

        with TemporaryDirectory() as folder:
            log = LogFile(Path(folder, "log.csv"))
            with streaming_rig(
                log, lambda log: str(log.path), make, b"23,4;25,6\n", TEMPERATURES,
                one_bad=b"23,4;2,5,6 C\n", drips=True,
            ) as rig:  # fmt: skip
                yield rig


class TestHand(DriverConformance):
    """The fake instrument is a person who types."""

    @contextmanager
    def rig(self):
        behaviour, ended = [Behaviour.WELL], threading.Event()
        driver = HandDriver(
            "display",
            InstrumentSettings(timeout=0.4),
            [
                DrivenChannel("u", "V", 0.1, 1.0, ChannelSettings()),
                DrivenChannel("i", "A", 0.1, 10.0, ChannelSettings()),
            ],
        )

        def enter_manual():
            while not ended.wait(0.02):
                texts = {"u": "22,1 V", "i": "250 mA"}
                if behaviour[0] is Behaviour.GARBAGE:
                    texts = {"u": "\x1b[2J[bold]22.", "i": "1.2.3 A"}
                if behaviour[0] is Behaviour.ONE_BAD:
                    texts["i"] = "250 apples"
                for channel, text in texts.items() if behaviour[0] is not Behaviour.SILENT else ():
                    with suppress(BadInput):
                        driver.enter_manual(channel, text, time.monotonic())

        def behave(how):
            behaviour[0] = how

        person = threading.Thread(target=enter_manual)
        person.start()
        try:
            plays = ALWAYS_PLAYED | {Behaviour.ONE_BAD}
            yield Rig(driver, {"u": 22.1, "i": 2.5}, behave, plays, "a person is never asked, and types whole values")
        finally:
            ended.set()
            person.join()


def kit_for(driver_class):
    """Return the kit for a driver of one channel that is `driver_class` on a good line."""

    class Conformance(DriverConformance):
        patience = 2.0

        @contextmanager
        def rig(self):
            with scpi_rig(FakeTcpInstrument()) as good:
                driver = driver_class("x", good.driver.settings, list(good.driver.channels.values()))
                driver.configure_switch(good.driver.switch)
                try:
                    yield Rig(driver, good.shows, good.behave, good.plays)
                finally:
                    driver.close()

    return Conformance()


class LastGoodValue(ScpiDriver):
    last = 0.0

    def _query(self, channel):
        with suppress(BadReply):
            self.last = super()._query(channel)
        return self.last


class NoFactor(ScpiDriver):
    def _query(self, channel):
        return super()._query(channel) / channel.settings.factor


class OldTime(ScpiDriver):
    def read(self, channel):
        reading = super().read(channel)
        return Reading(reading.channel, reading.time - 5.0, reading.value, reading.problem)


class NeverLost(ScpiDriver):
    def read(self, channel):
        try:
            return super().read(channel)
        except InstrumentError:
            return Reading(channel, self.clock(), None, "silent")


class AnotherChannelsValue(ScpiDriver):
    def _query(self, channel):  # noqa: ARG002  that is its fault
        return super()._query(next(iter(self.channels.values())))


class RawIdentity(ScpiDriver):
    def open(self):
        super().open()
        self._connection.write(b"*IDN?\n")
        return self._connection.read().decode("latin-1")


class LeavesItOpen(ScpiDriver):
    def _open(self):
        self.left = [*getattr(self, "left", []), Path("/dev/null").open("rb")]  # noqa: SIM115  that is its fault
        return super()._open()


class ClosesOnce(ScpiDriver):
    def close(self):
        if self._was_open and not self._connection.is_open:
            raise OSError("is not open")
        super().close()


class WaitsForever(ScpiDriver):
    """Its thread outlives the check that gives it up, so it ends with the rig, or it takes a core from what follows."""

    closed = False

    def _query(self, channel):
        while not self.closed:
            with suppress(Exception):
                return super()._query(channel)
        raise BadReply("the rig has ended")

    def close(self):
        self.closed = True
        super().close()


class TakesPartOfAnAnswer(ScpiDriver):
    def _query(self, channel):
        self._connection.write(self._query_messages[channel.name])
        self._connection.set_timeout(0.05)
        reply = b""
        with suppress(VisaIOError):
            while not reply.endswith(b"\n"):
                reply += self._connection._read_piece(1)[0]
        return float(reply.split(b",")[-1]) * channel.settings.factor


class NeverInStep(ScpiDriver):
    """It takes whatever answer comes next."""

    def _open(self):
        if not self._connection.is_open:
            self._connection.connect(1.0)
        self._connection.set_timeout(self.timeout)
        return ""

    def _close(self):
        if self.ending:
            super()._close()

    def _query(self, channel):
        self._connection.write(self._query_messages[channel.name])
        reply = self._connection.read().split(b",")[-1]
        return float(reply) * channel.settings.factor


class AllOrNothing(ScpiDriver):
    def _query_many(self, channels):
        found = [super(AllOrNothing, self)._query(channel) for channel in self.channels.values()]
        return [found[list(self.channels).index(channel.name)] for channel in channels]


class RaisesItsOwn(ScpiDriver):
    def switch_off(self):
        raise KeyError("relay 7")


class TestAForeignDriverThatMisbehaves:
    @pytest.mark.parametrize(
        ("driver_class", "test", "says"),
        [
            (
                LastGoodValue,
                "test_garbage_is_never_a_value_and_is_survived",
                "repeats an old value|garbage for a value",
            ),
            (NoFactor, "test_every_channel_shows_its_value_stamped_when_it_came", "shows"),
            (OldTime, "test_every_channel_shows_its_value_stamped_when_it_came", "is stamped"),
            (NeverLost, "test_silence_is_noticed_and_survived", "never noticed"),
            (AnotherChannelsValue, "test_every_channel_shows_its_value_stamped_when_it_came", "shows"),
            (RawIdentity, "test_control_codes_never_get_through", "not printable"),
            (LeavesItOpen, "test_leaks_neither_files_nor_threads", "more files are open"),
            (ClosesOnce, "test_closes_twice_and_opens_again", "is not open"),
            (WaitsForever, "test_silence_is_noticed_and_survived", "hangs"),
            (TakesPartOfAnAnswer, "test_bytes_that_drip_are_no_value_and_hold_nobody_up", "part of an answer"),
            (NeverInStep, "test_a_late_answer_is_never_another_channels", "late answer for another"),
            (AllOrNothing, "test_one_bad_channel_silences_no_other", "silences others"),
            (RaisesItsOwn, "test_switching_off_fails_only_as_an_instrument_does", "no InstrumentError"),
        ],
    )
    @pytest.mark.filterwarnings("ignore::ResourceWarning")
    def test_the_kit_catches_it(self, driver_class, test, says):
        with pytest.raises((AssertionError, OSError), match=says):
            getattr(kit_for(driver_class), test)()

    def test_the_kit_catches_a_driver_that_takes_garbage_for_a_value(self):
        class Careless(ScpiDriver):
            def _query(self, channel):
                self._connection.write(self._query_messages[channel.name])
                reply = self._connection.read()
                return float("".join(c for c in reply.decode("latin-1") if c.isdigit()) or 0) / 1e9

        class Conformance(DriverConformance):
            @contextmanager
            def rig(self):
                with scpi_rig(FakeTcpInstrument()) as rig:
                    careless = Careless("x", rig.driver.settings, [rig.driver.channels["uout"]])
                    yield Rig(careless, {"uout": 22.100000001}, rig.behave)
                    careless.close()

        with pytest.raises(AssertionError, match="took garbage for a value"):
            Conformance().test_garbage_is_never_a_value_and_is_survived()
