"""A recording whose start lets the power come asks first, where the last one of the bench tripped."""

import os

import pytest

from benchmon.bench import read_bench
from benchmon.cli import live
from benchmon.cli.live import check_power_return
from benchmon.cli.session_files import new_session_path
from benchmon.errors import BadInput
from benchmon.session.writer import SessionWriter
from benchmon.watch.records import Event
from support.supplies import supply

SERIAL = """
[[instrument]]
name = "relay"
driver = "serial_lines"
address = "loop://"
[[channel]]
name = "line"
instrument = "relay"
quantity = "mains.voltage.rms"
pattern = "m (?P<mains>[0-9.]+)"
group = "mains"
[switch_off]
instrument = "relay"
line = "rts"
level = "released"
"""


@pytest.fixture
def bench(tmp_path, monkeypatch):
    monkeypatch.setenv("BENCHMON_SESSIONS", str(tmp_path / "sessions"))
    return read_bench(supply("A bench that trips") + SERIAL)


def record(bench, *kinds, at):
    path = new_session_path(bench.title)
    writer = SessionWriter(path, bench, 1000.0)
    for time, kind in enumerate(kinds, 1):
        writer.put(Event(float(time), "line", kind, "line is past its limit"))
    writer.finish(10.0)
    os.utime(path, (at, at))
    return path


@pytest.fixture
def asked(monkeypatch):
    """Return the list of what is asked at the terminal that there is; every question is answered with no."""
    found = []
    monkeypatch.setattr(live, "has_terminal", lambda: True)
    monkeypatch.setattr("click.confirm", lambda words, **_: found.append(words))
    return found


def test_nothing_is_asked_without_a_session_or_after_one_that_did_not_trip(bench, asked):
    check_power_return(bench, yes=False)
    record(bench, "tripped", at=1000)
    record(bench, "note", at=2000)
    check_power_return(bench, yes=False)
    assert asked == []


def test_without_a_terminal_it_takes_a_word_beforehand(bench):
    path = record(bench, "tripped", at=1000)
    with pytest.raises(BadInput, match=rf"{path.name}.*tripped.*--yes"):
        check_power_return(bench, yes=False)
    check_power_return(bench, yes=True)


@pytest.mark.parametrize("answer", [True, False])
def test_at_a_terminal_it_asks(bench, monkeypatch, answer):
    record(bench, "tripped", at=1000)
    asked = []
    monkeypatch.setattr(live, "has_terminal", lambda: True)
    monkeypatch.setattr("click.confirm", lambda words, **_: (asked.append(words), answer)[1])
    if answer:
        check_power_return(bench, yes=False)
    else:
        with pytest.raises(BadInput, match="nothing was started"):
            check_power_return(bench, yes=False)
    assert "lets relay switch the power on" in asked[0]


def test_another_bench_and_another_kind_of_switch_ask_nothing(bench, asked):
    record(bench, "tripped", at=1000)
    check_power_return(read_bench(supply("Another bench") + SERIAL), yes=False)
    text = bench.source.replace('"serial_lines"', '"modbus"').replace('"loop://"', '"tcp://127.0.0.1:1"')
    text = text[: text.index("[[channel]]")] + '[switch_off]\ninstrument = "relay"\ncoil = 1\nvalue = 0\n'
    check_power_return(read_bench(text), yes=False)
    assert asked == []
