"""Modbus units on sockets and pseudo-terminals, played here and by pymodbus's own server."""

import asyncio
import gc
import itertools
import math
import os
import select
import ssl
import struct
import subprocess
import sys
import threading
import time
import tty
from contextlib import contextmanager, suppress

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pymodbus import FramerType
from pymodbus.datastore import ModbusDeviceContext, ModbusSequentialDataBlock, ModbusServerContext
from pymodbus.server import ModbusSerialServer, ModbusTcpServer, ModbusTlsServer, ModbusUdpServer

from benchmon.errors import BenchmonError, InstrumentError, InstrumentTimeout
from benchmon.instruments.types import DrivenChannel
from benchmon_drivers.modbus.driver import ModbusChannel, ModbusDriver, ModbusSettings
from support.certificates import own_certificate
from support.far_ends.modbus import FakeModbusInstrument, Unit, crc


def registers_of(letter, *numbers):
    data = b"".join(struct.pack(f">{letter}", number) for number in numbers)
    return [int.from_bytes(data[n : n + 2], "big") for n in range(0, len(data), 2)]


def table(start, registers):
    return dict(enumerate(registers, start))


def driver_at(address, channels, unit="V", period=1.0, **keys):
    keys = {"timeout": 0.3, "address": address} | keys
    driven = [
        DrivenChannel(name, unit, period, 1.0, ModbusChannel.model_validate(how)) for name, how in channels.items()
    ]
    return ModbusDriver("meter", ModbusSettings.model_validate(keys), driven)


@pytest.fixture(params=["tcp", "rtu"])
def fake_instrument(request):
    with FakeModbusInstrument({1: Unit(), 2: Unit()}, tcp=request.param == "tcp") as end:
        yield end


def values(driver):
    return {one.channel: one.value for one in driver.read_together(list(driver.channels))}


def test_adjoining_registers_come_in_one_request(opened, fake_instrument):
    fake_instrument.units[1].tables["holding"] = table(100, [2300, *registers_of("f", 22.5), *registers_of("i", -750)])
    channels = {
        "mains": {"register": 100, "factor": 0.1},
        "vout": {"register": 101, "type": "float32"},
        "iout": {"register": 103, "type": "int32", "factor": 0.001, "offset": 1},
    }
    driver = opened(driver_at(fake_instrument.address, channels))
    assert values(driver) == pytest.approx({"mains": 230.0, "vout": 22.5, "iout": 0.25})
    assert fake_instrument.queries == [(1, 3, 100, 5)]


def test_all_four_functions_and_units(opened, fake_instrument):
    fake_instrument.units[1].tables |= {"coil": {3: True}, "discrete": {9: False}, "input": {0: 7}}
    fake_instrument.units[2].tables["holding"] = {0: 8}
    channels = {
        "relay": {"function": "coil", "register": 3},
        "door": {"function": "discrete", "register": 9},
        "t": {"function": "input", "register": 0},
        "other": {"register": 0, "unit": 2},
    }
    driver = opened(driver_at(fake_instrument.address, channels))
    assert values(driver) == {"relay": 1.0, "door": 0.0, "t": 7.0, "other": 8.0}


def test_orders_of_the_instrument_and_of_a_channel(opened, fake_instrument):
    low_first = registers_of("f", 1.5)[::-1]
    swapped = [int.from_bytes(word.to_bytes(2, "big"), "little") for word in registers_of("f", 2.5)]
    fake_instrument.units[1].tables["holding"] = table(0, [*low_first, *swapped])
    channels = {
        "a": {"register": 0, "type": "float32"},
        "b": {"register": 2, "type": "float32", "word_order": "big", "byte_order": "little"},
    }
    assert values(opened(driver_at(fake_instrument.address, channels, word_order="little"))) == {"a": 1.5, "b": 2.5}


def test_digits_that_are_none_spoil_no_other_channel(opened, fake_instrument):
    fake_instrument.units[1].tables["holding"] = table(0, [0x1A00, 0x1234])
    keys = {"type": "bcd16"}
    driver = opened(driver_at(fake_instrument.address, {"bad": {"register": 0} | keys, "good": {"register": 1} | keys}))
    readings = {one.channel: one for one in driver.read_together(["bad", "good"])}
    assert "packed decimal digits" in readings["bad"].problem
    assert readings["good"].value == 1234


