"""The Python of the manual runs as it stands, and the library is loaded only when it is asked for."""

import importlib.util
import re
import subprocess
import sys
from pathlib import Path

import pytest

import benchmon
from benchmon_simulated.scenarios import scenario_named
from support.written_sessions import write_session

PAGE = (Path(__file__).parents[2] / "benchmon" / "manual" / "python.md").read_text(encoding="utf-8")
CODE = re.search(r"<!-- the notebook -->\n```python\n(.*?)```", PAGE, re.DOTALL)[1]


@pytest.fixture
def session_folder(tmp_path):
    """Return a folder with a session of the bench that the page opens."""
    bench = benchmon.load_bench(scenario_named("reservoir").path)
    write_session(tmp_path / "conveyor.benchmon", bench, benchmon.predict(bench).quantities)
    return tmp_path


def test_it_runs_and_prints_what_it_says(session_folder, monkeypatch, capsys):
    monkeypatch.chdir(session_folder)
    exec(CODE, {})  # noqa: S102 - the text that a reader would copy
    said = capsys.readouterr().out
    assert "Conveyor supply" in said
    assert re.search(r"^\d+\.\d{3} V, En up to \d+\.\d\d$", said, re.MULTILINE)
    assert re.search(r"output\.voltage\.mean should read 2[0-9]\.\d+ ± \d", said)
    assert "started" in said


def test_the_library_offers_what_its_page_says():
    assert set(benchmon.__all__) == {"__version__", "load_bench", "open_session", "predict"}
    for name in benchmon.__all__:
        assert getattr(benchmon, name)
    with pytest.raises(AttributeError, match="nothing"):
        _ = benchmon.nothing


def test_a_prediction_takes_a_bench_or_its_file():
    path = scenario_named("bridge").path
    found = benchmon.predict(str(path), mains_voltage=231.0)
    assert found.mains_voltage == 231.0
    assert benchmon.predict(benchmon.load_bench(path)).quantities.keys() == found.quantities.keys()


def test_importing_it_loads_neither_numpy_nor_pydantic():
    shown = subprocess.run(
        [sys.executable, "-c", "import benchmon, sys; print([m for m in ('numpy', 'pydantic') if m in sys.modules])"],
        check=True,
        capture_output=True,
        text=True,
    )
    assert shown.stdout.strip() == "[]"


def test_it_is_typed():
    folder = Path(importlib.util.find_spec("benchmon").origin).parent
    assert (folder / "py.typed").exists()
