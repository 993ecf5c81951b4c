"""Simulated instruments over real sockets and pseudo-terminals, with ill-behaved clients."""

from __future__ import annotations

import asyncio
import os
import select
import socket
import time
from contextlib import contextmanager, suppress

import pytest
import serial
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmon_simulated import SimulatedBench
from benchmon_simulated.servers.transports import MOST_CLIENTS, UNREAD, PtyTransport
from support.supplies import easy

BENCH = """
[[instrument]]
name = "lan meter"
driver = "scpi"
address = "TCPIP::127.0.0.1::0::SOCKET"
[[instrument]]
name = "serial meter"
driver = "scpi"
address = "ASRL/dev/ttyS0::INSTR"
[[instrument]]
name = "thermometer"
driver = "serial_lines"
address = "/dev/ttyUSB0"
pattern = 'T1=(?P<case>[+-][0-9.]+)C T2=(?P<air>[+-][0-9.]+)C'
[[channel]]
name = "output"
instrument = "lan meter"
quantity = "output.voltage.mean"
query = "MEASure:VOLTage:DC?"
accuracy = "0.1 % + 10 mV"
[[channel]]
name = "winding"
instrument = "serial meter"
quantity = "secondary.current.rms"
query = "MEASure:CURRent:AC?"
accuracy = "1 % + 10 mA"
[[channel]]
name = "case"
instrument = "thermometer"
quantity = "diode.temperature.case"
group = "case"
accuracy = "1 K"
period = "0.1 s"
[[channel]]
name = "air"
instrument = "thermometer"
quantity = "ambient.temperature"
group = "air"
accuracy = "1 K"
period = "0.1 s"
"""


@pytest.fixture(scope="module")
def simulated():
    with SimulatedBench(easy(BENCH), seed=2) as bench:
        yield bench


class Line:
    """One client of a socket; `ask` waits for one whole reply."""

    def __init__(self, bench, name="lan meter"):
        host, port = bench.addresses[name].split("::")[1:3]
        self.socket = socket.create_connection((host, int(port)), timeout=60)
        self._rest = b""

    def ask(self, message: bytes) -> bytes:
        self.socket.sendall(message + b"\n")
        while b"\n" not in self._rest:
            piece = self.socket.recv(65536)
            assert piece, "the server hung up"
            self._rest += piece
        reply, _, self._rest = self._rest.partition(b"\n")
        return reply


@contextmanager
def line_to(bench, name="lan meter"):
    line = Line(bench, name)
    try:
        yield line
    finally:
        line.socket.close()


@contextmanager
def serial_to(bench, name):
    device = bench.addresses[name].removeprefix("ASRL").removesuffix("::INSTR")
    with serial.Serial(device, timeout=60) as port:
        yield port


def test_a_value_comes_over_the_socket(simulated):
    with line_to(simulated) as line:
        value = float(line.ask(b"MEAS:VOLT:DC?"))
    assert value == pytest.approx(simulated.supply.snapshot.values["output.voltage.mean"], rel=0.01)


def test_a_value_comes_over_the_serial_line(simulated):
    with serial_to(simulated, "serial meter") as port:
        port.write(b"meas:curr:ac?\n")
        value = float(port.readline())
    assert value == pytest.approx(simulated.supply.snapshot.values["secondary.current.rms"], rel=0.02)


def test_the_thermometer_streams_in_the_format_of_its_pattern(simulated):
    with serial_to(simulated, "thermometer") as port:
        port.readline()
        line = port.readline().decode().strip()
        again = port.readline()
    case, air = (float(part.split("=")[1].rstrip("C")) for part in line.split())
    values = simulated.supply.snapshot.values
    assert case == pytest.approx(values["diode.temperature.case"], abs=1.1)
    assert air == pytest.approx(values["ambient.temperature"], abs=1.1)
    assert again


def test_two_clients_are_served_side_by_side(simulated):
    with line_to(simulated) as one, line_to(simulated) as other:
        one.socket.sendall(b"*ID")
        assert other.ask(b"*OPC?") == b"1"
        assert one.ask(b"N?").count(b",") == 3


def test_a_client_that_disconnects_abruptly_affects_no_other(simulated):
    with line_to(simulated) as rude:
        rude.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
        rude.socket.sendall(b"*IDN?\n" * 100 + b"MEAS:VO")
    with line_to(simulated) as line:
        assert line.ask(b"*OPC?") == b"1"


def test_a_serial_client_may_come_and_go(simulated):
    for _ in range(3):
        with serial_to(simulated, "serial meter") as port:
            port.write(b"\n*OPC?\n")
            assert port.readline() == b"1\n"