@pytest.mark.parametrize(
    ("registers", "keys", "value"),
    [
        ([2214, 0xFFFE], {"exponent": {"register": 1}}, 22.14),
        ([2214, 2], {"exponent": {"register": 1, "type": "decimals"}}, 22.14),
        ([2214, 0x3A], {"exponent": {"register": 1, "type": "uint16", "mask": 0xF0, "plus": -5}}, 22.14),
        ([2214, 1], {"sign": {"register": 1, "mask": 1}}, -2214),
        ([2214, 2], {"sign": {"register": 1, "mask": 1}}, 2214),
        ([0x8A6A], {"mask": 0x7FF0, "sign": {"register": 0, "mask": 0x8000}, "factor": 0.1}, -16.6),
        (
            [0x9005, 7],
            {"mask": 0x0FFF, "exponent": {"register": 0, "type": "uint16", "mask": 0xF000, "plus": -10}},
            0.5,
        ),
        ([2214, 0, 0, 0, 0xFFFE, 1], {"exponent": {"register": 4}, "sign": {"register": 5}}, -22.14),
        ([9999, 1], {"sign": {"register": 1}, "overload": [9999]}, -math.inf),
    ],
)
def test_sign_exponent_and_decimals_in_other_registers_or_bits(opened, fake_instrument, registers, keys, value):
    fake_instrument.units[1].tables["holding"] = table(0, registers)
    driver = opened(driver_at(fake_instrument.address, {"a": {"register": 0} | keys}))
    assert driver.read("a").value == pytest.approx(value)


def test_an_exponent_that_adjoins_comes_in_the_same_request(opened, fake_instrument):
    fake_instrument.units[1].tables["holding"] = table(0, [0xFFFE, 2214])
    driver = opened(driver_at(fake_instrument.address, {"a": {"register": 1, "exponent": {"register": 0}}}))
    assert driver.read("a").value == 22.14
    assert fake_instrument.queries == [(1, 3, 0, 2)]


def test_a_meter_that_ranges_between_two_requests_shows_no_value(opened, fake_instrument):
    held = fake_instrument.units[1].tables["holding"] = table(0, [2214]) | {9: 0}

    def ranging(frame):
        held[9] = (held[9] + 1) % 3
        return frame

    fake_instrument.behaviour = ranging
    driver = opened(driver_at(fake_instrument.address, {"a": {"register": 0, "exponent": {"register": 9}}}))
    assert "changed its sign or range" in driver.read("a").problem


@pytest.mark.parametrize("exponent", [0x7FFF, 31, 0x8000])
def test_an_implausible_exponent_is_no_reading(opened, fake_instrument, exponent):
    fake_instrument.units[1].tables["holding"] = table(0, [2214, exponent])
    driver = opened(driver_at(fake_instrument.address, {"a": {"register": 0, "exponent": {"register": 1}}}))
    assert "implausible" in driver.read("a").problem


def test_over_range_and_no_value(opened, fake_instrument):
    fake_instrument.units[1].tables["holding"] = table(0, [0x8000, 0x7FFF, *registers_of("f", math.inf, math.nan)])
    channels = {
        "none": {"register": 0, "type": "int16", "no_value": [-32768]},
        "over": {"register": 1, "overload": [32767]},
        "inf": {"register": 2, "type": "float32", "factor": -1},
        "nan": {"register": 4, "type": "float32"},
    }
    driver = opened(driver_at(fake_instrument.address, channels))
    readings = {one.channel: one for one in driver.read_together(list(channels))}
    assert readings["none"].value is None
    assert "no number" in readings["nan"].problem
    assert readings["over"].value == math.inf
    assert readings["inf"].value == -math.inf


@pytest.mark.parametrize(
    ("code", "says"),
    [
        (1, "exception 01, illegal function"),
        (2, "exception 02, illegal data address"),
        (3, "exception 03, illegal data value"),
        (4, "exception 04, server device failure"),
        (6, "exception 06, server device busy"),
        (0x77, "exception 119, an exception of its own"),
    ],
)
def test_an_exception_is_named_and_loses_nothing(opened, fake_instrument, code, says):
    driver = opened(driver_at(fake_instrument.address, {"a": {"register": 0}}))
    fake_instrument.units[1].refuses = code
    reading = driver.read("a")
    assert reading.value is None
    assert says in reading.problem
    fake_instrument.units[1] = Unit(holding={0: 5})
    assert driver.read("a").value == 5.0


