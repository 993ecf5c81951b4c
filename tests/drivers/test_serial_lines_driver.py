"""Text meters on pseudo-terminals and sockets: streaming and polled, with units, commas, overload and noise."""

import gc
import math
import os
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmon.errors import BenchmonError, InstrumentError, InstrumentTimeout
from benchmon.instruments.testing.fake_instrument import FakeSerialInstrument, FakeTcpInstrument
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.serial.lines import SerialLinesChannel, SerialLinesDriver, SerialLinesSettings
from support.far_ends.receiving import next_readings
from support.far_ends.rfc2217 import Rfc2217Port


def driver_at(address, unit="V", channels=None, on_complaint=None, **keys):
    keys = {"timeout": 0.4, "address": address} | keys
    driven = [
        DrivenChannel(name, unit, 0.1, 1.0, SerialLinesChannel.model_validate(how))
        for name, how in (channels or {"x": {}}).items()
    ]
    driver = SerialLinesDriver("meter", SerialLinesSettings.model_validate(keys), driven)
    if on_complaint is not None:
        driver.on_complaint = on_complaint
    return driver


@pytest.fixture
def fake_instrument():
    with FakeSerialInstrument() as end:
        yield end


def hear_line(opened, fake_instrument, line, **keys):
    driver = opened(driver_at(fake_instrument.path, **keys))
    # The first bytes may be the rest of a line that began before.
    fake_instrument.send(b"rest\n" + line + b"\n")
    return next_readings(driver)[0]


@pytest.mark.parametrize(
    ("line", "unit", "value"),
    [
        (b"23.4", "°C", 23.4),
        (b"+23,4", "°C", 23.4),
        (b"- 5.0", "°C", -5.0),
        (b"  7 \r", "V", 7.0),
        (b"5.25-", "V", -5.25),
        (b"5.25- mV", "V", -0.00525),
        (b"\x02 5.25 V\x03", "V", 5.25),
        (b".5", "V", 0.5),
        (b"1.5E-3", "V", 0.0015),
        (b"22.14V", "V", 22.14),
        (b"12345 MV", "V", 12.345),
        (b"22.14 V DC", "V", 22.14),
        (b"1.25 MAAC", "A", 0.00125),
        (b"71.6 F", "°C", 22.0),
        (b"300.15 K", "°C", 27.0),
        (b"22.14 mV", "V", 0.02214),
        (b"-0,75 kV", "V", -750.0),
        ("756 µA".encode(), "A", 756e-6),
        ("756 µA".encode("latin-1"), "A", 756e-6),
        (b"49.98 Hz", "Hz", 49.98),
        ("21.5 °C".encode(), "°C", 21.5),
        ("21.5 °C".encode("latin-1"), "°C", 21.5),
        (b"21.5 C", "°C", 21.5),
        (b"98.5 %", "", 0.985),
        (b"0.985", "", 0.985),
        (b"OL", "V", math.inf),
        (b"-OL V", "V", -math.inf),
        (b"o.l mV", "V", math.inf),
    ],
)
def test_a_line_is_read(opened, fake_instrument, line, unit, value):
    reading = hear_line(opened, fake_instrument, line, unit=unit)
    assert reading.problem == ""
    assert reading.value == pytest.approx(value)


@pytest.mark.parametrize(
    ("line", "unit", "says"),
    [
        (b"22.1 mA", "V", "check the meter's function"),
        (b"71.3 V", "°C", "check the meter's function"),
        (b"12 MVrms", "V", "a thousandth or a million"),
        (b"1e300", "V", "implausible"),
    ],
)
def test_a_line_in_another_unit_is_no_reading(opened, fake_instrument, line, unit, says):
    reading = hear_line(opened, fake_instrument, line, unit=unit)
    assert reading.value is None
    assert says in reading.problem


@pytest.mark.parametrize(("line", "value"), [(b"2.5 mV", -0.0015), (b"OL", -math.inf), (b"-OL", math.inf)])
def test_reversed_leads_and_an_offset(opened, fake_instrument, line, value):
    channels = {"x": {"factor": -1, "offset": 0.001}}
    assert hear_line(opened, fake_instrument, line, channels=channels).value == pytest.approx(value)


