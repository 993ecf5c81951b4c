"""Parts of Textual that are not public are used in `benchmon/screen/terminal` alone, and with versions tested."""

from __future__ import annotations

import ast
from importlib.metadata import requires, version
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from textual.app import App
from textual.screen import Screen
from textual.widgets import Input

import benchmon.screen

SCREEN = Path(benchmon.screen.__file__).parent
ELSEWHERE = [file for file in sorted(SCREEN.rglob("*.py")) if "terminal" not in file.relative_to(SCREEN).parts]
IN_OBJECTS = {"_driver", "_compositor", "_dirty_widgets", "_bindings", "_batch_count", "_background_screens"}
"""Some that only an object has, not its class."""
NOT_PUBLIC = IN_OBJECTS | {
    name for part in (App, Screen, Input) for name in dir(part) if name.startswith("_") and not name.startswith("__")
}


def private_parts(tree: ast.AST) -> set[str]:
    """Return what a module imports of Textual's internals, or reaches for in another object."""
    found = set()
    for node in ast.walk(tree):
        names = []
        if isinstance(node, ast.ImportFrom):
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        found |= {name for name in names if name.startswith("textual.") and "._" in name}
        if isinstance(node, ast.Attribute) and node.attr in NOT_PUBLIC:
            found.add(node.attr)
    return found


@pytest.mark.parametrize("file", ELSEWHERE, ids=lambda file: str(file.relative_to(SCREEN)))
def test_only_the_way_to_the_terminal_uses_private_parts_of_textual(file):
    assert private_parts(ast.parse(file.read_text(encoding="utf-8"))) == set()


def test_private_parts_are_found():
    used = "from textual._compositor import Compositor\nimport textual._context\nself.app._check_bindings('q')"
    found = private_parts(ast.parse(used))
    assert found == {"textual._compositor.Compositor", "textual._context", "_check_bindings"}


def test_the_installed_textual_is_one_that_was_tested():
    [textual] = [one for one in map(Requirement, requires("benchmon")) if one.name == "textual"]
    assert any(bound.operator == "<" for bound in textual.specifier), "its private parts may change at any version"
    assert version("textual") in textual.specifier
