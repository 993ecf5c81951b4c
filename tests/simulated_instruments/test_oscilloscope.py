"""Captured waveforms over a real line: definite blocks and their preamble, read by PyVISA."""

from __future__ import annotations

import time
from contextlib import closing

import numpy as np
import pytest
import pyvisa

from benchmon.bench import read_bench
from benchmon.errors import BadInput
from benchmon.instruments.registry import prepare
from benchmon_simulated import SimulatedBench
from benchmon_simulated.servers.oscilloscope import PERIODS
from support.supplies import SMOOTHING, easy
from support.waiting import until

SCOPE = '[[instrument]]\nname = "scope"\ndriver = "scpi"\naddress = "TCPIP::127.0.0.1::0::SOCKET"\n'
CHANNEL = '[[channel]]\nname = "{}"\ninstrument = "scope"\nquantity = "{}"\naccuracy = "3 %"\nquery = "MEAS{}:VAL?"\n'


@pytest.fixture(scope="module")
def scope():
    text = SMOOTHING + SCOPE
    quantities = ["output.voltage.rms", "diode.current.peak", "mains.power_factor", "mains.current.rms"]
    for number, quantity in enumerate(quantities, 1):
        text += CHANNEL.format(quantity, quantity, number) + ("scale = 100\n" if number == 4 else "")
    with SimulatedBench(easy(text), seed=2) as simulated:
        # There is one manager of a backend in a process, which the drivers use too: it is left open.
        line = pyvisa.ResourceManager("@py").open_resource(
            simulated.addresses["scope"], read_termination="\n", write_termination="\n", timeout=60_000
        )
        yield simulated, line
        line.close()


def captured(line, number):
    points, spacing, start, step, zero = (float(part) for part in line.query(f"TRAC{number}:PRE?").split(","))
    codes = line.query_binary_values(f":trace{number}:data?", datatype="h", is_big_endian=True, container=np.array)
    assert len(codes) == points
    return start + spacing * np.arange(len(codes)), zero + step * codes, step


