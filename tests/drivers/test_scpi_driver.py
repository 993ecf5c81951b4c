"""The SCPI driver against real sockets, pseudo-terminals and the stock devices of pyvisa-sim."""

import gc
import math
import os
import re
import socket
import struct
import threading
import time
from contextlib import suppress

import pytest
import serial
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmon.errors import BadInput, BenchmonError, InstrumentError, InstrumentTimeout
from benchmon.instruments.testing.fake_instrument import FakeSerialInstrument, FakeTcpInstrument
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.scpi.connection import why_unusable
from benchmon_drivers.scpi.driver import ScpiDriver
from benchmon_drivers.scpi.settings import ScpiChannel, ScpiSettings

IDENTITY = {b"*IDN?": b"Acme,Meter,1,1.0\n", b"SYST:ERR?": b'0,"No error"\n'}


def driver_at(address, *queries, unit="V", on_complaint=None, **keys):
    keys = {"timeout": 0.3} | keys
    channels = [
        DrivenChannel(query, unit, 1.0, 1.0, ScpiChannel.model_validate({"query": query} | more))
        for query, more in (query if isinstance(query, tuple) else (query, {}) for query in queries)
    ]
    driver = ScpiDriver("meter", ScpiSettings.model_validate({"address": address} | keys), channels)
    if on_complaint is not None:
        driver.on_complaint = on_complaint
    return driver


@pytest.fixture
def fake_instrument():
    with FakeTcpInstrument(IDENTITY.get) as end:
        yield end


def read_one(opened, fake_instrument, reply, unit="V", **channel):
    fake_instrument.answer = (IDENTITY | {b"Q?": reply}).get
    return opened(driver_at(fake_instrument.visa_address, ("Q?", channel), unit=unit)).read("Q?")


@pytest.mark.parametrize(
    ("reply", "channel", "value"),
    [
        (b"22\n", {}, 22.0),
        (b"-0.5\r\n", {}, -0.5),
        (b"  +1.25000000E-03 \n", {}, 0.00125),
        (b".5\n", {}, 0.5),
        (b"1.,2,3\n", {"index": 0}, 1.0),
        (b"1,2.5E0, -3\n", {"index": 2}, -3.0),
        (b"1.25\n", {"factor": 0.001}, 0.00125),
        (b"1.25\n", {"factor": "1000"}, 1250.0),
        (b"VOLT 1.25\n", {}, 1.25),
        (b":MEAS:VOLT:DC 1.25E0\n", {}, 1.25),
        (b"1.25 V\n", {}, 1.25),
        (b"1.25mV\n", {}, 0.00125),
        (b"12 A\n", {"unit": "A"}, 12.0),
        (b"1200 MA\n", {"unit": "A"}, 1.2),
        (b"12.5\n", {"unit": "mV"}, 0.0125),
        (b"12.5 V\n", {"unit": "mV"}, 12.5),
        (b"1.25\n", {"factor": -1}, -1.25),
        (b"1.25\n", {"factor": 2, "offset": "0.5"}, 3.0),
        (b"12345 MV\n", {}, 12.345),
        (b"5 UV\n", {}, 5e-6),
        (b"5 VDC\n", {}, 5.0),
        (b"5 V DC\n", {}, 5.0),
        (b"5 mVAC\n", {}, 5e-3),
        (b"5 Vrms\n", {}, 5.0),
        (b'"5.5"\n', {}, 5.5),
        (b"9.9E37\n", {}, math.inf),
        (b"9.9E37 V\n", {}, math.inf),
        (b"+9.99999E+20\n", {}, math.inf),
        (b"+1.0E+9\n", {}, math.inf),
        (b"+1.0E+9\n", {"factor": 1e-6}, math.inf),
        (b"-1.2E+8\n", {}, -math.inf),
        (b"OL\n", {}, math.inf),
        (b"-OVLD\n", {}, -math.inf),
        (b"OL V\n", {}, math.inf),
        (b"-INF\n", {}, -math.inf),
        (b"INF\n", {"factor": -1}, -math.inf),
        (b"-9.90000000E+37\n", {"factor": 0.001}, -math.inf),
    ],
)
def test_a_number_in_any_of_its_forms(opened, fake_instrument, reply, channel, value):
    reading = read_one(opened, fake_instrument, reply, **channel)
    assert reading.problem == ""
    assert reading.value == pytest.approx(value)