def test_a_flood_that_nobody_reads_stops_only_its_own_line(simulated):
    with line_to(simulated) as flood, line_to(simulated) as line:
        flood.socket.setblocking(False)
        sent, give_up = 0, time.monotonic() + 20
        # Until the server takes no more: its buffer and the system's are full.
        while time.monotonic() < give_up:
            try:
                sent += flood.socket.send(b"*IDN?;*IDN?;*IDN?\n" * 100)
            except BlockingIOError:
                if not select.select([], [flood.socket], [], 0.2)[1]:
                    break
        assert line.ask(b"*OPC?") == b"1"
        assert sent > 1000


def test_a_serial_flood_that_nobody_reads_loses_old_bytes_and_goes_on(simulated):
    with serial_to(simulated, "serial meter") as port:
        for _ in range(50):
            port.write(b"*IDN?;*IDN?;*IDN?\n" * 20)
            time.sleep(0.002)
        bounded_wait(lambda: port.in_waiting)
        assert port.in_waiting < 10_000
        # After silence the line is clean again, and every answer is whole.
        port.write(b"\n*CLS\n")
        quiet(port)
        port.write(b"*OPC?\n")
        assert port.readline() == b"1\n"


async def test_a_serial_line_without_a_listener_keeps_the_newest_lines():
    transport = PtyTransport()
    await transport.open()
    try:
        for number in range(1000):
            transport.send(f"line {number}\r\n".encode())
            await asyncio.sleep(0)
            if number % 10 == 0:
                # A stream has pauses, in which the system carries its bytes to the other end.
                await asyncio.sleep(0.001)
        descriptor = os.open(transport.path, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        held = b""
        give_up = time.monotonic() + 60
        while not held.endswith(b"line 999\r\n") and time.monotonic() < give_up:
            with suppress(BlockingIOError):
                held += os.read(descriptor, 65536)
        os.close(descriptor)
    finally:
        await transport.close()
    assert held.endswith(b"line 999\r\n")
    assert len(held) < 2 * UNREAD
    numbers = [int(line.split()[1]) for line in held.decode().splitlines()[1:]]
    assert numbers == list(range(numbers[0], 1000))


async def test_a_client_that_leaves_does_not_end_a_serial_line():
    transport = PtyTransport(lambda data: data.upper())
    await transport.open()
    try:
        for text in (b"one\n", b"two\n"):
            with serial.Serial(transport.path, timeout=60) as port:
                port.write(text)
                assert await asyncio.to_thread(port.readline) == text.upper()
    finally:
        await transport.close()


def test_a_line_without_end_is_bounded_and_the_next_is_answered(simulated):
    with line_to(simulated) as line:
        line.ask(b"*CLS;*OPC?")
        line.socket.sendall(b"A" * 200_000)
        assert line.ask(b"\n*OPC?") == b"1"
        assert line.ask(b"SYST:ERR?").startswith(b"-363")


def test_more_clients_than_a_socket_serves_are_turned_away_and_room_is_made_again(simulated):
    bounded_wait(lambda: answers(simulated))
    lines = [Line(simulated) for _ in range(MOST_CLIENTS)]
    try:
        assert all(line.ask(b"*OPC?") == b"1" for line in lines)
        with line_to(simulated) as one_more, pytest.raises((ConnectionError, AssertionError)):
            one_more.ask(b"*OPC?")
    finally:
        for line in lines:
            line.socket.close()
    bounded_wait(lambda: answers(simulated))


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(pieces=st.lists(st.binary(min_size=1, max_size=300), max_size=10))
def test_no_bytes_whatever_kill_the_socket_server(simulated, pieces):
    with line_to(simulated) as line:
        for piece in pieces:
            line.socket.sendall(piece)
    with line_to(simulated) as line:
        assert line.ask(b"*CLS;*OPC?") == b"1"


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(pieces=st.lists(st.binary(min_size=1, max_size=300), max_size=5))
def test_no_bytes_whatever_kill_the_serial_meter(simulated, pieces):
    with serial_to(simulated, "serial meter") as port:
        for piece in pieces:
            port.write(piece)
        port.write(b"\n*CLS;*OPC?\n")
        # What the garbage happened to ask for may be answered before.
        assert any(port.readline() == b"1\n" for _ in range(2000))


def answers(bench) -> bool:
    try:
        with line_to(bench) as line:
            return line.ask(b"*OPC?") == b"1"
    except (ConnectionError, AssertionError):
        return False


def bounded_wait(condition, limit=60.0):
    give_up = time.monotonic() + limit
    while not condition():
        assert time.monotonic() < give_up, "it never came"
        time.sleep(0.01)


def quiet(port):
    """Read until nothing came for a tenth of a second."""
    port.timeout = 0.1
    while port.read(4096):
        pass
    port.timeout = 5
