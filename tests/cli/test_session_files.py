"""The folder of session files: names of new ones, the latest, and folders that stand for their sessions."""

from __future__ import annotations

import os
import re
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from benchmon.bench import read_bench
from benchmon.cli import session_files
from benchmon.cli.main import main
from benchmon.cli.options import SESSION_PATH
from benchmon.cli.session_files import (
    all_sessions,
    latest_session,
    new_session_path,
    session_to_change,
    sessions_folder,
    sessions_named,
)
from benchmon.errors import BadInput, SessionFileError
from benchmon.session.writer import SessionWriter
from support import small_sessions


@pytest.fixture(scope="module")
def bench():
    """Return the bench of an invented workshop supply."""
    return read_bench(small_sessions.BENCH)


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    """Return the sessions folder, which is not there yet."""
    monkeypatch.setenv("BENCHMON_SESSIONS", str(tmp_path / "deep" / "sessions"))
    return tmp_path / "deep" / "sessions"


def test_a_new_session_is_named_after_time_and_bench(bench, folder):
    path = new_session_path(bench.title)
    assert path.parent == folder
    assert re.fullmatch(r"\d{4}-\d\d-\d\d_\d\d-\d\d-\d\d_workshop-supply\.benchmon", path.name)
    path.touch()
    assert new_session_path(bench.title) != path


@pytest.mark.parametrize("title", ["../../etc/passwd", "a/b\\c:d*?", "Ω µ", "x" * 200, " . "])
def test_no_title_leads_out_of_the_folder(bench, folder, title):
    odd = read_bench(bench.source.replace('"Workshop supply"', f"'{title}'"))
    path = new_session_path(odd.title)
    assert path.parent == folder
    assert re.fullmatch(r"[\w-]+\.benchmon", path.name)
    assert len(path.name) < 100


def test_the_latest_session_is_the_one_written_last(folder):
    folder.mkdir(parents=True)
    for age, name in ((300, "c"), (100, "a"), (200, "b")):
        file = folder / f"{name}.benchmon"
        file.touch()
        os.utime(file, (1e9 - age, 1e9 - age))
    (folder / "notes.txt").touch()
    assert [path.stem for path in all_sessions()] == ["a", "b", "c"]
    (folder / "c.benchmon-wal").touch()
    assert latest_session().stem == "c"


@pytest.mark.parametrize("begun_later", ["ended", "running"])
def test_the_latest_is_the_one_begun_last_also_beside_a_recording(folder, bench, tmp_path, monkeypatch, begun_later):
    """Beside another person's recording, who has just ended a test means that one."""
    folder.mkdir(parents=True)
    ended = folder / "mine.benchmon"
    SessionWriter(ended, bench, time.monotonic()).finish(1.0)
    running = tmp_path / "other.benchmon"
    running.touch()
    away = -3600.0 if begun_later == "ended" else 3600.0
    beat = SimpleNamespace(session=str(running), started=time.time() + away)
    monkeypatch.setattr(session_files, "running_recorders", lambda: [beat])
    assert SESSION_PATH.convert("latest", None, None) == (ended if begun_later == "ended" else running)
    assert latest_session() == running, "a screen is opened on what is recorded"


@pytest.mark.parametrize("command", [["enter", "vout", "22.1 V"], ["plan", "go-on"], ["plan"], ["sweep", "--is-set"]])
def test_beside_another_recorder_one_says_which_is_meant(command, folder, tmp_path, monkeypatch, capsys):
    folder.mkdir(parents=True)
    here, elsewhere = folder / "a.benchmon", tmp_path / "b.benchmon"
    here.touch()
    elsewhere.touch()
    beats = [
        SimpleNamespace(session=str(path), title=title, started=1.0)
        for path, title in ((here, "Organ\x1b[2J"), (elsewhere, "Plotter"), (folder / "gone.benchmon", "Gone"))
    ]
    monkeypatch.setattr(session_files, "running_recorders", lambda: beats)
    with pytest.raises(SystemExit) as left:
        main(command)
    out, err = capsys.readouterr()
    assert (left.value.code, out, err.count("\n")) == (2, "", 1)
    assert f"into a.benchmon, 'Plotter' into {elsewhere}" in err
    assert "--session FILE" in err
    assert "\x1b" not in err
    assert "gone" not in err


def test_where_one_recorder_runs_it_is_meant(folder, tmp_path, monkeypatch):
    folder.mkdir(parents=True)
    running = tmp_path / "only.benchmon"
    running.touch()
    (folder / "later.benchmon").touch()
    monkeypatch.setattr(session_files, "running_recorders", lambda: [SimpleNamespace(session=str(running))])
    assert session_to_change() == running


def test_a_folder_stands_for_its_sessions_each_once(folder):
    folder.mkdir(parents=True)
    with pytest.raises(BadInput, match="folder without a session"):
        sessions_named([folder])
    one, other = folder / "a.benchmon", folder / "b.benchmon"
    for file in (other, one, folder / "notes.txt"):
        file.touch()
    assert sessions_named([other, folder]) == [other, one]


def test_no_session_yet_is_one_line():
    assert all_sessions() == []
    with pytest.raises(SessionFileError, match="holds no session"):
        latest_session()


def test_a_folder_that_cannot_be_made(bench, tmp_path, monkeypatch):
    (tmp_path / "file").touch()
    monkeypatch.setenv("BENCHMON_SESSIONS", str(tmp_path / "file" / "sessions"))
    with pytest.raises(SessionFileError, match="BENCHMON_SESSIONS"):
        new_session_path(bench.title)


def test_without_the_variable_it_is_a_folder_of_the_user(monkeypatch, tmp_path):
    monkeypatch.delenv("BENCHMON_SESSIONS")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert "benchmon" in sessions_folder().parts


@pytest.mark.parametrize("named", ["a.benchmon", "a", "latest"])
def test_a_session_is_named_by_itself_where_it_is_in_the_folder(folder, named, tmp_path, monkeypatch):
    folder.mkdir(parents=True)
    (folder / "a.benchmon").touch()
    monkeypatch.chdir(tmp_path)
    assert SESSION_PATH.convert(named, None, None) == folder / "a.benchmon"
    (tmp_path / named).touch()
    assert SESSION_PATH.convert(named, None, None) == Path(named), "a file that is there comes first"


@pytest.mark.usefixtures("folder")
def test_what_is_no_session_stays_as_it_was_given():
    assert SESSION_PATH.convert("none", None, None) == Path("none")
    assert SESSION_PATH.convert("some/latest", None, None) == Path("some/latest")
