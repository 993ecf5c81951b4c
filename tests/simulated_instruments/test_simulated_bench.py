"""The simulated bench as a whole, from a bench file to addresses that drivers can use."""

from __future__ import annotations

import re
import socket
import threading
import time

import pytest
import serial

from benchmon.bench import load_bench, read_bench
from benchmon.errors import BadInput
from benchmon.instruments.registry import prepare
from benchmon_simulated import SimulatedBench, SupplyUnderTest
from benchmon_simulated.scenarios import SCENARIOS
from support.supplies import easy
from support.waiting import until

METER = '[[instrument]]\nname = "meter"\ndriver = "{}"\naddress = "{}"\n'
CHANNEL = '[[channel]]\nname = "output"\ninstrument = "meter"\nquantity = "output.voltage.mean"\n'
QUERY = 'query = "MEAS:VOLT:DC?"\n'
SOCKET = "TCPIP::127.0.0.1::0::SOCKET"


def ask(address: str, message: str) -> str:
    host, port = address.split("::")[1:3]
    with socket.create_connection((host, int(port)), timeout=60) as line, line.makefile("rwb") as stream:
        stream.write(f"{message}\n".encode())
        stream.flush()
        return stream.readline().decode().strip()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def patient(text):
    """Return a bench file whose drivers wait longer for an answer than a busy machine holds them up."""
    return re.sub("^driver = .*$", r'\g<0>\ntimeout = "9 s"', text, flags=re.MULTILINE)


BENCHES = [scenario for scenario in SCENARIOS if not scenario.bench]


@pytest.mark.parametrize("scenario", BENCHES, ids=lambda scenario: scenario.name)
def test_every_channel_of_an_example_reads_its_true_value_through_its_driver(scenario):
    bench = load_bench(scenario.path)
    with SimulatedBench(bench, seed=3) as simulated:
        channels = {channel.name: channel for channel in bench.channel}
        readings = {}
        until(lambda: simulated.supply.snapshot.time > 0.5)  # the reservoir is outputs
        before = simulated.supply.snapshot.values
        for driver in prepare(read_bench(patient(simulated.bench_text()))):
            driver.open()
            try:
                if driver.streams:
                    until(
                        lambda driver=driver: (
                            readings.update((r.channel, r) for r in driver.receive(0.1))
                            or set(driver.channels) <= set(readings)
                        )
                    )
                else:
                    readings.update((name, driver.read(name)) for name in driver.channels)
            finally:
                driver.close()
        true = simulated.supply.snapshot.values
    assert set(readings) == set(channels)
    for name, channel in channels.items():
        low, high = sorted((before[channel.quantity], true[channel.quantity]))
        # The mains wander, parts warm, and a multiplier charges between the first look at the truth and the last.
        slack = channel.accuracy.of(high) + 0.003 * abs(high) + (1.5 if channel.unit == "°C" else 0.0)
        assert low - slack <= readings[name].value <= high + slack, name


# Two outputs and multipliers take long to step, and warm by the same law.
SLOW = ("split-rail", "two-bridges", "two-outputs", "doubler", "half-wave-doubler", "tripler")
QUICK = [scenario for scenario in BENCHES if scenario.name not in (*SLOW, "sweep")]  # which begins without a load


@pytest.mark.parametrize("scenario", QUICK, ids=lambda scenario: scenario.name)
def test_an_example_without_faults_warms_up_plausibly_and_stays_below_its_limits(scenario):
    bench = load_bench(scenario.path)
    supply = SupplyUnderTest(bench, seed=8)
    start = supply.advance(1.0).values
    minute = supply.advance(60.0, each=2.0).values
    end = supply.advance(140.0, each=5.0).values
    rise = end["diode.temperature.junction"] - end["ambient.temperature"]
    assert 10.0 < rise < 60.0
    assert start["diode.temperature.case"] < start["ambient.temperature"] + 3.0
    assert minute["diode.temperature.junction"] - minute["ambient.temperature"] > 0.7 * rise
    assert end["transformer.temperature"] < 80.0
    assert not supply.fuse_blown
    for channel in bench.channel:
        if channel.warn_above is not None:
            assert end[channel.quantity] < channel.warn_above - 5.0, channel.name
        if channel.warn_below is not None:
            assert end[channel.quantity] > channel.warn_below + 0.5, channel.name