@pytest.mark.parametrize(
    ("reply", "says"),
    [
        (b"9.91E37\n", "has no number"),
        (b"ERROR\n", '"ERROR", which is not a number'),
        (b"\n", "not a number"),
        (b"nan\n", "no number"),
        (b"ERROR -113\n", "not a number"),
        (b"OL 12\n", "an overload with a number"),
        (b"1.5 mOhm\n", "is wanted"),
        (b"5 MVrms\n", "a thousandth or a million"),
        (b"5 furlongs\n", "not known"),
        (b"1_000\n", "not a number"),
        (b"1,2\n", "choose one by the channel's index"),
        (b"12 A\n", "check the meter's function"),
        (b"12 mA\n", "check the meter's function"),
        (b"1.2.3\n", "not a number"),
        (b"\x1b[2J\xff\n", r"\x1b[2J"),
        (b"1E99999\n", "not a number"),
        (b"#15HELLO\n", "not a number"),
        (b"x" * 5000 + b"\n", "more than 1000 characters"),
        (b"7" * 3000, "more than 1000 characters"),
    ],
)
def test_what_is_no_reading_is_refused(opened, fake_instrument, reply, says):
    reading = read_one(opened, fake_instrument, reply)
    assert reading.value is None
    assert says in reading.problem
    assert reading.problem.isprintable()


@pytest.mark.parametrize(
    ("reply", "unit", "value"),
    [
        (b"212 F", "K", 100.0),
        (b"32 \xb0F", "°F", 0.0),
        (b"300", "K", 26.85),
        (b"50", "°F", 10.0),
        (b"25 CEL", "°C", 25),
    ],
)
def test_a_temperature_in_any_scale(opened, fake_instrument, reply, unit, value):
    fake_instrument.answer = (IDENTITY | {b"Q?": reply + b"\n"}).get
    driver = opened(driver_at(fake_instrument.visa_address, ("Q?", {"unit": unit}), unit="°C"))
    assert driver.read("Q?").value == pytest.approx(value)


def test_what_is_colder_than_absolute_zero_is_no_reading(opened, fake_instrument):
    assert "implausible" in read_one(opened, fake_instrument, b"-999\n", unit="°C").problem


@pytest.mark.parametrize("reply", [b"9999\n", b"-9999\n", b"-----\n"])
def test_the_bench_file_gives_the_words_and_numbers_of_an_overload(opened, fake_instrument, reply):
    fake_instrument.answer = (IDENTITY | {b"Q?": reply}).get
    driver = opened(driver_at(fake_instrument.visa_address, "Q?", overload=["-----", 9999]))
    value = driver.read("Q?").value
    assert math.isinf(value)
    assert (value > 0) == (reply != b"-9999\n")


def test_an_index_beyond_the_reply_is_a_bad_reply(opened, fake_instrument):
    assert "2 values, none at index 2" in read_one(opened, fake_instrument, b"1,2\n", index=2).problem


def test_after_an_endless_reply_the_next_one_is_read_rightly(opened, fake_instrument):
    fake_instrument.answer = (IDENTITY | {b"Q?": b"1" * 30_000, b"R?": b"5\n"}).get
    driver = opened(driver_at(fake_instrument.visa_address, "Q?", "R?"))
    for _ in range(3):
        assert driver.read("Q?").value is None
        assert driver.read("R?").value == 5.0


def test_a_drip_without_end_never_reads_as_a_value_and_close_is_not_held_up(opened, fake_instrument):
    def drip(line):
        if line == b"Q?":
            for _ in range(12):
                fake_instrument.send(b"1")
                time.sleep(0.05)
            return None
        return IDENTITY.get(line)

    fake_instrument.answer = drip
    driver = opened(driver_at(fake_instrument.visa_address, "Q?", retries=0))
    with suppress(InstrumentError):
        assert driver.read("Q?").value is None


