"""A serial port that another program has is refused in one line, whether it is read or switches the power off."""

import fcntl
import os
import termios
from contextlib import contextmanager

import pytest

from benchmon.bench import read_bench
from benchmon.errors import InstrumentError
from benchmon.instruments.registry import prepare
from benchmon.instruments.testing.fake_instrument import FakeSerialInstrument
from support.supplies import supply

INSTRUMENT = """
[[instrument]]
name = "it"
driver = "{driver}"
address = "{address}"
timeout = "0.2 s"
{keys}
"""
CHANNEL = """
[[channel]]
name = "output"
instrument = "it"
quantity = "output.voltage.rms"
accuracy = "1 %"
"""
SWITCH_OFF = '[switch_off]\ninstrument = "it"\n'
FRAMES = 'sync = "AA 55"\nlength = 8'
READ = {
    "scpi": ("scpi", "", 'query = "V?"'),
    "lines": ("serial_lines", "pattern = '(?P<volts>.*)'", 'group = "volts"'),
    "frames": ("serial_frames", FRAMES, 'at = 3\nformat = ">h"\nfixed_range = true'),
    "modbus rtu": ("modbus", "", "register = 1"),
    "modbus ascii": ("modbus", 'framing = "ascii"', "register = 1"),
}
SWITCHED = {
    "scpi command": ("scpi", "", 'command = "OUTP 0"'),
    "rts": ("serial_lines", "", 'line = "rts"\nlevel = "released"'),
    "text": ("serial_lines", "", 'text = "off"'),
    "bytes": ("serial_frames", FRAMES, 'bytes = "3C 10"'),
    "coil": ("modbus", "", "coil = 7\nvalue = 0"),
}


def locked(descriptor):
    fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)


def made_exclusive(descriptor):
    fcntl.ioctl(descriptor, termios.TIOCEXCL)


@contextmanager
def taken(path, how):
    """Open a port as another program does, and take it."""
    descriptor = os.open(path, os.O_RDWR | os.O_NOCTTY)
    try:
        how(descriptor)
        yield
    finally:
        if how is made_exclusive:
            fcntl.ioctl(descriptor, termios.TIOCNXCL)
        os.close(descriptor)


@contextmanager
def driver_of(case, path, last):
    driver, keys, own = case
    address = f"ASRL{path}::INSTR" if driver == "scpi" else path
    text = supply() + INSTRUMENT.format(driver=driver, address=address, keys=keys) + last + own + "\n"
    [prepared] = prepare(read_bench(text))
    try:
        yield prepared
    finally:
        prepared.ending = True
        prepared.close()


def is_in_use(problem, path):
    return str(problem.value).endswith(": the port is in use by another program; close that one") and path in str(
        problem.value
    )


@pytest.mark.parametrize("how", [locked, made_exclusive])
@pytest.mark.parametrize("case", READ)
def test_a_port_that_another_program_has_is_not_read(case, how):
    with FakeSerialInstrument() as far_end, driver_of(READ[case], far_end.path, CHANNEL) as driver:
        with taken(far_end.path, how), pytest.raises(InstrumentError) as problem:
            driver.open()
        assert is_in_use(problem, far_end.path)
        driver.open()
        driver.close()
        driver.open()


@pytest.mark.parametrize("how", [locked, made_exclusive])
@pytest.mark.parametrize("case", SWITCHED)
def test_a_switch_at_a_port_that_another_program_has_is_not_ready(case, how):
    with FakeSerialInstrument() as far_end, driver_of(SWITCHED[case], far_end.path, SWITCH_OFF) as driver:
        for use in (driver.arm_switch, driver.switch_off):
            with taken(far_end.path, how), pytest.raises(InstrumentError) as problem:
                use()
            assert is_in_use(problem, far_end.path)
