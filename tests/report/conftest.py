"""The benches of the scenarios, and sessions of them."""

import pytest

from benchmon.bench import load_bench
from benchmon.prediction import predict
from benchmon.prediction.ratings.check import check
from benchmon.report.sections import report as reporting
from benchmon_simulated.scenarios import scenario_named
from support import written_sessions
from support.solved_once import solve_once


@pytest.fixture(scope="session")
def benches():
    """Return the benches of the scenarios, by name."""
    return {name: load_bench(scenario_named(name).path) for name in ("bridge", "centre-tap", "reservoir")}


@pytest.fixture(scope="session")
def expectations():
    """Return a function that predicts a bench at a mains voltage, and keeps it."""
    kept = {}

    def at(bench, mains=None):
        key = (bench.source, mains)
        if key not in kept:
            kept[key] = predict(bench, mains_voltage=mains)
        return kept[key]

    return at


@pytest.fixture(scope="session")
def solved():
    """Return what was found before power, by the text of the bench file."""
    return {}


@pytest.fixture(autouse=True)
def _each_bench_is_solved_once(monkeypatch, solved):
    """Let reports and comparisons of one bench share what the engine answers: it knows nothing of a session."""
    solve_once(monkeypatch)

    def checked(bench):
        if bench.source not in solved:
            solved[bench.source] = check(bench)
        return solved[bench.source]

    monkeypatch.setattr(reporting, "check", checked)


@pytest.fixture
def silent():
    """Return the value of a channel that does not answer."""
    return written_sessions.SILENT


@pytest.fixture
def write_session(tmp_path, benches, expectations):
    """Return a function that writes a session at `mains` and returns its path; see `support.written_sessions`."""

    def write(name="session.benchmon", bench=None, seconds=30, *, mains=230.0, **options):
        bench = bench or benches["reservoir"]
        expected = expectations(bench, mains).quantities
        return written_sessions.write_session(tmp_path / name, bench, expected, seconds, **options)

    return write


@pytest.fixture(scope="session")
def hostile_bench():
    """Return a bench whose every free text wants to be markup, a formula or a control code."""
    return written_sessions.hostile_bench()


@pytest.fixture
def lengthen():
    """Return the function that repeats the readings of a session."""
    return written_sessions.lengthen
