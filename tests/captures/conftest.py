"""Captures as files."""

import pytest

from support.captures import write_capture


@pytest.fixture
def capture(tmp_path):
    """Return a function that writes columns of numbers as a CSV file and returns its path."""

    def write(*columns, name="wave.csv", **layout):
        return write_capture(tmp_path / name, *columns, **layout)

    return write
