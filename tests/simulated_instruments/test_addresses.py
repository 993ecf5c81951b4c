"""Replacing addresses in the text of a bench file."""

from __future__ import annotations

import tomllib

import pytest

from benchmon.bench import read_bench
from benchmon.errors import BadInput
from benchmon_simulated import rewrite_addresses
from benchmon_simulated.addresses import is_serial, wanted_port
from benchmon_simulated.scenarios import SCENARIOS, scenario_named

TEXT = """
[mains]   # address = "not this one"
address = "nor this"
[[instrument]]
address = "old"   # where it stands
name = "first"
[[ instrument ]]
name = "second"
driver = "scpi"
[[channel]]
name = "address"
address = "x"
[[instrument]]
name = "third"
"address" = 'single'
"""


def test_only_the_named_instruments_change_and_comments_stay():
    text = rewrite_addresses(TEXT, {"first": 'A "quoted" one', "second": "B"})
    data = tomllib.loads(text)
    assert [instrument["address"] for instrument in data["instrument"]] == ['A "quoted" one', "B", "single"]
    assert data["channel"][0]["address"] == "x"
    assert data["mains"]["address"] == "nor this"
    assert "# where it stands" in text
    assert len(text.splitlines()) == len(TEXT.splitlines()) + 1


def test_nothing_to_replace_changes_nothing():
    assert rewrite_addresses(TEXT, {}) == TEXT
    assert rewrite_addresses("[mains]\n", {}) == "[mains]\n"


@pytest.mark.parametrize(
    "text",
    [
        'instrument = [{name = "first", address = "x"}]',
        '[[instrument]]\nname = "other"\n',
        '[[instrument]]\nname = "first"\naddress = """\nx"""\n',
        '[[instrument]]\nname = "first"\nx = """\n[[instrument]]\n"""\n',
    ],
)
def test_an_unusual_way_of_writing_is_refused_not_spoilt(text):
    with pytest.raises(BadInput, match="addresses"):
        rewrite_addresses(text, {"first": "new", "other two": "new"})


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: scenario.name)
def test_an_example_with_other_addresses_is_a_bench_file_still(scenario):
    source = scenario.path.read_text(encoding="utf-8")
    bench = read_bench(source)
    addresses = {
        instrument.name: f"TCPIP::127.0.0.1::{5000 + i}::SOCKET" for i, instrument in enumerate(bench.instrument)
    }
    changed = read_bench(rewrite_addresses(source, addresses))
    assert {instrument.name: instrument.address for instrument in changed.instrument} == addresses
    assert changed.channel == bench.channel


@pytest.mark.parametrize(
    ("address", "serial"),
    [
        ("ASRL/dev/ttyS0::INSTR", True),
        ("asrl3::instr", True),
        ("/dev/ttyUSB0", True),
        ("COM3", True),
        ("TCPIP::127.0.0.1::5025::SOCKET", False),
        ("GPIB0::22::INSTR", False),
        ("USB::1::2::3::INSTR", False),
    ],
)
def test_serial_lines_are_distinguished_from_others(address, serial):
    assert is_serial(address) is serial


@pytest.mark.parametrize(
    ("address", "port"),
    [
        ("TCPIP::127.0.0.1::5025::SOCKET", 5025),
        ("TCPIP0::localhost::80::socket", 80),
        ("TCPIP::192.0.2.5::5025::SOCKET", 0),
        ("TCPIP::127.0.0.1::99999::SOCKET", 0),
        ("TCPIP::127.0.0.1::INSTR", 0),
        ("", 0),
    ],
)
def test_a_port_is_only_wanted_on_this_machine(address, port):
    assert wanted_port(address) == port


def test_an_unknown_scenario_is_answered_with_those_there_are():
    with pytest.raises(BadInput, match=r"reservoir.*bridge.*centre-tap"):
        scenario_named("nonesuch\x1b[2J")
