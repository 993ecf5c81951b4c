"""Drivers that switch the power off: at once, even while a query is pending, and only by their keys."""

import threading
from contextlib import contextmanager, suppress

import pytest

from benchmon.bench.fields import KeyedError
from benchmon.errors import InstrumentError
from benchmon.instruments.testing.fake_instrument import FakeSerialInstrument, FakeTcpInstrument, no_reply
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.modbus.driver import ModbusChannel, ModbusDriver, ModbusSettings, ModbusSwitch
from benchmon_drivers.scpi.driver import ScpiDriver
from benchmon_drivers.scpi.settings import ScpiChannel, ScpiSettings, ScpiSwitch
from benchmon_drivers.serial.driver import SerialSwitch
from benchmon_drivers.serial.lines import SerialLinesChannel, SerialLinesDriver, SerialLinesSettings
from support.far_ends.modbus import FakeModbusInstrument, Unit
from support.far_ends.rfc2217 import Rfc2217Port
from support.waiting import until

pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5


@contextmanager
def hanging(driver, channel, line):
    """Let a question of `driver` on `line` wait for an answer that does not come, in a thread of its own."""
    before = len(line.received)

    def ask():
        with suppress(InstrumentError):
            driver.read(channel)

    thread = threading.Thread(target=ask)
    thread.start()
    until(lambda: len(line.received) > before)
    try:
        yield thread
    finally:
        driver.ending = True
        thread.join(60)
        driver.close()


# SCPI


def scpi_driver(fake_instrument, how, channels=True, **keys):
    settings = ScpiSettings.model_validate(
        {"address": fake_instrument.visa_address, "identity": "", "error_queue": False, "timeout": 2.0} | keys
    )
    channel = DrivenChannel("u", "V", 1.0, 1.0, ScpiChannel(query="MEAS?"))
    driver = ScpiDriver("supply", settings, [channel] if channels else [])
    driver.configure_switch(ScpiSwitch.model_validate(how))
    return driver


@pytest.mark.parametrize("kind", [FakeTcpInstrument, FakeSerialInstrument])
def test_a_scpi_command_gets_past_a_question_that_waits(kind):
    heard = []
    with kind(heard.append) as fake_instrument:
        driver = scpi_driver(fake_instrument, {"command": "OUTP OFF"})
        driver.open()
        with hanging(driver, "u", fake_instrument):
            said = driver.switch_off()
            until(lambda: b"OUTP OFF" in heard)
            assert said.startswith("OUTP OFF sent")


def test_a_scpi_command_has_a_connection_of_its_own_where_the_line_is_not_open():
    answers = {b"*OPC?": b"1\n", b"OUTP?": b"0\n"}
    with FakeTcpInstrument(answers.get) as fake_instrument:
        driver = scpi_driver(fake_instrument, {"command": "OUTP OFF", "confirm": "OUTP?"}, channels=False)
        driver.arm_switch()
        assert driver.switch_off() == "OUTP OFF sent and acknowledged"
        assert driver.is_off() is True
        answers[b"OUTP?"] = b"ON\n"
        assert driver.is_off() is False
        assert fake_instrument.received[:3] == [b"*OPC?", b"OUTP OFF", b"*OPC?"]


def test_a_switch_that_does_not_acknowledge_is_an_error():
    with FakeTcpInstrument(no_reply) as fake_instrument:
        driver = scpi_driver(fake_instrument, {"command": "OUTP OFF"})
        with pytest.raises(InstrumentError, match="no answer"):
            driver.switch_off()
        assert driver.is_off() is None


def test_a_switch_that_is_not_there_is_an_error_when_armed_and_when_needed():
    with FakeTcpInstrument() as fake_instrument:
        fake_instrument.unplug()
        driver = scpi_driver(fake_instrument, {"command": "OUTP OFF"}, channels=False)
        for what in (driver.arm_switch, driver.switch_off):
            with pytest.raises(InstrumentError, match=str(fake_instrument.port)):
                what()


# Modbus


def modbus_driver(fake_instrument, **how):
    settings = ModbusSettings(address=fake_instrument.address, timeout=2.0)
    driver = ModbusDriver("relay", settings, [DrivenChannel("u", "V", 1.0, 1.0, ModbusChannel(register=0))])
    driver.configure_switch(ModbusSwitch.model_validate({"coil": 7, "value": False} | how))
    return driver