def test_a_unit_that_refuses_registers_together_is_queried_one_by_one_from_then_on(opened, fake_instrument):
    class Choosy(Unit):
        def answer(self, question):
            return super().answer(question) if question[4] == 1 else bytes([question[0] | 0x80, 2])

    fake_instrument.units[1] = Choosy(holding=table(0, [1, 2, 3]))
    channels = {name: {"register": n} for n, name in enumerate("abc")}
    driver = opened(driver_at(fake_instrument.address, channels))
    assert values(driver) == {"a": 1.0, "b": 2.0, "c": 3.0}
    assert values(driver) == {"a": 1.0, "b": 2.0, "c": 3.0}
    assert [count for _, _, _, count in fake_instrument.queries] == [3, 1, 1, 1, 1, 1, 1]


def test_a_register_that_is_not_there_silences_only_its_channel(opened, fake_instrument):
    fake_instrument.units[1].tables["holding"] = table(0, [1])
    driver = opened(driver_at(fake_instrument.address, {"a": {"register": 0}, "gone": {"register": 1}}))
    readings = driver.read_together(["a", "gone"])
    assert readings[0].value == 1.0
    assert "illegal data address; check register (counted from 0)" in readings[1].problem


def test_a_unit_that_is_off_rests_and_the_others_on_its_line_go_on(opened, fake_instrument):
    fake_instrument.units = {1: Unit(holding={0: 5})}
    driver = opened(
        driver_at(fake_instrument.address, {"dead": {"register": 0, "unit": 9}, "a": {"register": 0}}, timeout=0.1)
    )
    assert "no answer within" in driver.read("dead").problem
    asked = len(fake_instrument.line.received)
    assert values(driver) == {"dead": None, "a": 5.0}
    assert len(fake_instrument.line.received) == asked + 1


def test_a_gateway_that_finds_nobody_counts_as_silence_of_that_unit(opened, fake_instrument):
    fake_instrument.units[1].refuses = 11
    driver = opened(driver_at(fake_instrument.address, {"a": {"register": 0}}, retries=0))
    with pytest.raises(InstrumentTimeout, match="unit 1: gateway target device failed to respond"):
        driver.read("a")


def test_a_silent_unit_alone_is_a_lost_instrument(opened, fake_instrument):
    fake_instrument.units.clear()
    driver = opened(driver_at(fake_instrument.address, {"a": {"register": 0}, "b": {"register": 5}}, timeout=0.1))
    with pytest.raises(InstrumentTimeout, match=r"no answer within 0\.1 s"):
        driver.read_together(["a", "b"])


def test_a_late_reply_is_never_taken_for_another_register_s(opened, fake_instrument):
    fake_instrument.units[1].tables["holding"] = {0: 111, 10: 2}
    slow = threading.Event()

    def late(frame):
        if slow.is_set():
            slow.clear()
            time.sleep(0.3)
        return frame

    fake_instrument.behaviour = late
    channels = {"a": {"register": 0}, "b": {"register": 10}}
    driver = opened(driver_at(fake_instrument.address, channels, timeout=0.2, retries=0))
    for _ in range(3):
        slow.set()
        readings = driver.read_together(["a", "b"])
        assert [one.value for one in readings] in ([None, 2.0], [111.0, 2.0])
        assert values(driver)["b"] == 2.0
        driver._unanswered.clear()


def test_one_burst_of_noise_is_let_pass(opened, fake_instrument):
    fake_instrument.units[1].tables["holding"] = {0: 5}
    noisy = threading.Event()
    noisy.set()

    def spoil(frame):
        if noisy.is_set():
            noisy.clear()
            return frame[:-1] + bytes([frame[-1] ^ 0x10]) if not fake_instrument.tcp else b"\xff" * 20
        return frame

    fake_instrument.behaviour = spoil
    assert opened(driver_at(fake_instrument.address, {"a": {"register": 0}})).read("a").value == 5.0