@pytest.mark.parametrize("text", [b"1_000", b"nan", b"inf", b"0x1F", b"1,234.5", b"1.2.3"])
def test_what_a_wide_pattern_lets_through_is_still_no_number(opened, fake_instrument, text):
    reading = hear_line(opened, fake_instrument, b"V=" + text, pattern=r"V=(?P<value>\S+)")
    assert reading.value is None
    assert "not a number" in reading.problem


@pytest.mark.parametrize(
    ("line", "channel", "value"),
    [
        (b"V=12.5 -", {"pattern": r"V=(?P<value>[0-9.]+) (?P<sign>[+-])"}, -12.5),
        (b"V=FFFE", {"digits": "hexadecimal", "bits": 16, "factor": 0.5}, -1.0),
        (b"V=0x08A6", {"digits": "hexadecimal", "unit": "mV"}, 2.214),
        (b"V=08 A6 -", {"digits": "hexadecimal", "pattern": "V=(?P<value>[0-9A-F ]+)(?P<sign>-?)"}, -2214.0),
    ],
)
def test_signs_behind_and_hexadecimal_digits(opened, fake_instrument, line, channel, value):
    channels = {"x": {"pattern": r"V=(?P<value>\S+)"} | channel}
    assert hear_line(opened, fake_instrument, line, channels=channels).value == pytest.approx(value)


def test_a_line_of_nothing_but_a_space_of_latin_1_loses_nothing(opened, fake_instrument):
    assert hear_line(opened, fake_instrument, b"\xa0\n5.0").value == 5.0


@pytest.mark.parametrize("line", [b"-5.25-", b"+5.25-"])
def test_a_number_with_two_signs_is_no_reading(opened, fake_instrument, line):
    assert "not a number" in hear_line(opened, fake_instrument, line).problem


@pytest.mark.parametrize("line", [b"V=12345", b"V=-1", b"V=1.5", b"V=G1"])
def test_hexadecimal_digits_that_are_none(opened, fake_instrument, line):
    channels = {"x": {"pattern": r"V=(?P<value>\S+)", "digits": "hexadecimal", "bits": 16}}
    assert hear_line(opened, fake_instrument, line, channels=channels).value is None


def test_enq_asks_and_etx_ends(opened):
    with FakeSerialInstrument(lambda _: b"\x02+5.25 V\x03", lambda data: ([data], b"")) as end:
        keys = {"write_termination": "", "read_termination": "\x03", "channels": {"x": {"query": "\x05"}}}
        assert opened(driver_at(end.path, **keys)).read("x").value == 5.25
        assert end.received == [b"\x05"]


def test_a_line_that_a_handshake_needs_has_no_level():
    with pytest.raises(ValueError, match="taken by the handshake"):
        driver_at("/dev/ttyUSB0", rts="asserted", handshake="rts/cts")


def test_a_pattern_must_fit_the_whole_line(opened, fake_instrument):
    complaints = []
    driver = opened(driver_at(fake_instrument.path, pattern=r"(?P<value>\d)", on_complaint=complaints.append))
    fake_instrument.send(b"rest\n42\n7\n")
    assert next_readings(driver)[0].value == 7.0
    assert '"42"' in complaints[0]


def test_channels_name_their_groups_and_units(opened, fake_instrument):
    channels = {"u": {"group": "u"}, "i": {"group": "i", "unit": "A"}, "none": {"group": "none"}}
    pattern = r"U=(?P<u>\S+) (?P<u_unit>\w+) I=(?P<i>\S+) (?P<i_unit>\w+)(?: P=(?P<none>\S+))?"
    driver = opened(driver_at(fake_instrument.path, channels=channels, pattern=pattern))
    fake_instrument.send(b"rest\nU=221 mV I=OL A\n")
    readings = {one.channel: one.value for one in next_readings(driver, 2)}
    assert readings == {"u": 0.221, "i": math.inf}


def test_lines_of_different_kinds_each_have_their_channel(opened, fake_instrument):
    channels = {"a": {"pattern": r"A (?P<value>\S+)"}, "b": {"pattern": r"B (?P<value>\S+)"}}
    complaints = []
    driver = opened(driver_at(fake_instrument.path, channels=channels, on_complaint=complaints.append))
    fake_instrument.send(b"rest\nA 1\nB 2\nA 3\n")
    assert [(one.channel, one.value) for one in next_readings(driver, 3)] == [("a", 1.0), ("b", 2.0), ("a", 3.0)]
    assert complaints == []