@pytest.mark.parametrize("tcp", [True, False])
def test_a_unit_that_does_not_answer_is_not_ready(tcp):
    """A port that opens, and a gateway that takes a connection, are no unit."""
    unit = Unit(coil={7: True})
    with FakeModbusInstrument({1: unit}, tcp=tcp) as far_end:
        driver = ModbusDriver("relay", ModbusSettings(address=far_end.address, timeout=0.3), [])
        driver.configure_switch(ModbusSwitch(coil=7, value=False))
        driver.arm_switch()
        unit.refuses = 1
        driver.arm_switch()
        assert unit.tables["coil"][7], "nothing is switched by looking whether it is there"
        far_end.units.clear()
        with pytest.raises(InstrumentError):
            driver.arm_switch()
        driver.close()


@pytest.fixture(params=["tcp", "rtu"])
def unit_and_fake_instrument(request):
    unit = Unit(holding={0: 5}, coil={7: True})
    with FakeModbusInstrument({1: unit}, tcp=request.param == "tcp") as fake_instrument:
        yield unit, fake_instrument


def test_a_coil_is_written_past_a_pending_query(unit_and_fake_instrument):
    unit, fake_instrument = unit_and_fake_instrument
    driver = modbus_driver(fake_instrument)
    driver.open()
    assert driver.read("u").value == 5.0
    fake_instrument.behaviour = lambda _: None
    with hanging(driver, "u", fake_instrument.line):
        fake_instrument.behaviour = lambda frame: frame
        said = driver.switch_off()
        assert unit.tables["coil"][7] is False
        assert said.startswith("coil 7 of unit 1 written 0")
        if not fake_instrument.tcp:
            assert said.endswith("acknowledged")


def test_a_coil_over_tcp_is_written_at_once_though_only_one_connection_is_served():
    unit, heard = Unit(coil={7: True}), []
    with FakeModbusInstrument({1: unit}) as fake_instrument:
        driver = modbus_driver(fake_instrument)
        driver.open()
        fake_instrument.behaviour = lambda frame: heard.append(frame[7]) if frame[7] == 5 else None
        with hanging(driver, "u", fake_instrument.line):
            said = driver.switch_off()
            until(lambda: heard == [5])
            assert "not acknowledged" in said


def test_readings_go_on_after_the_coil_was_written(unit_and_fake_instrument):
    _, fake_instrument = unit_and_fake_instrument
    driver = modbus_driver(fake_instrument)
    driver.open()
    for _ in range(3):
        driver.switch_off()
        assert driver.read("u").value == 5.0
    driver.close()


def test_a_coil_is_read_back_and_may_be_another_unit_s(unit_and_fake_instrument):
    _, fake_instrument = unit_and_fake_instrument
    fake_instrument.units[9] = Unit(coil={7: False})
    driver = modbus_driver(fake_instrument, value=True, unit=9)
    with pytest.raises(InstrumentError, match="is not connected"):
        driver.arm_switch()
    assert driver.is_off() is False
    assert driver.switch_off() == "coil 7 of unit 9 written 1, acknowledged"
    assert driver.is_off() is True
    assert fake_instrument.units[1].tables["coil"] == {7: True}


def test_a_coil_that_is_refused_is_an_error_by_name(unit_and_fake_instrument):
    unit, fake_instrument = unit_and_fake_instrument
    unit.refuses = 4
    with pytest.raises(InstrumentError, match="exception 04, server device failure"):
        modbus_driver(fake_instrument).switch_off()


def test_a_register_is_written_and_another_table_says_that_the_power_is_off(unit_and_fake_instrument):
    unit, fake_instrument = unit_and_fake_instrument
    driver = modbus_driver(fake_instrument, coil=None, register=9, value=0xA5)
    unit.tables |= {"holding": {9: 0}, "discrete": {3: True}}
    assert driver.is_off() is False
    assert driver.switch_off() == "register 9 of unit 1 written 165, acknowledged"
    assert unit.tables["holding"][9] == 0xA5
    assert driver.is_off() is True
    driver = modbus_driver(fake_instrument, confirm=["discrete", 3, 0])
    assert driver.is_off() is False
    unit.tables["discrete"][3] = False
    assert driver.is_off() is True