def test_time_passes_and_is_never_ahead_of_the_wall():
    began = time.monotonic()
    with SimulatedBench(easy()) as simulated:
        for seconds in (0.1, 0.3, 0.5):
            until(lambda least=seconds: simulated.supply.snapshot.time > least)
            passed = simulated.supply.snapshot.time
            assert passed <= time.monotonic() - began


def test_stopping_closes_the_lines_and_leaves_no_thread():
    simulated = SimulatedBench(easy(METER.format("scpi", SOCKET)))
    before = threading.active_count()
    simulated.start()
    address = simulated.addresses["meter"]
    assert ask(address, "*OPC?") == "1"
    assert not simulated.wait(0.01)
    simulated.stop()
    simulated.stop()
    assert simulated.wait(0)
    assert threading.active_count() == before
    with pytest.raises(ConnectionRefusedError):
        ask(address, "*OPC?")


def test_it_can_be_started_again():
    simulated = SimulatedBench(easy(METER.format("scpi", SOCKET)))
    for _ in range(2):
        with simulated:
            assert ask(simulated.addresses["meter"], "*OPC?") == "1"


def test_a_free_port_of_this_machine_is_used_and_a_taken_one_is_not():
    port = free_port()
    bench = easy(METER.format("scpi", f"TCPIP::127.0.0.1::{port}::SOCKET"))
    with SimulatedBench(bench) as first, SimulatedBench(bench) as second:
        assert first.addresses["meter"] == f"TCPIP::127.0.0.1::{port}::SOCKET"
        assert second.addresses["meter"] != first.addresses["meter"]
        assert ask(first.addresses["meter"], "*OPC?") == ask(second.addresses["meter"], "*OPC?") == "1"


@pytest.mark.parametrize(
    "address", ["TCPIP::192.0.2.5::5025::SOCKET", "GPIB0::22::INSTR", "TCPIP::meter.example::INSTR", ""]
)
def test_an_instrument_of_elsewhere_gets_a_socket_of_this_machine_only(address):
    with SimulatedBench(easy(METER.format("scpi", address))) as simulated:
        assert simulated.addresses["meter"].startswith("TCPIP::127.0.0.1::")
        assert ask(simulated.addresses["meter"], "*OPC?") == "1"


def test_cutting_the_mains_shows_on_the_meters():
    text = METER.format("scpi", SOCKET) + CHANNEL + QUERY
    with SimulatedBench(easy(text)) as simulated:
        address = simulated.addresses["meter"]
        assert float(ask(address, "MEAS:VOLT:DC?")) > 5.0
        simulated.supply.switch_off()
        until(lambda: abs(float(ask(address, "MEAS:VOLT:DC?"))) < 0.1)
        simulated.supply.switch_on()
        until(lambda: float(ask(address, "MEAS:VOLT:DC?")) > 5.0)


def test_the_command_of_switch_off_cuts_the_mains():
    text = METER.format("scpi", SOCKET) + CHANNEL + QUERY
    text += '[switch_off]\ninstrument = "meter"\ncommand = "OUTPut OFF"\n'
    with SimulatedBench(easy(text)) as simulated:
        address = simulated.addresses["meter"]
        assert ask(address, "outp off;:syst:err?") == '0,"No error"'
        until(lambda: abs(float(ask(address, "MEAS:VOLT:DC?"))) < 0.1)


def test_terminations_factors_and_settings_of_the_bench_file_are_followed():
    text = METER.format("scpi", "ASRL/dev/ttyS0::INSTR")
    text += 'read_termination = "\\r\\n"\nwrite_termination = "\\r"\n'
    text += 'setup = ["*RST", "CONF:VOLT 100;:TRIG IMM", "HEADER?"]\n'
    text += CHANNEL + QUERY + "factor = 0.001\n"
    with SimulatedBench(easy(text)) as simulated:
        device = simulated.addresses["meter"].removeprefix("ASRL").removesuffix("::INSTR")
        with serial.Serial(device, timeout=60) as port:
            port.write(b"*RST\rCONF:VOLT 100;:TRIG IMM\rHEADER?\rSYST:ERR?\rMEAS:VOLT:DC?\r")
            assert [port.readline() for _ in range(2)] == [b"0\r\n", b'0,"No error"\r\n']
            value = float(port.readline())
    # The driver multiplies by the factor, so the instrument here says millivolts.
    assert value * 0.001 == pytest.approx(simulated.supply.snapshot.values["output.voltage.mean"], rel=0.02)


