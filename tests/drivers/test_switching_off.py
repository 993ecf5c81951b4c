"""Drivers that switch the power off: at once, while a question waits for its answer, and only by what they are told."""

import threading
from contextlib import contextmanager, suppress

import pytest

from benchmon.bench.fields import KeyedError
from benchmon.errors import InstrumentError
from benchmon.instruments.testing.fake_instrument import PtyFarEnd, TcpFarEnd, silence
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.modbus.driver import ModbusChannel, ModbusDriver, ModbusSettings
from benchmon_drivers.modbus.switch import CoilSettings
from benchmon_drivers.scpi.driver import ScpiDriver
from benchmon_drivers.scpi.settings import ScpiChannel, ScpiSettings, ScpiSwitch
from benchmon_drivers.serial.lines import SerialLinesChannel, SerialLinesDriver, SerialLinesSettings
from benchmon_drivers.serial.switch import LineSettings
from support.far_ends.modbus import ModbusFarEnd, Unit
from support.far_ends.rfc2217 import Rfc2217Port
from support.waiting import until

pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5


@contextmanager
def hanging(driver, channel, line):
    """Let a question of `driver` on `line` wait for an answer that does not come, in a thread of its own."""
    before = len(line.asked)

    def ask():
        with suppress(InstrumentError):
            driver.read(channel)

    thread = threading.Thread(target=ask)
    thread.start()
    until(lambda: len(line.asked) > before)
    try:
        yield thread
    finally:
        driver.ending = True
        thread.join(60)
        driver.close()


# SCPI


def scpi_driver(far_end, how, channels=True, **keys):
    settings = ScpiSettings.model_validate(
        {"address": far_end.visa_address, "identity": "", "error_queue": False, "timeout": 2.0} | keys
    )
    channel = DrivenChannel("u", "V", 1.0, 1.0, ScpiChannel(query="MEAS?"))
    driver = ScpiDriver("supply", settings, [channel] if channels else [])
    driver.fit_switch(ScpiSwitch.model_validate(how))
    return driver


@pytest.mark.parametrize("kind", [TcpFarEnd, PtyFarEnd])
def test_a_scpi_command_gets_past_a_question_that_waits(kind):
    heard = []
    with kind(heard.append) as far_end:
        driver = scpi_driver(far_end, {"command": "OUTP OFF"})
        driver.open()
        with hanging(driver, "u", far_end):
            said = driver.switch_off()
            until(lambda: b"OUTP OFF" in heard)
            assert said.startswith("OUTP OFF sent")


def test_a_scpi_command_has_a_connection_of_its_own_where_the_line_is_not_open():
    answers = {b"*OPC?": b"1\n", b"OUTP?": b"0\n"}
    with TcpFarEnd(answers.get) as far_end:
        driver = scpi_driver(far_end, {"command": "OUTP OFF", "confirm": "OUTP?"}, channels=False)
        driver.ready_switch()
        assert driver.switch_off() == "OUTP OFF sent and acknowledged"
        assert driver.is_off() is True
        answers[b"OUTP?"] = b"ON\n"
        assert driver.is_off() is False
        assert far_end.asked[:3] == [b"*OPC?", b"OUTP OFF", b"*OPC?"]


def test_a_switch_that_does_not_acknowledge_is_an_error_that_says_so():
    with TcpFarEnd(silence) as far_end:
        driver = scpi_driver(far_end, {"command": "OUTP OFF"})
        with pytest.raises(InstrumentError, match="no answer"):
            driver.switch_off()
        assert driver.is_off() is None


def test_a_switch_that_is_not_there_is_told_when_it_is_made_ready_and_when_it_is_needed():
    with TcpFarEnd() as far_end:
        far_end.unplug()
        driver = scpi_driver(far_end, {"command": "OUTP OFF"}, channels=False)
        for what in (driver.ready_switch, driver.switch_off):
            with pytest.raises(InstrumentError, match=str(far_end.port)):
                what()


# Modbus


def modbus_driver(far_end, **how):
    settings = ModbusSettings(address=far_end.address, timeout=2.0)
    driver = ModbusDriver("relay", settings, [DrivenChannel("u", "V", 1.0, 1.0, ModbusChannel(register=0))])
    driver.fit_switch(CoilSettings.model_validate({"coil": 7, "value": False} | how))
    return driver


@pytest.fixture(params=["tcp", "rtu"])
def unit_and_far_end(request):
    unit = Unit(holding={0: 5}, coil={7: True})
    with ModbusFarEnd({1: unit}, tcp=request.param == "tcp") as far_end:
        yield unit, far_end


def test_a_coil_is_written_past_a_question_that_waits(unit_and_far_end):
    unit, far_end = unit_and_far_end
    driver = modbus_driver(far_end)
    driver.open()
    assert driver.read("u").value == 5.0
    far_end.manner = lambda _: None
    with hanging(driver, "u", far_end.line):
        far_end.manner = lambda frame: frame
        said = driver.switch_off()
        assert unit.tables["coil"][7] is False
        assert said.startswith("coil 7 of unit 1 written 0")
        if not far_end.tcp:
            assert said.endswith("acknowledged")


