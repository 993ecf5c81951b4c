"""Captures as files, and a cache of predicted waves."""

import pytest

from benchmon.watch.diagnosis.circuit_faults import SuspectedFault


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

    def write(*columns, head="time_s,value", separator=",", decimals=9, comma=False, name="wave.csv"):
        lines = [head] if head else []
        for row in zip(*columns, strict=True):
            cells = [f"{cell:.{decimals}g}" for cell in row]
            lines.append(separator.join(cell.replace(".", ",") if comma else cell for cell in cells))
        path = tmp_path / name
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
        return path

    return write