def test_a_reply_to_another_query_is_no_value(opened, fake_instrument):
    def other(frame):
        head, pdu = (frame[:7], frame[7:]) if fake_instrument.tcp else (frame[:1], frame[1:-2])
        pdu = bytes([4]) + pdu[1:]
        return head + pdu if fake_instrument.tcp else head + pdu + crc(head + pdu)

    fake_instrument.units[1].tables["holding"] = {0: 5}
    fake_instrument.behaviour = other
    reading = opened(driver_at(fake_instrument.address, {"a": {"register": 0}})).read("a")
    assert "answered another query (function 4, not 3)" in reading.problem


def test_fewer_registers_than_requested_are_no_value(opened, fake_instrument):
    def short(frame):
        if not fake_instrument.tcp:
            cut = bytes([frame[0], 3, 2]) + frame[3:5]
            return cut + crc(cut)
        return frame[:4] + b"\0\5" + frame[6:8] + b"\2" + frame[9:11]

    fake_instrument.units[1].tables["holding"] = {0: 5, 1: 6}
    fake_instrument.behaviour = short
    reading = opened(driver_at(fake_instrument.address, {"a": {"register": 0, "type": "uint32"}})).read("a")
    assert "answered 1 registers instead of 2" in reading.problem


def test_the_identification_is_read_if_requested(opened, fake_instrument):
    fake_instrument.units[1].identity = [b"Acme", b"M1", b"V2.0"]
    assert opened(driver_at(fake_instrument.address, {"a": {"register": 0}}, identify=True)).identity == "Acme M1 V2.0"


def test_a_unit_that_does_not_know_the_identification_query_has_none(opened, fake_instrument):
    assert opened(driver_at(fake_instrument.address, {"a": {"register": 0}}, identify=True)).identity == ""


def test_bytes_that_drip_for_ever_hold_nobody_up(opened, fake_instrument):
    stop = threading.Event()

    def drip(frame):
        for byte in itertools.chain(frame[:4], b"\0\x90", itertools.repeat(0)):
            if stop.wait(0.02):
                break
            fake_instrument.line.send(bytes([byte]))

    fake_instrument.behaviour = drip
    driver = opened(driver_at(fake_instrument.address, {"a": {"register": 0}}, timeout=0.2, retries=0))
    try:
        assert driver.read("a").value is None
    except InstrumentError:
        pass
    finally:
        stop.set()


def test_an_unplugged_instrument_is_lost_with_a_reason_and_read_again_when_it_returns(opened):
    with FakeModbusInstrument({1: Unit(holding={0: 5})}) as fake_instrument:
        driver = opened(driver_at(fake_instrument.address, {"a": {"register": 0}}))
        assert driver.read("a").value == 5.0
        fake_instrument.line.unplug()
        with pytest.raises(InstrumentError, match="refused"):
            driver.read("a")
        driver.close()
        fake_instrument.line.plug_in()
        driver.open()
        assert driver.read("a").value == 5.0


def test_the_library_s_log_does_not_end_up_on_the_terminal():
    script = """
from benchmon.instruments.driver import DrivenChannel
from benchmon_drivers.modbus.driver import ModbusChannel, ModbusDriver, ModbusSettings
import socket
server = socket.create_server(("127.0.0.1", 0))
address = f"tcp://127.0.0.1:{server.getsockname()[1]}"
channel = DrivenChannel("a", "V", 1.0, 1.0, ModbusChannel(register=0))
driver = ModbusDriver("meter", ModbusSettings(address=address, timeout=0.05, retries=0), [channel])
driver.open()
try:
    driver.read("a")
except OSError:
    driver.close()
"""
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60)
    assert (done.stdout, done.stderr) == ("", "")