def test_a_coil_over_tcp_is_written_at_once_though_only_one_connection_is_served():
    unit, heard = Unit(coil={7: True}), []
    with ModbusFarEnd({1: unit}) as far_end:
        driver = modbus_driver(far_end)
        driver.open()
        far_end.manner = lambda frame: heard.append(frame[7]) if frame[7] == 5 else None
        with hanging(driver, "u", far_end.line):
            said = driver.switch_off()
            until(lambda: heard == [5])
            assert "not acknowledged" in said


def test_readings_go_on_after_the_coil_was_written(unit_and_far_end):
    _, far_end = unit_and_far_end
    driver = modbus_driver(far_end)
    driver.open()
    for _ in range(3):
        driver.switch_off()
        assert driver.read("u").value == 5.0
    driver.close()


def test_a_coil_is_read_back_and_may_be_another_unit_s(unit_and_far_end):
    _, far_end = unit_and_far_end
    far_end.units[9] = Unit(coil={7: False})
    driver = modbus_driver(far_end, value=True, unit=9)
    driver.ready_switch()
    assert driver.is_off() is False
    assert driver.switch_off() == "coil 7 of unit 9 written 1, acknowledged"
    assert driver.is_off() is True
    assert far_end.units[1].tables["coil"] == {7: True}


def test_a_coil_that_is_refused_is_an_error_by_name(unit_and_far_end):
    unit, far_end = unit_and_far_end
    unit.refuses = 4
    with pytest.raises(InstrumentError, match="exception 04, server device failure"):
        modbus_driver(far_end).switch_off()


@pytest.mark.parametrize(
    "how", [{"coil": -1}, {"coil": 1, "value": 2}, {"coil": 1}, {"value": 0}, {"coil": 1, "value": "off"}]
)
def test_coils_that_cannot_be_are_refused(how):
    with pytest.raises(ValueError, match="validation error"):
        CoilSettings.model_validate(how)


# RTS and DTR


def line_driver(url, line="rts", level="released", channels=True, **keys):
    settings = SerialLinesSettings.model_validate({"address": url, "timeout": 0.4} | keys)
    channel = DrivenChannel("u", "V", 0.1, 1.0, SerialLinesChannel())
    driver = SerialLinesDriver("relay", settings, [channel] if channels else [])
    driver.fit_switch(LineSettings.model_validate({"line": line, "level": level}))
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
    with Rfc2217Port() as far_end, closed_for_good(line_driver(far_end.url, line, level, has_channels)) as driver:
        if order == "open, ready":
            driver.open()
            assert far_end.lines[line] is (level == "asserted")
        driver.ready_switch()
        if order == "ready, open":
            driver.open()
        assert far_end.lines[line] is (level == "released")
        assert driver.switch_off() == f"{line.upper()} {level}"
        assert far_end.lines[line] is (level == "asserted")
        driver.ready_switch()
        assert far_end.lines[line] is (level == "asserted"), "what was switched off stays off"


def test_a_line_switches_off_while_the_port_is_read():
    with Rfc2217Port() as far_end, closed_for_good(line_driver(far_end.url, timeout=5.0)) as driver:
        driver.open()
        driver.ready_switch()
        ended = threading.Event()

        def read():
            while not ended.is_set():
                driver.receive(0.1)

        thread = threading.Thread(target=read)
        thread.start()
        driver.switch_off()
        assert far_end.lines["rts"] is False
        ended.set()
        thread.join(60)


def test_a_meter_that_falls_silent_and_is_opened_anew_leaves_the_power_as_it_is():
    with Rfc2217Port() as far_end, closed_for_good(line_driver(far_end.url)) as driver:
        driver.open()
        driver.ready_switch()
        before = len(far_end.port.went)
        for _ in range(3):
            driver.close()
            driver.open()
        assert {asserted for line, asserted, _ in far_end.port.went[before:] if line == "rts"} <= {True}
        driver.switch_off()
        driver.close()
        driver.open()
        assert far_end.lines["rts"] is False


def test_power_that_was_switched_off_before_the_port_was_open_stays_off():
    with Rfc2217Port() as far_end, closed_for_good(line_driver(far_end.url)) as driver:
        driver.switch_off()
        driver.open()
        assert far_end.lines["rts"] is False


def test_a_port_without_such_lines_says_so():
    with PtyFarEnd() as far_end, closed_for_good(line_driver(far_end.path)) as driver:
        driver.open()
        with pytest.raises(InstrumentError, match=far_end.path):
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


def test_a_driver_that_was_not_told_how_switches_nothing():
    driver = ScpiDriver("dmm", ScpiSettings(address="TCPIP::127.0.0.1::1::SOCKET"), [])
    with pytest.raises(InstrumentError, match="has not been told how to switch off"):
        driver.switch_off()
