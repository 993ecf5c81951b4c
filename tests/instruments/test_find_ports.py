import threading
from pathlib import Path

import pytest
import pyvisa_sim

from benchmon.instruments import registry
from benchmon.instruments.driver import Driver
from benchmon.instruments.registry import find_ports
from benchmon.instruments.types import Port
from benchmon_drivers.scpi.connection import find_visa
from benchmon_drivers.serial import lines


@pytest.fixture
def drivers(monkeypatch):
    """Install only these drivers: names and their `discover`."""
    table = {}

    def load(name):
        class Looking(Driver):
            discover = staticmethod(table[name])

        return Looking

    monkeypatch.setattr(registry, "driver_names", lambda: sorted(table))
    monkeypatch.setattr(registry, "load_driver", load)
    return table


def test_ports_of_all_drivers_come_sorted_and_the_later_report_counts(drivers):
    def one(report, *_):
        report(Port("one", "B"))
        report(Port("one", "A"))
        report(Port("one", "B", identity="Acme"))

    drivers["one"] = one
    drivers["two"] = lambda report, *_: report(Port("two", "A"))
    assert find_ports() == [Port("one", "A"), Port("one", "B", identity="Acme"), Port("two", "A")]


def test_who_hangs_is_cut_short_and_what_it_found_so_far_counts(drivers):
    gate = threading.Event()

    def hang(report, *_):
        report(Port("hang", "A"))
        gate.wait(60)

    drivers["hang"] = hang
    drivers["quick"] = lambda report, *_: report(Port("quick", "B"))
    assert [port.address for port in find_ports(0.3)] == ["A", "B"]
    gate.set()


def test_one_driver_s_fault_hides_no_other_s_ports(drivers):
    def fault(*_):
        raise RuntimeError("usb\x07 stack")

    drivers["faulty"] = fault
    drivers["good"] = lambda report, *_: report(Port("good", "A"))
    found = find_ports()
    assert found[1] == Port("good", "A")
    assert found[0].problem == r"could not look for ports: usb\x07 stack"


@pytest.mark.parametrize("asked", [False, True])
def test_serial_ports_are_queried_only_if_wanted(drivers, asked):
    seen = []
    drivers["one"] = lambda *arguments: seen.append(arguments[-1])
    find_ports(ask_serial=asked)
    assert seen == [asked]


@pytest.fixture
def visa(tmp_path):
    """Return a function that looks at the stock devices of pyvisa-sim, as a bench of this test's own.

    What is asked at a wrong termination stays in a device, and another test would meet it there.
    """
    copy = tmp_path / "stock.yaml"
    copy.write_bytes(Path(pyvisa_sim.__file__).with_name("default.yaml").read_bytes())

    def visa(ask_serial):
        found = {}
        find_visa(lambda port: found.__setitem__(port.address, port), 0.6, ask_serial, f"{copy}@sim")
        return found

    return visa


def test_visa_resources_are_listed_with_their_replies(visa):
    found = visa(ask_serial=False)
    assert found["GPIB0::9::INSTR"].identity == "SCPI,MOCK,VERSION_1.0"
    # A device that does not know the question says so, or nothing.
    assert found["GPIB0::8::INSTR"].identity in ("", "ERROR")
    assert not [address for address in found if address.startswith("ASRL")]
    assert {port.driver for port in found.values()} == {"scpi"}


def test_serial_resources_are_queried_when_wanted(visa):
    assert [address for address in visa(ask_serial=True) if address.startswith("ASRL")]


def test_serial_ports_are_listed_and_not_opened(monkeypatch):
    class Listed:
        device, description = "/dev/no-such-port", "USB\x1b[1m serial"

    monkeypatch.setattr(lines, "comports", lambda: [Listed])
    found = []
    lines.SerialLinesDriver.discover(found.append, 1.0, False)
    assert found == [Port("serial_lines", "/dev/no-such-port", description=r"USB\x1b[1m serial")]