@pytest.mark.parametrize(
    "how",
    [
        {"coil": -1},
        {"coil": 1, "value": 2},
        {"coil": 1},
        {"value": 0},
        {"coil": 1, "value": "off"},
        {"coil": 1, "register": 1, "value": 0},
        {"register": 1, "value": 70000},
    ],
)
def test_coils_that_cannot_be_are_refused(how):
    with pytest.raises(ValueError, match="validation error"):
        ModbusSwitch.model_validate(how)


# RTS and DTR


def line_driver(url, line="rts", level="released", channels=True, **keys):
    settings = SerialLinesSettings.model_validate({"address": url, "timeout": 0.4} | keys)
    channel = DrivenChannel("u", "V", 0.1, 1.0, SerialLinesChannel())
    driver = SerialLinesDriver("relay", settings, [channel] if channels else [])
    driver.configure_switch(SerialSwitch.model_validate({"line": line, "level": level}))
    return driver


@contextmanager
def closed_for_good(driver):
    try:
        yield driver
    finally:
        driver.ending = True
        driver.close()


@pytest.mark.parametrize("line", ["rts", "dtr"])
@pytest.mark.parametrize("level", ["released", "asserted"])
@pytest.mark.parametrize("order", ["no channels", "open, ready", "ready, open"])
def test_a_line_keeps_the_power_off_until_it_is_ready_and_holds_it_until_it_switches_off(line, level, order):
    has_channels = order != "no channels"
    with (
        Rfc2217Port() as fake_instrument,
        closed_for_good(line_driver(fake_instrument.url, line, level, has_channels)) as driver,
    ):
        if order == "open, ready":
            driver.open()
            assert fake_instrument.lines[line] is (level == "asserted")
        if order == "ready, open":
            with pytest.raises(InstrumentError, match="is not connected"):
                driver.arm_switch()
            driver.open()
        else:
            driver.arm_switch()
        assert fake_instrument.lines[line] is (level == "released")
        assert driver.switch_off() == f"{line.upper()} {level}"
        assert fake_instrument.lines[line] is (level == "asserted")
        driver.arm_switch()
        assert fake_instrument.lines[line] is (level == "asserted"), "what was switched off stays off"


def test_a_line_switches_off_while_the_port_is_read():
    with Rfc2217Port() as fake_instrument, closed_for_good(line_driver(fake_instrument.url, timeout=5.0)) as driver:
        driver.open()
        driver.arm_switch()
        ended = threading.Event()

        def read():
            while not ended.is_set():
                driver.receive(0.1)

        thread = threading.Thread(target=read)
        thread.start()
        driver.switch_off()
        assert fake_instrument.lines["rts"] is False
        ended.set()
        thread.join(60)


def test_a_meter_that_falls_silent_and_is_reopened_leaves_the_power_as_it_is():
    with Rfc2217Port() as fake_instrument, closed_for_good(line_driver(fake_instrument.url)) as driver:
        driver.open()
        driver.arm_switch()
        before = len(fake_instrument.port.went)
        for _ in range(3):
            driver.close()
            driver.open()
        assert {asserted for line, asserted, _ in fake_instrument.port.went[before:] if line == "rts"} <= {True}
        driver.switch_off()
        driver.close()
        driver.open()
        assert fake_instrument.lines["rts"] is False


def test_power_that_was_switched_off_before_the_port_was_open_stays_off():
    with Rfc2217Port() as fake_instrument, closed_for_good(line_driver(fake_instrument.url)) as driver:
        driver.switch_off()
        driver.open()
        assert fake_instrument.lines["rts"] is False


def test_a_port_without_such_lines_is_an_error():
    with FakeSerialInstrument() as fake_instrument, closed_for_good(line_driver(fake_instrument.path)) as driver:
        driver.open()
        with pytest.raises(InstrumentError, match=fake_instrument.path):
            driver.switch_off()


@pytest.mark.parametrize(
    ("url", "keys", "says"),
    [
        ("socket://127.0.0.1:1", {}, "a socket has none"),
        ("/dev/ttyUSB0", {"handshake": "rts/cts"}, "is taken by the handshake"),
    ],
)
def test_a_line_that_cannot_switch_is_refused(url, keys, says):
    with pytest.raises(KeyedError, match=says):
        line_driver(url, **keys)


