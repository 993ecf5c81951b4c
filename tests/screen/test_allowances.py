"""What an allowance is wide for: from the prediction through the session to the details of a channel."""

from __future__ import annotations

import time

from benchmon.bench import read_bench
from benchmon.prediction import predict
from benchmon.screen.lines.details import detail_lines
from benchmon.screen.session_state import SessionState
from benchmon.screen.symbols import UNICODE
from benchmon.session.encodings import stored
from benchmon.session.follower import open_session_view
from benchmon.session.records import SettledPrediction
from benchmon.session.writer import SessionWriter
from support.supplies import RESERVOIR, supply

CHANNELS = """
[[instrument]]
name = "meter"
driver = "scpi"
[[channel]]
name = "line factor"
instrument = "meter"
quantity = "mains.power_factor"
[[channel]]
name = "output"
instrument = "meter"
quantity = "output.voltage.mean"
"""


def details_of(tmp_path, text, channel):
    """Return the details of a channel as text, from a session that was written and read back."""
    bench = read_bench(text + CHANNELS)
    path = tmp_path / "a.benchmon"
    writer = SessionWriter(path, bench, time.monotonic())
    writer.put(SettledPrediction(1.0, stored(predict(bench))))
    writer.finish(2.0)
    view = open_session_view(path)
    state = SessionState(view.info)
    state.update(view.poll(), live=False)
    lines = detail_lines(state.channel(channel), state, 100, UNICODE)
    return " ".join(" ".join(cell.text for cell in line) for line in lines)


def test_what_was_not_given_is_named_where_it_makes_the_band_wide(tmp_path):
    found = details_of(tmp_path, supply("A supply", RESERVOIR, mains={"harmonics": None}), "line factor")
    assert "mains harmonics not given" in found
    assert "measure mains.voltage.thd" in " ".join(found.split())


def test_given_harmonics_are_not_called_missing(tmp_path):
    given = supply("A supply", RESERVOIR, mains={"harmonics": [[3, "1.5 %", "60°"], [5, "2 %", "-145°"]]})
    assert "mains harmonics not given" not in details_of(tmp_path, given, "line factor")