def test_lines_that_do_not_fit_are_a_complaint_once_and_end_in_a_loss_that_counts_them(opened, fake_instrument):
    complaints = []
    driver = opened(driver_at(fake_instrument.path, on_complaint=complaints.append))
    time.sleep(0.25)
    for _ in range(30):
        fake_instrument.send(b"\x1b[2Jnonsense [bold]\n")
    with pytest.raises(InstrumentTimeout, match="30 lines, none of which fits"):
        _ = [driver.receive(0.1) for _ in range(40)]
    assert len(complaints) == 1
    assert r"\x1b[2Jnonsense [bold]" in complaints[0]


def test_silence_is_a_loss(opened, fake_instrument):
    driver = opened(driver_at(fake_instrument.path))
    with pytest.raises(InstrumentTimeout, match=r"no reading for 0\.4 s"):
        _ = [driver.receive(0.1) for _ in range(40)]


def test_the_half_line_at_the_start_is_never_a_reading(opened, fake_instrument):
    driver = opened(driver_at(fake_instrument.path))
    fake_instrument.send(b"3.4\n123.4\n")
    assert next_readings(driver)[0].value == 123.4


def test_an_endless_line_is_survived(opened, fake_instrument):
    driver = opened(driver_at(fake_instrument.path, timeout=5.0))
    for _ in range(20):
        fake_instrument.send(b"1234567890" * 100)
        driver.receive(0.05)
    fake_instrument.send(b"\n5.5\n")
    assert next_readings(driver)[0].value == 5.5


def test_a_meter_that_ends_its_lines_by_cr_alone(opened, fake_instrument):
    driver = opened(driver_at(fake_instrument.path))
    fake_instrument.send(b"x\r1.5\r2.5\r")
    assert [one.value for one in next_readings(driver, 2)] == [1.5, 2.5]


def test_the_setup_is_sent_on_opening(opened, fake_instrument):
    opened(driver_at(fake_instrument.path, setup=["RATE 5", "STREAM ON"]))
    deadline = time.monotonic() + 60
    while len(fake_instrument.received) < 2:
        assert time.monotonic() < deadline
        time.sleep(0.01)
    assert fake_instrument.received == [b"RATE 5", b"STREAM ON"]


def asked_at(address, **keys):
    return driver_at(address, channels={"a": {"query": "A?"}, "b": {"query": "B?"}}, **keys)


def test_a_polled_meter_answers_each_query_after_echo_and_acknowledgement(opened, fake_instrument):
    fake_instrument.answer = {b"A?": b"A?\r\n*\r\n1.5 V\r\n", b"B?": b"2.5\n=>\n"}.get
    driver = opened(asked_at(fake_instrument.path))
    for _ in range(3):
        assert driver.read("a").value == 1.5
        assert driver.read("b").value == 2.5


def test_a_polled_meter_that_answers_nonsense_gives_no_value(opened, fake_instrument):
    fake_instrument.answer = {b"A?": b"ERR\x07\n", b"B?": b"2.5\n"}.get
    driver = opened(asked_at(fake_instrument.path))
    assert r'"ERR\x07", which does not fit' in driver.read("a").problem
    assert driver.read("b").value == 2.5


@pytest.mark.parametrize("kind", ["pty", "socket"])
def test_a_late_reply_is_not_taken_for_the_next_channel_s(opened, kind):
    def answer(line):
        if line == b"A?":
            time.sleep(0.45)
        return {b"A?": b"111\n", b"B?": b"2\n"}.get(line)

    with FakeSerialInstrument(answer) if kind == "pty" else FakeTcpInstrument(answer) as fake_instrument:
        driver = opened(
            asked_at(fake_instrument.path if kind == "pty" else fake_instrument.url, timeout=0.2, retries=0)
        )
        with pytest.raises(InstrumentTimeout):
            driver.read("a")
        driver.close()
        driver.open()
        # A socket's server may still be busy with the old connection.
        if kind == "socket":
            time.sleep(0.3)
        assert driver.read("b").value == 2.0


