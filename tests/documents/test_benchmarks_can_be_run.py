"""Benchmarks take minutes to hours and are run by hand; that each of them still loads is looked at here."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[1] / "benchmarks"
BENCHMARKS = sorted(str(file.relative_to(FOLDER)) for file in FOLDER.rglob("*.py"))


def test_there_are_benchmarks():
    assert len(BENCHMARKS) > 5


def test_every_benchmark_loads():
    """In one process, with the folders of the benchmarks first on the path, as where one of them is run."""
    names = [Path(name).stem for name in BENCHMARKS]
    folders = [str(FOLDER), str(FOLDER / "attacks"), str(FOLDER.parent)]
    code = (
        "import importlib, sys\n"
        f"sys.argv, sys.path[:1] = ['benchmark'], {folders!r}\n"
        f"for name in {names!r}:\n"
        "    importlib.import_module(name)\n"
        "    print(name)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == names


@pytest.mark.parametrize("name", BENCHMARKS)
def test_a_benchmark_measures_only_when_it_is_run(name):
    tree = ast.parse((FOLDER / name).read_text(encoding="utf-8"))
    calls = [node for node in tree.body if isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)]
    assert all("sys.path" in ast.unparse(call) for call in calls), "nothing is measured while it loads"