@pytest.mark.parametrize(("number", "wave"), [(1, "output.voltage"), (2, "diode.current"), (4, "mains.current")])
def test_a_wave_comes_whole_and_in_scale(scope, number, wave):
    simulated, line = scope
    times, values, step = captured(line, number)
    snapshot = simulated.supply.snapshot
    expected = np.tile(snapshot.waveforms[wave] / (100 if number == 4 else 1), PERIODS)
    assert np.allclose(times[: len(times) // PERIODS], snapshot.waveforms["time"], rtol=1e-3)
    # Two bits of noise, a meter within its 3 %, and the mains that moved since.
    assert np.abs(values - expected).max() < 4 * step + 0.04 * np.abs(expected).max()
    assert np.abs(values - expected).max() > 0.0


def test_the_codes_are_of_the_capture_of_the_last_preamble(scope):
    simulated, line = scope
    times, values, _ = captured(line, 1)
    again = line.query_binary_values("TRAC1:DATA?", datatype="h", is_big_endian=True, container=np.array)
    simulated.supply.set_load(200.0)
    later = line.query_binary_values("TRAC1:DATA?", datatype="h", is_big_endian=True, container=np.array)
    assert np.array_equal(again, later)
    assert len(times) == len(values) == PERIODS * 400


def test_what_has_no_wave_is_an_undefined_header(scope):
    _, line = scope
    line.query("*CLS;*OPC?")
    for header in ("TRAC3:PRE?", "TRAC5:DATA?"):
        line.write(header)
        assert line.query("SYST:ERR?") == '-113,"Undefined header"'


WAVES = """
[instrument.waves]
preamble = ["format", "points", "-", "x_increment", "y_increment", "y_reference"]
formats = {{ "7" = "{codes}" }}
byte_order = "{order}"
"""
ASKED = """
[[channel]]
name = "{name}"
instrument = "scope"
quantity = "{name}"
accuracy = "3 %"
preamble = ":TRAC:SOUR CH1;PRE?"
wave = ":TRAC:DATA? CH1"
"""


def test_a_wave_that_the_bench_file_asks_for_in_its_own_words():
    """The very words and codes of the bench file, decoded by PyVISA and by hand."""
    text = SMOOTHING + SCOPE + WAVES.format(codes="uint16", order="little")
    text += ASKED.replace(":TRAC:SOUR CH1;PRE?", "TRAC:PRE? CH1").format(name="output.voltage.rms")
    with SimulatedBench(easy(text), seed=2) as simulated:
        with closing(
            pyvisa.ResourceManager("@py").open_resource(
                simulated.addresses["scope"], read_termination="\n", write_termination="\n", timeout=60_000
            )
        ) as line:
            preamble = line.query("TRAC:PRE? CH1").strip().split(",")
            codes = line.query_binary_values(":TRAC:DATA? CH1", datatype="H", container=np.array)
        wave = simulated.supply.snapshot.waveforms["output.voltage"]
    assert preamble[:3] == ["7", "1600", "0"]
    values = (codes.astype(float) - float(preamble[5])) * float(preamble[4])
    assert np.abs(values - np.tile(wave, PERIODS)).max() < 0.04 * np.abs(wave).max()


PREAMBLES = {
    "words": (
        'preamble = ["-", "points", "x_increment", "x_origin", "format", "y_increment", "y_origin", "y_reference"]\n'
        'separator = ";"\nformats = { "BIN" = "uint8" }'
    ),
    "rate": 'preamble = ["sample_rate", "y_increment", "y_reference"]\nseparator = "|"\ncodes = "uint16"',
    "fixed rate": 'preamble = ["points", "y_increment"]\nsample_rate = 25000',
    "descriptor": (
        'descriptor = { points = [4, "<i"], x_increment = [8, "<f"], y_increment = [12, ">d"], format = [2, "B"] }\n'
        'formats = { "3" = "int16" }\nbyte_order = "little"'
    ),
    "before": (
        'descriptor = { x_increment = [30, "<f"], y_increment = [34, "<f"], y_reference = [1, "<h"] }\nskip = 40'
    ),
    "pairs": 'codes = "ascii"\npairs = true',
}


def test_every_way_to_write_a_preamble_is_played_and_read_over_a_socket():
    asked = '[[channel]]\nname = "{0} {2}"\ninstrument = "{0}"\nquantity = "{1}"\naccuracy = "3 %"\nwave = "DATA?"\n'
    text = SMOOTHING
    for name, waves in PREAMBLES.items():
        text += SCOPE.replace('"scope"', f'"{name}"') + f"[instrument.waves]\n{waves}\n"
        for quantity in ("output.voltage.mean", "output.voltage.frequency"):
            text += asked.format(name, quantity, quantity)
            text += "" if name in ("before", "pairs") else 'preamble = "PRE?"\n'
    with SimulatedBench(easy(text), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.3)
        true = simulated.supply.snapshot.values["output.voltage.mean"]
        for driver in prepare(read_bench(simulated.bench_text())):
            driver.open()
            found = [driver.read(channel) for channel in driver.channels]
            driver.close()
            assert found[0].value == pytest.approx(true, rel=0.02), (found, true)
            assert found[1].value == pytest.approx(100.0, rel=0.01), found


def test_a_wave_has_the_errors_that_the_corrections_of_its_channel_take_off():
    text = SMOOTHING + SCOPE + WAVES.format(codes="uint16", order="little")
    asked = ASKED.replace(":TRAC:SOUR CH1;PRE?", "TRAC:PRE? CH1").replace("3 %", "0.1 %")
    text += asked.format(name="output.voltage.mean")
    with SimulatedBench(easy(text + 'gain = 1.05\nzero = "0.3 V"\n'), seed=2) as simulated:
        until(lambda: simulated.supply.snapshot.time > 0.3)
        (driver,) = prepare(read_bench(simulated.bench_text()))
        driver.open()
        try:
            found = driver.read("output.voltage.mean").value
            true = simulated.supply.snapshot.values["output.voltage.mean"]
        finally:
            driver.close()
    assert found == pytest.approx(true, rel=0.01)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("output.voltage.rms", "mains.power_factor"), "no wave of mains.power_factor can be captured"),
        (("[instrument.waves]", "[instrument.others]"), "add \\[instrument.waves\\]"),
        (('"7" = "uint16"', '"7" = "int12"'), "must be one of int8"),
    ],
)
def test_a_wave_that_cannot_be_simulated_is_refused(change, says):
    text = SCOPE + WAVES.format(codes="uint16", order="little") + ASKED.format(name="output.voltage.rms")
    with pytest.raises(BadInput, match=says):
        SimulatedBench(easy(SMOOTHING + text.replace(*change)), seed=2)


def test_a_wrong_clamp_and_a_hold_key_show_in_the_wave():
    text = SMOOTHING + SCOPE + CHANNEL.format("clamp", "mains.current.rms", 1)
    with (
        SimulatedBench(easy(text), seed=2, faults=["clamp-tenfold:clamp"]) as simulated,
        closing(
            pyvisa.ResourceManager("@py").open_resource(
                simulated.addresses["scope"], read_termination="\n", write_termination="\n", timeout=60_000
            )
        ) as line,
    ):
        _, values, _ = captured(line, 1)
        simulated.execute("clear all")
        simulated.execute("fault frozen-value:clamp")
        held = captured(line, 1)[1]
        simulated.execute("load open")
        give_up = time.monotonic() + 60
        while np.abs(simulated.supply.snapshot.waveforms["mains.current"]).max() > 0.8 * np.abs(held).max():
            assert time.monotonic() < give_up
            simulated.wait(0.05)
        again = captured(line, 1)[1]
    assert np.abs(values).max() == pytest.approx(10 * np.abs(held).max(), rel=0.1)
    assert np.abs(again).max() == pytest.approx(np.abs(held).max(), rel=0.01)
