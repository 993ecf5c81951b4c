"""Captures as files."""

import pytest


@pytest.fixture
def capture(tmp_path):
    """Return a function that writes columns of numbers as a CSV file and returns its path."""

    def write(*columns, head="time_s,value", separator=",", decimals=9, comma=False, name="wave.csv"):
        lines = [head] if head else []
        for row in zip(*columns, strict=True):
            cells = [f"{cell:.{decimals}g}" for cell in row]
            lines.append(separator.join(cell.replace(".", ",") if comma else cell for cell in cells))
        path = tmp_path / name
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    return write