@pytest.mark.parametrize(
    "address", ["tcp://127.0.0.1:1", "tcp://no-such-host.invalid", "/dev/no-such-port", "nonsense://x", os.devnull]
)
def test_what_cannot_be_opened_is_an_instrument_error_in_one_line(address):
    with pytest.raises(InstrumentError) as caught:
        driver_at(address, {"a": {"register": 0}}).open()
    assert address in str(caught.value)
    assert "report this" not in str(caught.value)


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({"address": ""}, "must be like"),
        ({"address": "tcp://"}, "must be like"),
        ({"address": "tcp://h:99999"}, "must be like"),
        ({"address": "tcp://h:502/path"}, "must be like"),
        ({"address": "tcp://h", "baud": 9600}, "belongs to a serial line"),
        ({"address": "udp://h", "framing": "ascii"}, "belongs to a serial line"),
        ({"address": "udp://"}, 'must be like "udp://'),
        ({"address": "tcp://h", "ca": "ca.pem"}, "belongs to an address tls://"),
        ({"address": "/dev/x", "unit": 256}, "less than or equal to 255"),
        ({"address": "/dev/x", "word_order": "middle"}, "'big' or 'little'"),
    ],
)
def test_settings_that_cannot_be_are_refused(keys, says):
    with pytest.raises(ValueError, match=says):
        ModbusSettings.model_validate(keys)


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({}, "Field required"),
        ({"register": -1}, "greater than or equal"),
        ({"register": 65535, "type": "float32"}, "leaves no room for 2"),
        ({"register": 0, "function": "coil", "type": "int16"}, "has no type"),
        ({"register": 0, "type": "string"}, "'uint16'"),
        ({"register": 0, "factor": 0}, "must not be 0"),
        ({"register": 0, "mask": 15, "type": "int16"}, "belongs to the types uint16 and uint32"),
        ({"register": 0, "function": "coil", "sign": {"register": 1}}, "is one bit"),
        ({"register": 0, "exponent": {"register": 1, "mask": 15}}, "has its sign in bits that mask leaves out"),
    ],
)
def test_channels_that_cannot_be_are_refused(keys, says):
    with pytest.raises(ValueError, match=says):
        ModbusChannel.model_validate(keys)


class PymodbusServer:
    """One of pymodbus's own servers, in a thread of its own; `made` makes it of a context."""

    def __init__(self, registers, made=lambda context: ModbusTcpServer(context, address=("127.0.0.1", 0))):
        block = ModbusSequentialDataBlock(1, registers)
        device = ModbusDeviceContext(hr=block, ir=block)
        self._context = ModbusServerContext(devices=device, single=True)
        self._made = made
        self._ready = threading.Event()
        self._thread = threading.Thread(target=lambda: asyncio.run(self._serve()))

    async def _serve(self):
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        server = self._made(self._context)
        await server.listen()
        if isinstance(server, ModbusUdpServer):
            self.port = server.transport.get_extra_info("sockname")[1]
        elif not isinstance(server, ModbusSerialServer):
            self.port = server.transport.sockets[0].getsockname()[1]
        self._ready.set()
        await self._stop.wait()
        await server.shutdown()

    def __enter__(self):
        self._thread.start()
        assert self._ready.wait(60)
        return self

    def __exit__(self, *_):
        self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(60)


def test_pymodbus_s_udp_server_is_read_and_a_closed_port_says_so(opened):
    made = lambda context: ModbusUdpServer(context, address=("127.0.0.1", 0))  # noqa: E731
    with PymodbusServer(registers_of("f", 22.5), made) as server:
        address = f"udp://127.0.0.1:{server.port}"
        driver = opened(driver_at(address, {"a": {"register": 0, "type": "float32"}}, timeout=1.0))
        assert [driver.read("a").value for _ in range(3)] == 3 * [22.5]
    driver = opened(driver_at(address, {"a": {"register": 0}}, retries=0))
    with pytest.raises(InstrumentError, match="refused"):
        driver.read("a")


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning", "ignore::ResourceWarning")
def test_pymodbus_s_tls_server_is_read_where_its_certificate_is_trusted(opened, tmp_path):
    certificate, key = own_certificate(tmp_path)
    context_of_server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context_of_server.load_cert_chain(certificate, key)
    made = lambda context: ModbusTlsServer(  # noqa: E731
        context, address=("127.0.0.1", 0), framer=FramerType.TLS, sslctx=context_of_server
    )
    with PymodbusServer(registers_of("f", 22.5), made) as server:
        address, channels = f"tls://localhost:{server.port}", {"a": {"register": 0, "type": "float32"}}
        driver = opened(driver_at(address, channels, timeout=2.0, ca=str(certificate)))
        assert [driver.read("a").value for _ in range(3)] == 3 * [22.5]
        with pytest.raises(InstrumentError, match="certificate is not trusted"):
            driver_at(address, channels).open()
        with pytest.raises(InstrumentError, match="no readable certificate"):
            driver_at(address, channels, ca=str(tmp_path / "none.pem")).open()
    # The server leaves connections without a handshake to the garbage collector, which must not find them elsewhere.
    del server
    gc.collect()