def test_the_setup_is_sent_in_order_and_its_queries_are_answered(opened, fake_instrument):
    fake_instrument.answer = (IDENTITY | {b"*OPC?": b"1\n", b"Q?": b"5\n"}).get
    driver = opened(driver_at(fake_instrument.visa_address, "Q?", setup=["*RST", "*OPC?", "CONF:VOLT:DC 100"]))
    assert driver.read("Q?").value == 5.0
    assert fake_instrument.received == [b"*IDN?", b"*RST", b"*OPC?", b"CONF:VOLT:DC 100", b"SYST:ERR?", b"Q?"]


def test_the_setup_is_sent_again_to_an_instrument_that_was_switched_off(opened, fake_instrument):
    fake_instrument.answer = (IDENTITY | {b"Q?": b"5\n"}).get
    driver = opened(driver_at(fake_instrument.visa_address, "Q?", setup=["CONF:VOLT:DC 100"]))
    fake_instrument.unplug()
    fake_instrument.received.clear()
    fake_instrument.plug_in()
    assert driver.read("Q?").value == 5.0
    assert b"CONF:VOLT:DC 100" in fake_instrument.received


def test_the_error_queue_is_read_until_empty_and_complained_of(opened, fake_instrument):
    queue = [b'-113,"Undefined header"\n', b'-222,"Data out of range;\x1b[1m"\r\n', b'+0,"No error"\n']
    fake_instrument.answer = lambda line: queue.pop(0) if line == b"SYST:ERR?" else IDENTITY.get(line)
    complaints = []
    opened(driver_at(fake_instrument.visa_address, setup=["NONSENSE"], on_complaint=complaints.append))
    assert complaints == ["error -113 Undefined header", r"error -222 Data out of range;\x1b[1m"]
    assert queue == []


def test_a_bad_reply_asks_for_the_reason(opened, fake_instrument):
    queue = [b'-230,"Data corrupt or stale"\n', b'0,"No error"\n']
    table = {b"*IDN?": b"Acme\n", b"Q?": b"???\n"}
    fake_instrument.answer = lambda line: queue.pop(0) if line == b"SYST:ERR?" else table.get(line)
    complaints = []
    driver = opened(driver_at(fake_instrument.visa_address, "Q?", on_complaint=complaints.append))
    driver.read("Q?")
    assert complaints == ["error -230 Data corrupt or stale"]


def test_an_error_queue_without_end_is_left_after_a_few(opened, fake_instrument):
    numbers = iter(range(1, 10_000))
    table = {b"*IDN?": b"Acme\n", b"Q?": b"5\n"}
    fake_instrument.answer = lambda line: b'-%d,"x"\n' % next(numbers) if line == b"SYST:ERR?" else table.get(line)
    complaints = []
    keys = {"error_queue": True, "on_complaint": complaints.append}
    driver = opened(driver_at(fake_instrument.visa_address, "Q?", **keys))
    assert len(complaints) == 10
    assert driver.read("Q?").value == 5.0


@pytest.mark.parametrize("reply", [None, b"what?\n"])
def test_an_instrument_without_error_queue_is_queried_for_it_once(opened, fake_instrument, reply):
    fake_instrument.answer = {b"*IDN?": b"Acme\n", b"Q?": b"5\n", b"SYST:ERR?": reply}.get
    complaints = []
    keys = {"error_queue": True, "on_complaint": complaints.append}
    driver = opened(driver_at(fake_instrument.visa_address, "Q?", **keys))
    assert driver.read("Q?").value == 5.0
    driver.close()
    driver.open()
    assert fake_instrument.received.count(b"SYST:ERR?") == 1
    assert "error_queue = false" in complaints[0]


@pytest.mark.parametrize("keys", [{"error_queue": False, "setup": ["CONF:VOLT:DC"]}, {}])
def test_the_error_queue_is_left_alone_where_nothing_can_be_wrong(opened, fake_instrument, keys):
    opened(driver_at(fake_instrument.visa_address, **keys))
    assert b"SYST:ERR?" not in fake_instrument.received