def test_a_text_meter_without_a_pattern_says_number_and_unit():
    text = METER.format("serial_lines", "/dev/ttyUSB0") + CHANNEL + 'period = "0.1 s"\n'
    with SimulatedBench(easy(text)) as bench, serial.Serial(bench.addresses["meter"], timeout=60) as port:
        port.readline()
        number, unit = port.readline().decode().split()
        true = bench.supply.snapshot.values["output.voltage.mean"]
    assert unit == "V"
    assert float(number) == pytest.approx(true, rel=0.02)


def test_a_text_meter_with_a_query_speaks_only_when_asked():
    text = METER.format("serial_lines", "/dev/ttyUSB0") + CHANNEL + 'query = "V?"\nperiod = "0.1 s"\n'
    with SimulatedBench(easy(text)) as bench, serial.Serial(bench.addresses["meter"], timeout=0.3) as port:
        assert port.readline() == b""
        port.timeout = 5
        port.write(b"X?\nV")
        port.write(b"?\n")
        assert port.readline().endswith(b" V\r\n")


def test_a_text_meter_says_nothing_where_there_is_nothing_to_say():
    text = METER.format("serial_lines", "/dev/ttyUSB0") + CHANNEL.replace("output.voltage.mean", "mains.power_factor")
    text += 'period = "0.1 s"\npattern = "PF (?P<value>[0-9.]+)"\n'
    with SimulatedBench(easy(text)) as bench, serial.Serial(bench.addresses["meter"], timeout=60) as port:
        assert port.readline().endswith(b"\n")
        bench.supply.switch_off()
        port.timeout = 0.3
        until(lambda: port.readline() == b"")


@pytest.mark.parametrize(
    ("text", "names"),
    [
        (METER.format("smoke signals", "COM3"), ["'meter'", "smoke signals"]),
        (METER.format("scpi", SOCKET) + CHANNEL, ["'output'", "query"]),
        (METER.format("scpi", SOCKET) + CHANNEL + "query = 5\n", ["'output'", "query"]),
        (METER.format("scpi", SOCKET) + CHANNEL + 'query = "VOLT"\n', ["'output'", "VOLT", "question mark"]),
        (METER.format("scpi", SOCKET) + CHANNEL + QUERY + 'factor = "x"\n', ["'output'", "factor"]),
        (METER.format("scpi", SOCKET) + CHANNEL + QUERY + "index = -1\n", ["'output'", "index"]),
        (METER.format("scpi", SOCKET) + "setup = 3\n", ["'meter'", "setup"]),
        (
            METER.format("scpi", SOCKET) + CHANNEL + QUERY + CHANNEL.replace('"output"', '"second"') + QUERY,
            ["'second'", "another channel"],
        ),
        (
            METER.format("scpi", SOCKET) + CHANNEL.replace("output.voltage.mean", "regulator.voltage.headroom") + QUERY,
            ["'output'", "regulator.voltage.headroom"],
        ),
        (METER.format("serial_lines", "/dev/x") + "pattern = '(?P<value>x+)'\n" + CHANNEL, ["'meter'", "pattern"]),
        (METER.format("serial_lines", "/dev/x") + CHANNEL + 'group = "other"\n', ["'output'", "other", "value"]),
        (
            METER.format("serial_lines", "/dev/x") + CHANNEL + CHANNEL.replace('"output"', '"second"'),
            ["'meter'", "group"],
        ),
        (
            METER.format("scpi", SOCKET) + '[switch_off]\ninstrument = "meter"\ncommand = "1 2"\n',
            ["switch_off", "command"],
        ),
    ],
)
def test_what_has_no_twin_is_refused_in_one_line_that_names_it(text, names):
    with pytest.raises(BadInput) as refusal:
        SimulatedBench(easy(text))
    assert all(name in str(refusal.value) for name in names), str(refusal.value)
    assert str(refusal.value).isprintable()


def test_a_bench_that_breaks_says_so_to_who_waits(monkeypatch):
    with SimulatedBench(easy()) as simulated:
        monkeypatch.setattr(simulated.supply, "advance", lambda _: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            simulated.wait(60)