def test_a_silent_polled_meter_is_lost_with_its_query(opened, fake_instrument):
    driver = opened(asked_at(fake_instrument.path, timeout=0.15))
    with pytest.raises(InstrumentTimeout, match=r"no answer to A\?"):
        driver.read("a")


def test_a_port_in_use_is_an_error(opened, fake_instrument):
    opened(driver_at(fake_instrument.path))
    with pytest.raises(InstrumentError, match="in use by another program"):
        driver_at(fake_instrument.path).open()


@pytest.mark.parametrize(
    "address",
    ["/dev/no-such-port", "nonsense://x", "socket://127.0.0.1:1", "socket://127.0.0.1", os.devnull, "rfc2217://"],
)
def test_what_cannot_be_opened_is_an_instrument_error_in_one_line(address):
    with pytest.raises(InstrumentError) as caught:
        driver_at(address).open()
    assert address in str(caught.value)
    assert "report this" not in str(caught.value)


def test_an_unplugged_socket_is_lost_and_nothing_leaks(opened):
    with FakeTcpInstrument() as fake_instrument:
        driver = opened(driver_at(fake_instrument.url))
        fake_instrument.unplug()
        with pytest.raises(InstrumentError, match="line broke"):
            _ = [driver.receive(0.1) for _ in range(20)]
        driver.close()
        fake_instrument.plug_in()
        driver.open()
        fake_instrument.send(b"x\n5\n")
        assert next_readings(driver)[0].value == 5.0


def test_a_socket_that_was_reset_is_closed_all_the_same(opened):
    """An open socket left to the garbage collector warns, and warnings are errors here."""
    with FakeTcpInstrument() as fake_instrument:
        driver = opened(asked_at(fake_instrument.url, retries=0))
        fake_instrument.unplug()
        with pytest.raises(InstrumentError):
            driver.read("a")
        driver.close()
        gc.collect()


def test_pyserial_s_loopback_receives_what_it_sends(opened):
    driver = opened(driver_at("loop://", channels={"a": {"query": "1.25 V"}}, overload=[]))
    assert driver.read("a").value == 1.25


@pytest.fixture(scope="module")
def fuzzed_end():
    with FakeSerialInstrument() as end:
        yield end


numbers = st.from_regex(rb"[+-]?[0-9]{0,3}[.,]?[0-9]{0,3}([eE]-?[0-9]{1,3})? ?[a-zA-Z%]{0,3}\n", fullmatch=True)


@given(st.lists(st.one_of(st.binary(max_size=80), numbers), max_size=8), st.sampled_from(["V", "°C", ""]))
@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_fuzzed_lines_raise_only_instrument_errors(fuzzed_end, chunks, unit):
    complaints = []
    driver = driver_at(fuzzed_end.path, unit=unit, timeout=0.1, on_complaint=complaints.append)
    try:
        driver.open()
        for chunk in chunks:
            fuzzed_end.send(chunk or b"\n")
            for reading in driver.receive(0.01):
                assert (reading.value is None) == bool(reading.problem)
                assert reading.problem.isprintable()
    except BenchmonError as problem:
        complaints.append(str(problem))
    finally:
        driver.close()
    assert all(text.isprintable() for text in complaints)


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")  # pyserial 3.5
def test_a_meter_at_a_port_behind_a_network_is_read(opened):
    """RFC 2217, by pyserial's own far side."""
    with Rfc2217Port() as fake_instrument:
        driver = opened(driver_at(fake_instrument.url, timeout=3.0))
        fake_instrument.send(b"x\n22.5 V\n")
        assert next_readings(driver)[0].value == 22.5


def test_a_line_of_noise_that_takes_too_long_to_match_is_no_reading(opened, fake_instrument):
    complaints = []
    pattern = r"(?P<value>(\d|\d\d)+)[VA]"
    driver = opened(driver_at(fake_instrument.path, pattern=pattern, on_complaint=complaints.append))
    assert "repetition inside a repetition" in driver.cautions()[0]
    fake_instrument.send(b"rest\n" + b"1" * 300 + b"\n12V\n")
    assert next_readings(driver)[0].value == 12.0
    assert any("takes too long to match" in words for words in complaints)