def test_a_greeting_and_unrequested_bytes_are_skipped(opened):
    with FakeTcpInstrument(
        (IDENTITY | {b"Q?": b"5\n7\n", b"R?": b"6\n"}).get, greeting=b"Welcome!\n1.5\n"
    ) as fake_instrument:
        driver = opened(driver_at(fake_instrument.visa_address, "Q?", "R?"))
        assert driver.identity == "Acme,Meter,1,1.0"
        for _ in range(3):
            assert driver.read("Q?").value == 5.0
            assert driver.read("R?").value == 6.0


def test_a_late_reading_is_not_taken_for_the_identity(opened):
    def answer(line):
        if line == b"Q?":
            time.sleep(0.35)
        return (IDENTITY | {b"Q?": b"111\n"}).get(line)

    with FakeSerialInstrument(answer) as fake_instrument:
        complaints = []
        driver = driver_at(fake_instrument.visa_address, "Q?", timeout=0.2, retries=0, on_complaint=complaints.append)
        assert "no answer to Q?" in opened(driver).read("Q?").problem
        assert driver.identity == "Acme,Meter,1,1.0"
        assert complaints == []


def test_a_serial_port_in_use_is_refused_to_all_others(opened):
    """Two programs on one line each read parts of the other's replies, and show wrong numbers."""
    with FakeSerialInstrument((IDENTITY | {b"Q?": b"7.89\n"}).get) as fake_instrument:
        first = opened(driver_at(fake_instrument.visa_address, "Q?"))
        with pytest.raises(InstrumentError, match="in use by another program"):
            driver_at(fake_instrument.visa_address, "Q?").open()
        with pytest.raises(serial.SerialException):
            serial.Serial(fake_instrument.path, exclusive=True)
        assert first.read("Q?").value == 7.89
        first.close()
        another = serial.Serial(fake_instrument.path, exclusive=True)
        with another, pytest.raises(InstrumentError, match="in use by another program"):
            first.open()
        first.open()
        assert first.read("Q?").value == 7.89


def test_a_late_reading_of_a_serial_meter_without_identity_is_waited_for(opened):
    def answer(line):
        if line == b"A?":
            time.sleep(0.45)
        return {b"A?": b"1\n", b"B?": b"2\n"}.get(line)

    with FakeSerialInstrument(answer) as fake_instrument:
        driver = opened(driver_at(fake_instrument.visa_address, "A?", "B?", timeout=0.2, identity="", retries=0))
        with pytest.raises(InstrumentTimeout):
            driver.read("A?")
        driver.close()
        driver.open()
        assert driver.read("B?").value == 2.0


def test_no_answer_to_idn_is_not_fatal(opened, fake_instrument):
    fake_instrument.answer = {b"Q?": b"5\n"}.get
    driver = opened(driver_at(fake_instrument.visa_address, "Q?"))
    assert driver.identity == ""
    assert driver.read("Q?").value == 5.0
    assert b"SYST:ERR?" not in fake_instrument.received


def test_other_terminations(opened, fake_instrument):
    fake_instrument.answer = {b"*IDN?": b"Acme\r", b"SYST:ERR?": b'0,""\r', b"Q?": b"5\r"}.get
    driver = opened(driver_at(fake_instrument.visa_address, "Q?", read_termination="\r", write_termination="\r\n"))
    assert driver.read("Q?").value == 5.0


def test_a_refused_connection_is_an_error(fake_instrument):
    fake_instrument.unplug()
    driver = driver_at(fake_instrument.visa_address, "Q?")
    with pytest.raises(InstrumentError, match="refused") as caught:
        driver.open()
    assert fake_instrument.visa_address in str(caught.value)


