"""Examples in the docstrings of captures and reports are true."""

import doctest
import importlib
import pkgutil

import pytest

import benchmon.analyse
import benchmon.captures
import benchmon.report

MODULES = sorted(
    module.name
    for package in (benchmon.analyse, benchmon.captures, benchmon.report)
    for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")
)


@pytest.mark.parametrize("name", MODULES)
def test_examples(name):
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_there_are_some():
    finder = doctest.DocTestFinder()
    found = [test for name in MODULES for test in finder.find(importlib.import_module(name)) if test.examples]
    assert len(found) >= 6
