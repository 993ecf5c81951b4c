"""Captures as files, and waves of faults that are solved once."""

import pytest

from support.captures import write_capture
from support.solved_once import solve_once


@pytest.fixture(autouse=True)
def _each_fault_is_solved_once(monkeypatch):
    """Share the waves of faults between the captures of one bench: they do not depend on a capture."""
    solve_once(monkeypatch)


@pytest.fixture
def capture(tmp_path):
    """Return a function that writes columns of numbers as a CSV file and returns its path."""

    def write(*columns, name="wave.csv", **layout):
        return write_capture(tmp_path / name, *columns, **layout)

    return write