def test_a_serial_line_takes_its_keys_and_reads(opened):
    with FakeSerialInstrument((IDENTITY | {b"Q?": b"5\r\n"}).get) as fake_instrument:
        # A pseudo-terminal knows no parity and no seven bits.
        keys = {"baud": 19200, "stop_bits": 2, "handshake": "xon/xoff"}
        driver = opened(driver_at(fake_instrument.visa_address, "Q?", **keys))
        assert driver.read("Q?").value == 5.0
        resource = driver._connection._resource
        assert (resource.baud_rate, resource.stop_bits / 10, int(resource.flow_control)) == (19200, 2, 1)


def test_settings_that_a_port_refuses_are_refused():
    with FakeSerialInstrument() as fake_instrument:
        driver = driver_at(fake_instrument.visa_address, "Q?", parity="even", data_bits=7)
        with pytest.raises(InstrumentError, match="refuses its settings"):
            driver.open()


@pytest.mark.parametrize(
    ("address", "query", "identity", "value"),
    [
        ("TCPIP::localhost::10001::SOCKET", "?FREQ", "?IDN", 100.0),
        ("ASRL1::INSTR", "?AMP", "?IDN", 1.0),
        ("GPIB::9::INSTR", ":VOLT:IMM:AMPL?", "*IDN?", 1.0),
        ("USB::0x1111::0x2222::0x2468::INSTR", ":CURR:IMM:AMPL?", "*IDN?", 1.0),
        ("TCPIP::localhost:2222::INSTR", ":VOLT:IMM:AMPL?", "*IDN?", 1.0),
    ],
)
def test_the_stock_devices_of_pyvisa_sim_are_read(opened, address, query, identity, value):
    ends = "\r\n" if address.startswith("ASRL") else "\n"
    driver = opened(
        driver_at(address, query, backend="@sim", identity=identity, error_queue=False, write_termination=ends)
    )
    assert driver.identity in ("LSG Serial #1234", "SCPI,MOCK,VERSION_1.0")
    assert driver.read(query).value == value


def test_a_simulated_device_without_error_queue_is_still_read(opened):
    driver = opened(driver_at("GPIB::9::INSTR", ":VOLT:IMM:AMPL?", backend="@sim"))
    assert driver.read(":VOLT:IMM:AMPL?").value == 1.0


def test_a_device_file_of_one_s_own(opened, tmp_path):
    (tmp_path / "bench.yaml").write_text(
        'spec: "1.1"\n'
        "devices:\n"
        "  meter:\n"
        "    eom:\n"
        "      TCPIP SOCKET:\n"
        '        q: "\\n"\n'
        '        r: "\\n"\n'
        "    dialogues:\n"
        '      - {q: "*IDN?", r: "Acme,Sim,1,1"}\n'
        '      - {q: "MEAS?", r: "+9.90000000E+37"}\n'
        "resources:\n"
        "  TCPIP::10.0.0.1::5025::SOCKET:\n"
        "    device: meter\n"
    )
    backend = f"{tmp_path / 'bench.yaml'}@sim"
    driver = opened(driver_at("TCPIP::10.0.0.1::5025::SOCKET", "MEAS?", backend=backend, error_queue=False))
    assert (driver.identity, driver.read("MEAS?").value) == ("Acme,Sim,1,1", math.inf)


@pytest.mark.parametrize(
    ("address", "backend"),
    [
        ("GPIB::30::INSTR", "@sim"),
        ("TCPIP::localhost::1::SOCKET", "/no/such/file.yaml@sim"),
        ("ASRL/dev/no-such-port::INSTR", "@py"),
        ("USB::0x1111::0x2222::0x2468::INSTR", "@py"),
        (f"TCPIP::{'x' * 80}::5025::SOCKET", "@py"),
    ],
)
def test_what_cannot_be_opened_is_an_instrument_error_in_one_line(address, backend):
    driver = driver_at(address, "Q?", backend=backend)
    with pytest.raises(InstrumentError) as caught:
        driver.open()
    assert str(caught.value).isprintable()
    assert address in str(caught.value)
    assert "report this" not in str(caught.value)