@pytest.mark.parametrize("levels", [{"rts": "released", "dtr": "asserted"}, {"rts": "asserted", "dtr": "released"}])
def test_lines_that_feed_a_cable_have_their_level_while_the_port_is_open(levels):
    with Rfc2217Port() as end:
        settings = SerialLinesSettings.model_validate({"address": end.url, "timeout": 0.4} | levels)
        driver = SerialLinesDriver("meter", settings, [DrivenChannel("u", "V", 0.1, 1.0, SerialLinesChannel())])
        with closed_for_good(driver):
            driver.open()
            assert end.lines == {line: level == "asserted" for line, level in levels.items()}


# Relay boards


def board(far_end, channels=(), **how):
    settings = SerialLinesSettings.model_validate({"address": far_end.path, "timeout": 0.4})
    driver = SerialLinesDriver("board", settings, list(channels))
    driver.configure_switch(SerialSwitch.model_validate(how))
    return driver


BY_BYTES = {"bytes": "3C 10 00", "confirm": "3C 20 00", "off_answer": "3C 11 00"}
BY_TEXT = {"text": "mains 2 off", "confirm": "mains 2?", "off_answer": "off"}


@pytest.mark.parametrize(
    ("how", "answers", "did"),
    [
        (BY_BYTES, {bytes.fromhex("3C2000"): bytes.fromhex("3C1100")}, "3C 10 00 sent"),
        (BY_TEXT, {b"mains 2?\n": b"mains 2?\r\noff\r\n"}, "mains 2 off sent"),
        (BY_TEXT | {"end": "\r"}, {b"mains 2?\r": b"off\n"}, "mains 2 off sent"),
    ],
    ids=["bytes", "text with an echo", "text"],
)
def test_a_relay_board_is_switched_by_a_message_and_confirms(how, answers, did):
    with (
        FakeSerialInstrument(answers.get, lambda data: ([data], b"")) as end,
        closed_for_good(board(end, **how)) as one,
    ):
        one.arm_switch()
        assert one.is_off() is True
        assert one.switch_off() == did
        until(lambda: len(end.received) == 3)
        sent = how.get("text", "") + how.get("end", "\n") if "text" in how else bytes.fromhex(how["bytes"])
        assert end.received[2] == (sent.encode() if isinstance(sent, str) else sent)
        end.answer = lambda _: bytes.fromhex("3C1101") if "bytes" in how else b"on\r\n"
        assert one.is_off() is False


def test_a_relay_board_that_does_not_answer_is_not_ready():
    with FakeSerialInstrument(no_reply) as end, closed_for_good(board(end, **BY_TEXT)) as one:
        with pytest.raises(InstrumentError, match="is the relay board plugged in"):
            one.arm_switch()
        assert one.switch_off() == "mains 2 off sent"


def test_a_relay_board_without_a_question_confirms_nothing():
    with FakeSerialInstrument(no_reply) as end, closed_for_good(board(end, bytes="3C 10 00")) as one:
        one.arm_switch()
        assert one.switch_off() == "3C 10 00 sent"
        assert one.is_off() is None


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ({}, "give one of"),
        ({"line": "rts"}, "needs it"),
        ({"line": "rts", "level": "released", "text": "off"}, "give one of"),
        ({"bytes": "A0", "text": "off"}, "give one of"),
        ({"bytes": "XY"}, "hexadecimal"),
        ({"bytes": "A0", "confirm": "relay?", "off_answer": "00"}, "hexadecimal"),
        ({"text": "off", "confirm": "relay?"}, "needs off_answer"),
    ],
)
def test_a_relay_that_cannot_be_is_refused(how, says):
    with pytest.raises(ValueError, match=says):
        SerialSwitch.model_validate(how)


def test_a_question_on_a_line_that_is_read_is_refused():
    with FakeSerialInstrument() as end, pytest.raises(KeyedError, match="channels are read from"):
        board(end, [DrivenChannel("u", "V", 0.1, 1.0, SerialLinesChannel())], **BY_TEXT)


def test_a_driver_without_switch_keys_switches_nothing():
    driver = ScpiDriver("dmm", ScpiSettings(address="TCPIP::127.0.0.1::1::SOCKET"), [])
    with pytest.raises(InstrumentError, match="has no settings to switch off"):
        driver.switch_off()
