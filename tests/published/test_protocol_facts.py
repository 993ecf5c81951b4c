"""Facts of the protocols that instruments speak, from the standards named beside them."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer.rtu import FramerRTU

from benchmon.instruments.testing.fake_instrument import FakeTcpInstrument
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.modbus.connection import EXCEPTIONS
from benchmon_drivers.modbus.driver import ModbusChannel, ModbusDriver, ModbusSettings
from benchmon_drivers.number_parsing import scpi_number
from benchmon_drivers.scpi.driver import ScpiDriver
from benchmon_drivers.scpi.settings import ScpiChannel, ScpiSettings
from support.far_ends.modbus import FakeModbusInstrument, Unit


@pytest.mark.parametrize("reply", [b"9.9E37", b"+9.90000000E+37", b"9.9e+37\r\n", b"99E36"])
def test_scpi_infinity_is_overrange(reply):
    """SCPI-1999 volume 1, 7.2.1.4: infinity is represented as 9.9E37."""
    assert scpi_number(reply, "V") == math.inf
    assert scpi_number(b"-" + reply.lstrip(b"+"), "V") == -math.inf


@pytest.mark.parametrize("reply", [b"9.91E37", b"+9.91000000E+37", b"991E35"])
def test_scpi_not_a_number_is_no_value(reply):
    """SCPI-1999 volume 1, 7.2.1.5: not a number is represented as 9.91E37."""
    assert math.isnan(scpi_number(reply, "V"))


@pytest.mark.parametrize(
    ("reply", "unit", "value"),
    [
        (b"1200 MA", "A", 1.2),
        (b"12345 MV", "V", 12.345),
        (b"12345mv", "V", 12.345),
        (b"50E-6 MHZ", "Hz", 50.0),
        (b"0.05 khz", "Hz", 50.0),
        (b"1.5 MOHM", "Ω", 1.5e6),
        (b"1.5 mohm", "Ω", 1.5e6),
        (b"3 MAOHM", "Ω", 3e6),
        (b"5 UA", "A", 5e-6),
    ],
)
def test_suffixes_of_ieee_488_2(reply, unit, value):
    """IEEE 488.2-1992, 7.7.3: case does not matter; M is a thousandth, before HZ and OHM a million, as MA is."""
    assert scpi_number(reply, unit) == pytest.approx(value)


@pytest.mark.parametrize(
    ("reply", "value"),
    [
        (b"0", 0.0),
        (b"-12", -12.0),
        (b"+007", 7.0),
        (b"12.5", 12.5),
        (b"-.5", -0.5),
        (b"5.", 5.0),
        (b"1.5E+3", 1500.0),
        (b"-1.25E-03", -0.00125),
        (b"1e2", 100.0),
    ],
)
def test_numeric_response_data_of_ieee_488_2(reply, value):
    """IEEE 488.2-1992, 8.7.2 to 8.7.4: NR1 (integer), NR2 (fixed point), NR3 (with an exponent)."""
    assert scpi_number(reply, "V") == value


@given(st.floats(-9e8, 9e8))
def test_nr3_as_instruments_send_it_is_read_to_its_last_digit(value):
    text = f"{value:+.8E}"
    assert scpi_number(text.encode(), "V") == float(text)


# SCPI-1999 volume 2, chapter 21 (SYSTem:ERRor, error numbers and texts); the queue's end is 0,"No error".
ERRORS = [
    (-100, "Command error"),
    (-102, "Syntax error"),
    (-108, "Parameter not allowed"),
    (-109, "Missing parameter"),
    (-113, "Undefined header"),
    (-222, "Data out of range"),
    (-350, "Queue overflow"),
    (-410, "Query INTERRUPTED"),
    (-420, "Query UNTERMINATED"),
]


def test_the_error_queue_is_read_to_no_error():
    queue = [*ERRORS, (0, "No error")]

    def answer(line):
        if line == b"SYST:ERR?":
            number, text = queue.pop(0)
            return f'{number},"{text}"\n'.encode()
        return {b"*IDN?": b"Acme,Meter,1,1.0\n"}.get(line)

    complaints = []
    with FakeTcpInstrument(answer) as fake_instrument:
        driver = ScpiDriver(
            "dmm", ScpiSettings(address=fake_instrument.visa_address, timeout=1.0, error_queue=True), []
        )
        driver.on_complaint = complaints.append
        driver.open()
        driver.close()
    assert complaints == [f"error {number} {text}" for number, text in ERRORS]
    assert queue == []


def test_the_identity_is_asked_by_the_common_command_every_instrument_has():
    """IEEE 488.2-1992, 10.14: *IDN? answers four fields, separated by commas."""
    with FakeTcpInstrument({b"*IDN?": b"MAKER,MODEL,0,0\n"}.get) as fake_instrument:
        channel = DrivenChannel("u", "V", 1.0, 1.0, ScpiChannel(query="MEAS?"))
        driver = ScpiDriver("dmm", ScpiSettings(address=fake_instrument.visa_address, error_queue=False), [channel])
        assert driver.open() == "MAKER,MODEL,0,0"
        driver.close()


@pytest.mark.parametrize(
    ("frame", "check"),
    [
        ("02 07", "41 12"),  # MODBUS over serial line, specification and implementation guide V1.02, appendix B
        ("01 03 00 00 00 0A", "C5 CD"),
        ("11 03 00 6B 00 03", "76 87"),
        ("11 01 00 13 00 25", "0E 84"),
        ("11 05 00 AC FF 00", "4E 8B"),
        ("11 10 00 01 00 02 04 00 0A 01 02", "C6 F0"),
        ("01 83 02", "C0 F1"),
    ],
)
def test_the_crc_of_modbus_frames(frame, check):
    """Frames of the protocol's guides (common examples where no source is named), checked by the library we rely on."""
    data = bytes.fromhex(frame)
    assert FramerRTU.compute_CRC(data).to_bytes(2, "big") == bytes.fromhex(check)


def test_the_crc_of_the_check_string():
    """The CRC catalogue's check string 123456789 has 0x4B37 for CRC-16/MODBUS; the wire has its low byte first."""
    assert FramerRTU.compute_CRC(b"123456789") == 0x374B


def test_a_question_on_the_wire_is_the_guide_s_own_frame():
    """01 03 00 00 00 0A C5 CD: unit 1, function 03, ten registers from 0."""
    with FakeModbusInstrument({1: Unit(holding=dict.fromkeys(range(10), 0))}, tcp=False) as fake_instrument:
        channels = [DrivenChannel(f"c{n}", "V", 1.0, 1.0, ModbusChannel(register=n)) for n in range(10)]
        driver = ModbusDriver("meter", ModbusSettings(address=fake_instrument.address), channels)
        driver.open()
        driver.read_together(list(driver.channels))
        driver.close()
        assert fake_instrument.line.received == [bytes.fromhex("01 03 00 00 00 0A C5 CD")]


def test_the_exceptions_of_modbus_have_the_names_of_the_protocol():
    """MODBUS application protocol V1.1b3, chapter 7."""
    assert {1, 2, 3, 4} <= EXCEPTIONS.keys()
    assert [EXCEPTIONS[code] for code in (1, 2, 3)] == [
        "illegal function",
        "illegal data address",
        "illegal data value",
    ]