@pytest.mark.parametrize(
    ("address", "library", "problem", "says"),
    [
        ("USB::1::2::3::INSTR", None, ValueError("Please install PyUSB\nNo module"), r"pip install '\.\[usb\]'"),
        ("USB::1::2::3::INSTR", "usb", ValueError("PyUSB does not seem to be properly installed."), "no libusb"),
        ("USB::1::2::3::INSTR", "usb", ValueError("No device found."), "no such USB device"),
        ("USB::1::2::3::INSTR", "usb", PermissionError(13, "Access denied"), "add a udev rule"),
        ("GPIB::9::INSTR", None, ValueError("Please install linux-gpib\nNo"), r"pip install '\.\[gpib\]'"),
        ("GPIB::9::INSTR", "gpib_ctypes", ValueError("could not locate the gpib library.\nPlease"), "Linux-GPIB"),
        ("TCPIP::h::INSTR", None, ValueError("PyUSB"), "^$"),
    ],
)
def test_what_usb_and_gpib_need_is_said_in_one_whole_line(monkeypatch, address, library, problem, says):
    monkeypatch.setattr("benchmon_drivers.scpi.connection.find_spec", lambda name: library if name == library else None)
    needed = why_unusable(address, problem)
    assert re.search(says, needed)
    assert needed.isprintable()


class UsbTmcEnd:
    """The far end of a pair of sockets that keep messages whole, as Linux's driver for USB-TMC does."""

    def __init__(self, answers):
        self.device, self._end = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        self.device.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, struct.pack("ll", 0, 100_000))
        self._answers, self.received = answers, []
        self._thread = threading.Thread(target=self._serve)

    def _serve(self):
        while message := self._end.recv(1000):
            self.received.append(message)
            if answer := self._answers.get(message.strip()):
                self._end.send(answer)

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self.device.close()
        self._end.shutdown(socket.SHUT_RDWR)
        self._thread.join(60)
        self._end.close()


def test_a_device_of_the_kernel_s_driver_for_usb_tmc(monkeypatch, opened):
    block = b"#3100" + bytes(range(100)) + b"\n"
    with UsbTmcEnd(IDENTITY | {b"Q?": b"+1.25E0\n", b"W?": block}) as end:
        real_open = os.open

        def open_device(path, *how):
            return os.dup(end.device.fileno()) if path == "/dev/usbtmc7" else real_open(path, *how)

        monkeypatch.setattr(os, "open", open_device)
        driver = opened(driver_at("/dev/usbtmc7", "Q?", "R?", retries=0))
        assert driver.identity == "Acme,Meter,1,1.0"
        assert driver.read("Q?").value == 1.25
        assert "no answer to R?" in driver.read("R?").problem
        assert driver.read("Q?").value == 1.25
        driver._connection.write(b"W?\n")
        assert driver._connection.read_block(False, 1.0, lambda: False) == bytes(range(100))
        driver.close()
        monkeypatch.undo()


def test_a_device_that_is_not_there_says_so():
    with pytest.raises(InstrumentError, match="is it plugged in"):
        driver_at("/dev/usbtmc999", "Q?").open()


def test_a_host_without_address_is_unknown(monkeypatch):
    def unknown(*_):
        raise socket.gaierror(socket.EAI_NONAME, "Name or service not known")

    monkeypatch.setattr(socket, "getaddrinfo", unknown)
    with pytest.raises(InstrumentError, match="host's name is not known"):
        driver_at("TCPIP::no-such-host::5025::SOCKET", "Q?").open()


def test_a_long_time_out_is_kept(opened, fake_instrument):
    fake_instrument.answer = lambda line: time.sleep(0.6) or b"5\n" if line == b"Q?" else IDENTITY.get(line)
    assert opened(driver_at(fake_instrument.visa_address, "Q?", timeout="2 s", retries=0)).read("Q?").value == 5.0


