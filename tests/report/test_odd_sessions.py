"""Sessions that are damaged, of a newer version, or hold what nobody wrote: one line, or a report all the same."""

import random
import sqlite3
from contextlib import closing

import pytest

from benchmon.errors import BenchmonError, SessionFileError
from benchmon.report import figures, session_reader
from benchmon.report.comparison.comparison import compare
from benchmon.report.export import export, rows
from benchmon.report.reevaluated_session import summarise
from benchmon.report.sections.report import report
from benchmon.report.session_reader import RecordedSession


@pytest.fixture
def use(tmp_path, monkeypatch):
    """Return a function that does everything with a session that can be done after the test."""
    monkeypatch.setattr(figures, "can_draw", lambda: False)
    folder = tmp_path / "out"
    folder.mkdir()

    def each(path):
        """Yield every use as a function without arguments."""
        yield lambda: report(RecordedSession(path), folder / "r.html", force=True)
        yield lambda: report(RecordedSession(path), folder / "r.md", force=True)
        for name in ("x.csv", "x.json", "x.sqlite"):
            yield lambda name=name: export(RecordedSession(path), folder / name, force=True)
        yield lambda: export(RecordedSession(path), folder / "w.csv", force=True, wide=True)
        yield lambda: compare([RecordedSession(path)] * 2)
        yield lambda: summarise(path)

    each.folder = folder
    return each


ODD = (
    "UPDATE readings SET value = 'text' WHERE id % 7 = 0",
    "UPDATE readings SET value = x'00ff' WHERE id % 11 = 0",
    "UPDATE readings SET value = 9.0e999 WHERE id % 13 = 0",
    "UPDATE readings SET time = -5 WHERE id % 5 = 0",
    "UPDATE readings SET time = 9223372036854775807 WHERE id % 17 = 0",
    "UPDATE readings SET time = 'noon' WHERE id % 19 = 0",
    "UPDATE readings SET time = time + 0.5 WHERE id % 4 = 0",
    "UPDATE readings SET channel = 1.5 WHERE id % 4 = 0",
    "UPDATE readings SET state = -1 WHERE id % 3 = 0",
    "UPDATE readings SET state = 'bad' WHERE id % 23 = 0",
    "UPDATE readings SET channel = 99 WHERE id % 9 = 0",
    "UPDATE readings SET channel = 'output' WHERE id % 29 = 0",
    "UPDATE expectations SET value = 'x', uncertainty = -1",
    "UPDATE events SET time = 'x', kind = x'01', message = 12",
    "UPDATE session SET started = -1e300",
    "UPDATE session SET started = 'yesterday', finished = 'never'",
    "UPDATE channels SET name = 'nobody' WHERE id = 3",
    "UPDATE instruments SET identity = x'80'",
    "UPDATE facts SET text = 5",
    "INSERT INTO forecasts (time, channel, state, rate) VALUES (5, 1, x'00', 'fast')",
    "INSERT INTO anchors (time, monotonic, wall, jump) VALUES ('x', 'y', 'z', 'w')",
    "INSERT INTO explanations (time, ranked) VALUES (5, '[[1]]')",
    "DELETE FROM heartbeat",
    "DELETE FROM summaries",
)


@pytest.mark.parametrize("statement", ODD)
def test_rows_that_make_no_sense_are_passed_over(write_session, use, statement, monkeypatch):
    path = write_session(seconds=12)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement)
    for do in use(path):
        do()
    assert "<h1>" in (use.folder / "r.html").read_text(encoding="utf-8")
    # How many rows are fetched at once makes no difference.
    monkeypatch.setattr(rows, "AT_ONCE", 5)
    export(RecordedSession(path), use.folder / "y.csv")
    assert (use.folder / "y.csv").read_bytes() == (use.folder / "x.csv").read_bytes()


@pytest.mark.parametrize("seed", range(6))
def test_flipped_bytes_and_cut_files_are_refused_or_reported(write_session, use, seed):
    path = write_session(seconds=12)
    draw, content = random.Random(seed), bytearray(path.read_bytes())
    for _ in range(draw.choice([1, 5, 40])):
        content[draw.randrange(100, len(content))] = draw.randrange(256)
    path.write_bytes(content[: draw.randrange(5000, len(content))] if seed % 3 == 0 else content)
    for do in use(path):
        said = ""
        try:
            do()
        except BenchmonError as problem:
            said = str(problem)
        assert said.isprintable()
    assert not [left.name for left in use.folder.iterdir() if left.name.startswith(".")]


def test_a_session_of_a_newer_version_is_refused(write_session, use):
    path = write_session(seconds=1)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA user_version = 99")
    for do in use(path):
        with pytest.raises(SessionFileError, match="newer benchmon"):
            do()
    assert list(use.folder.iterdir()) == []


def lead_in_circles(path, table):
    """Damage a tree: every page above the leaves leads to its first leaf (SQLite file format, 1.6)."""
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size = connection.execute("PRAGMA page_size").fetchone()[0]
        root = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()[0]
    content = bytearray(path.read_bytes())
    start = (root - 1) * size
    assert content[start] == 5, "the table has only one page"
    cells = int.from_bytes(content[start + 3 : start + 5], "big")
    places = [
        start + int.from_bytes(content[start + 12 + 2 * cell : start + 14 + 2 * cell], "big") for cell in range(cells)
    ]
    first = content[places[0] : places[0] + 4]
    for place in (*places, start + 8):
        content[place : place + 4] = first
    path.write_bytes(content)


def test_rows_out_of_order_are_refused_and_not_read_for_ever(write_session, use, monkeypatch):
    path = write_session(seconds=60)
    monkeypatch.setattr(session_reader, "_AT_ONCE", 50)
    lead_in_circles(path, "readings")
    refusals = []
    for do in use(path):
        try:
            do()
        except BenchmonError as problem:
            refusals.append(str(problem))
    assert refusals
    assert all("damaged" in refusal or "malformed" in refusal for refusal in refusals)