def test_an_address_without_tls_says_so(opened):
    with FakeModbusInstrument({}) as end, pytest.raises(InstrumentError, match=r"127.0.0.1.*(TLS|closed|time)"):
        opened(driver_at(end.address.replace("tcp:", "tls:"), {"a": {"register": 0}}))


@pytest.mark.parametrize("framing", ["ascii", "rtu"])
def test_pymodbus_s_serial_server_is_read_in_both_framings(opened, framing):
    with joined_terminals() as (ours, theirs):
        made = lambda context: ModbusSerialServer(context, port=theirs, framer=FramerType(framing))  # noqa: E731
        with PymodbusServer(registers_of("f", 22.5), made):
            keys = {"framing": framing, "timeout": 2.0}
            driver = opened(driver_at(ours, {"a": {"register": 0, "type": "float32"}}, **keys))
            assert [driver.read("a").value for _ in range(3)] == 3 * [22.5]
            driver.close()


@contextmanager
def joined_terminals():
    """Two pseudo-terminals whose other ends are joined."""
    ends = [os.openpty() for _ in range(2)]
    for _, terminal in ends:
        tty.setraw(terminal)
    (first, one), (second, other) = ends
    ended = threading.Event()

    def join():
        while not ended.is_set():
            for ready in select.select([first, second], [], [], 0.02)[0]:
                with suppress(OSError):
                    os.write(second if ready == first else first, os.read(ready, 1000))

    thread = threading.Thread(target=join)
    thread.start()
    try:
        yield os.ttyname(one), os.ttyname(other)
    finally:
        ended.set()
        thread.join()
        for number in (first, one, second, other):
            os.close(number)


def test_a_server_that_nobody_here_wrote_is_read(opened):
    with PymodbusServer([*registers_of("f", 22.5), *registers_of("d", -1.25), 65535]) as server:
        channels = {
            "f": {"register": 0, "type": "float32"},
            "d": {"register": 2, "type": "float64", "function": "input"},
            "i": {"register": 6, "type": "int16"},
            "gone": {"register": 4000},
        }
        driver = opened(driver_at(f"tcp://127.0.0.1:{server.port}", channels, timeout=1.0))
        found = driver.read_together(list(channels))
        assert [one.value for one in found] == [22.5, -1.25, -1.0, None]
        assert "illegal data address" in found[3].problem


@pytest.fixture(scope="module", params=["tcp", "rtu"])
def fuzzed_end(request):
    with FakeModbusInstrument({1: Unit(holding=table(0, range(4)))}, tcp=request.param == "tcp") as end:
        yield end


@given(st.lists(st.tuples(st.integers(0, 30), st.binary(max_size=6)), max_size=4), st.binary(max_size=20))
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_damaged_frames_raise_only_instrument_errors(fuzzed_end, damages, tail):
    def damage(frame):
        for at, data in damages:
            frame = frame[:at] + data + frame[at + len(data) :]
        if not fuzzed_end.tcp and len(tail) % 2:
            frame = frame[:-2] + crc(frame[:-2])
        return frame + tail or None

    fuzzed_end.behaviour = damage
    driver = driver_at(fuzzed_end.address, {"a": {"register": 0}, "b": {"register": 1}}, timeout=0.03, retries=0)
    said = ""
    try:
        driver.open()
        for reading in driver.read_together(["a", "b"]):
            assert (reading.value is None) == bool(reading.problem)
            assert reading.problem.isprintable()
    except BenchmonError as problem:
        said = str(problem)
    finally:
        driver.close()
    assert said.isprintable()
    assert "report this" not in said


def test_a_channel_s_settings_can_be_written_down_as_a_bench_file_has_them():
    channel = ModbusChannel.model_validate({"register": 7, "type": "float32"})
    written = channel.model_dump(mode="json", by_alias=True)
    assert written["register"] == 7
    assert ModbusChannel.model_validate(written) == channel
