"""Captured waves over the wire: definite blocks and their preamble, read by PyVISA, which knows nothing of them."""

from __future__ import annotations

import numpy as np
import pytest
import pyvisa

from benchmon_simulated import SimulatedBench

SCOPE = '[[instrument]]\nname = "scope"\ndriver = "scpi"\naddress = "TCPIP::127.0.0.1::0::SOCKET"\n'
CHANNEL = '[[channel]]\nname = "{}"\ninstrument = "scope"\nquantity = "{}"\naccuracy = "3 %"\nquery = "MEAS{}:VAL?"\n'


@pytest.fixture(scope="module")
def scope(make_bench, reservoir):
    text = reservoir + SCOPE
    quantities = ["output.voltage.rms", "diode.current.peak", "mains.power_factor", "mains.current.rms"]
    for number, quantity in enumerate(quantities, 1):
        text += CHANNEL.format(quantity, quantity, number) + ("scale = 100\n" if number == 4 else "")
    with SimulatedBench(make_bench(text), seed=2) as simulated:
        # There is one manager of a backend in a process, which the drivers use too: it is left open.
        line = pyvisa.ResourceManager("@py").open_resource(
            simulated.addresses["scope"], read_termination="\n", write_termination="\n", timeout=5000
        )
        yield simulated, line
        line.close()


def captured(line, number):
    points, spacing, start, step, zero = (float(part) for part in line.query(f"WAV{number}:PRE?").split(","))
    codes = line.query_binary_values(f":waveform{number}:data?", datatype="h", is_big_endian=True, container=np.array)
    assert len(codes) == points
    return start + spacing * np.arange(len(codes)), zero + step * codes, step


@pytest.mark.parametrize(("number", "wave"), [(1, "output.voltage"), (2, "diode.current"), (4, "mains.current")])
def test_a_wave_comes_whole_and_in_scale(scope, number, wave):
    simulated, line = scope
    times, values, step = captured(line, number)
    snapshot = simulated.supply.snapshot
    expected = snapshot.waveforms[wave] / (100 if number == 4 else 1)
    assert np.allclose(times, snapshot.waveforms["time"], rtol=1e-3)
    # Two bits of noise, and the mains that moved since.
    assert np.abs(values - expected).max() < 4 * step + 0.01 * np.abs(expected).max()
    assert np.abs(values - expected).max() > 0.0


def test_the_codes_are_of_the_capture_that_the_preamble_tells_of(scope):
    simulated, line = scope
    times, values, _ = captured(line, 1)
    again = line.query_binary_values("WAV1:DATA?", datatype="h", is_big_endian=True, container=np.array)
    simulated.supply.set_load(200.0)
    later = line.query_binary_values("WAV1:DATA?", datatype="h", is_big_endian=True, container=np.array)
    assert np.array_equal(again, later)
    assert len(times) == len(values) == 400


def test_what_has_no_wave_is_an_undefined_header(scope):
    _, line = scope
    line.query("*CLS;*OPC?")
    for header in ("WAV3:PRE?", "WAV5:DATA?"):
        line.write(header)
        assert line.query("SYST:ERR?") == '-113,"Undefined header"'