def test_a_time_out_is_no_longer_than_set(fake_instrument):
    driver = driver_at(fake_instrument.visa_address, "Q?", timeout=0.2, identity="", retries=0)
    driver.open()
    with pytest.raises(InstrumentTimeout, match=r"no answer to Q\? within 0.2 s"):
        driver.read("Q?")
    driver.close()


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=60),
            st.from_regex(rb"[+-]?[0-9]{1,3}(\.[0-9]{0,4})?([eE][+-]?[0-9]{1,3})?", fullmatch=True),
            st.sampled_from([b"", b"\n", b"\r\n", b",", b"#0", b'-113,"x"', b"9.91E37", b"\x00" * 10]),
        ),
        min_size=1,
        max_size=6,
    )
)
@settings(max_examples=15, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_fuzzed_replies_raise_only_instrument_errors(fuzzed_end, replies):
    left = list(replies)
    fuzzed_end.answer = lambda _: left.pop(0) + b"\n" if left else b"1\n"
    complaints = []
    driver = driver_at(fuzzed_end.visa_address, "Q?", "R?", timeout=0.1, on_complaint=complaints.append)
    try:
        driver.open()
        for _ in range(3):
            for name in driver.channels:
                reading = driver.read(name)
                assert (reading.value is None) == bool(reading.problem)
                assert reading.problem.isprintable()
    except BenchmonError as problem:
        complaints.append(str(problem))
    finally:
        driver.close()
    assert all(text.isprintable() for text in complaints)
    assert driver.identity.isprintable()


@pytest.fixture(scope="module")
def fuzzed_end():
    with FakeTcpInstrument() as end:
        yield end


def test_many_threads_share_one_backend():
    """Opening and closing at the same time does no harm."""
    ends = [FakeTcpInstrument((IDENTITY | {b"Q?": b"%d\n" % number}).get) for number in range(6)]
    wrong = []

    def work(number):
        for _ in range(5):
            driver = driver_at(ends[number].visa_address, "Q?", timeout=2.0)
            try:
                driver.open()
                if driver.read("Q?").value != number:
                    wrong.append(number)
            except BenchmonError as problem:
                wrong.append(problem)
            finally:
                driver.close()

    for end in ends:
        end.__enter__()
    threads = [threading.Thread(target=work, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    for end in ends:
        end.__exit__()
    assert wrong == []


def test_commands_are_one_printable_line():
    with pytest.raises(ValueError, match="printable ASCII") as caught:
        ScpiChannel(query="MEAS?\nSYST:PRES")
    assert isinstance(caught.value.errors()[0]["ctx"]["error"], BadInput)


def test_an_instrument_that_closes_the_connection_is_lost_without_a_busy_wait(opened):
    with FakeTcpInstrument({b"*IDN?": b"Acme\n", b"SYST:ERR?": b"0\n"}.get) as fake_instrument:
        driver = opened(driver_at(fake_instrument.visa_address, "Q?", timeout=60.0, retries=0))
        unplug = threading.Timer(0.3, fake_instrument.unplug)
        unplug.start()
        busy = time.thread_time()
        with pytest.raises(InstrumentError, match="closed the connection"):
            driver.read("Q?")
        assert time.thread_time() - busy < 0.2
        unplug.join()


def test_bytes_that_drip_without_an_end_hold_nobody_up_for_long(opened):
    ended = threading.Event()
    with FakeTcpInstrument({b"*IDN?": b"Acme\n", b"SYST:ERR?": b"0\n"}.get) as fake_instrument:
        driver = opened(driver_at(fake_instrument.visa_address, "Q?", timeout=0.3, retries=0))

        def drip():
            while not ended.wait(0.005):
                with suppress(OSError):
                    fake_instrument.send(b"1")

        thread = threading.Thread(target=drip)
        thread.start()
        try:
            with suppress(InstrumentError):
                assert "without an end" in driver.read("Q?").problem
        finally:
            ended.set()
            thread.join()


@pytest.mark.parametrize(
    ("reply", "channel", "value"),
    [
        (b"CH1: U=1.25 I=3.5\n", {"pattern": r"I=([0-9.]+)"}, 3.5),
        (b"CH1: U=1.25mV I=3.5\n", {"pattern": r"U=(?P<value>[0-9.]+)(?P<unit>\w+)"}, 0.00125),
        (b"U=OL\n", {"pattern": r"U=(.+)"}, math.inf),
    ],
)
def test_a_pattern_finds_the_number_in_a_reply(opened, fake_instrument, reply, channel, value):
    assert read_one(opened, fake_instrument, reply, **channel).value == pytest.approx(value)


def test_a_reply_that_does_not_fit_the_pattern_is_no_reading(opened, fake_instrument):
    assert "does not fit the pattern" in read_one(opened, fake_instrument, b"U=\n", pattern=r"U=(\d+)").problem


@pytest.mark.parametrize(
    ("reply", "keys", "index"),
    [
        (b"1,5\n", {"decimal_comma": True}, None),
        (b"-2,5;1,5\n", {"decimal_comma": True, "separator": ";"}, 1),
        (b"2.5\t1500 mV\n", {"separator": "\t"}, 1),
        (b"2.5 1.5\n", {"separator": " "}, 1),
    ],
)
def test_values_with_a_separator_or_a_decimal_comma(opened, fake_instrument, reply, keys, index):
    fake_instrument.answer = (IDENTITY | {b"Q?": reply}).get
    driver = opened(driver_at(fake_instrument.visa_address, ("Q?", {"index": index}), **keys))
    assert driver.read("Q?").value == pytest.approx(1.5)


@pytest.mark.parametrize("keys", [{"decimal_comma": True, "separator": ","}, {"separator": "1"}, {"separator": ";;"}])
def test_a_separator_that_cannot_be_is_refused(keys):
    with pytest.raises(ValueError, match="separator"):
        driver_at("TCPIP::127.0.0.1::5025::SOCKET", **keys)


@pytest.mark.parametrize("termination", ["\n", "\x03", ""])
def test_an_echo_is_no_reply(opened, termination):
    answers = {question: answer.strip() for question, answer in (IDENTITY | {b"Q1?": b"5"}).items()}

    def answer(line):
        return line + b"\r\n" + (answers[line] + termination.encode() if line in answers else b"")

    with FakeTcpInstrument(answer) as end:
        keys = {"read_termination": termination, "end_after": 0.05, "setup": ["RANG 10"]}
        driver = opened(driver_at(end.visa_address, "Q1?", echo=True, **keys))
        assert driver.identity == "Acme,Meter,1,1.0"
        assert driver.read("Q1?").value == 5.0


def test_an_echo_that_is_not_there_is_no_reading(opened, fake_instrument):
    with pytest.raises(InstrumentError, match="not the command"):
        opened(driver_at(fake_instrument.visa_address, "Q?", echo=True))


@pytest.mark.parametrize("end", [";", "\x00", "\x03"])
def test_another_termination(opened, fake_instrument, end):
    answers = IDENTITY | {b"Q?": b"5\n"}
    fake_instrument.answer = lambda line: (answers.get(line) or b"").strip() + end.encode()
    driver = opened(driver_at(fake_instrument.visa_address, "Q?", read_termination=end))
    assert driver.read("Q?").value == 5.0


@pytest.mark.parametrize("line", [FakeTcpInstrument, FakeSerialInstrument])
def test_an_answer_that_only_silence_ends(opened, line):
    answers = {b"*IDN?": b"Acme,Meter", b"Q?": b"+1.25E-3", b"R?": b"x" * 2000}
    with line(answers.get) as end:
        driver = opened(driver_at(end.visa_address, "Q?", "R?", read_termination="", end_after=0.05, error_queue=False))
        assert driver.identity == "Acme,Meter"
        for _ in range(2):
            assert driver.read("Q?").value == 0.00125
            assert "without a pause" in driver.read("R?").problem


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
def test_a_refused_connection_says_so():
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    driver = driver_at(f"TCPIP::127.0.0.1::hislip0,{port}::INSTR", "Q?")
    with pytest.raises(InstrumentError, match="refused") as caught:
        driver.open()
    assert "no such resource" not in str(caught.value)
    # pyvisa-py leaves the refused socket to the garbage collector, which must not find it in another test.
    caught.value.__traceback__ = None
    del driver, caught
    gc.collect()
