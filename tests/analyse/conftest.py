"""Captures as files, and a cache of predicted waves."""

import pytest

from benchmon.watch.diagnosis.suspected_fault import SuspectedFault
from support.captures import write_capture


@pytest.fixture(scope="session")
def solved_faults():
    """Return a cache of the traces of faults, by bench, defect and mains voltage."""
    return {}


@pytest.fixture(autouse=True)
def _each_fault_is_solved_once(monkeypatch, solved_faults):
    """Share the waves of faults between the captures of one bench: they do not depend on a capture."""
    solve = SuspectedFault.traces

    def traces(fault, mains):
        key = (repr(fault.bench), repr((fault.changes, fault.added, fault.defects)), mains)
        if key not in solved_faults:
            solved_faults[key] = solve(fault, mains)
        return solved_faults[key]

    monkeypatch.setattr(SuspectedFault, "traces", traces)


@pytest.fixture
def capture(tmp_path):
    """Return a function that writes columns of numbers as a CSV file and returns its path."""

    def write(*columns, name="wave.csv", **layout):
        return write_capture(tmp_path / name, *columns, **layout)

    return write
