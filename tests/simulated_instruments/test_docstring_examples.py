"""The examples in the docstrings run and say what they say."""

from __future__ import annotations

import doctest
import importlib

import pytest


@pytest.mark.parametrize(
    "name", ["diodes", "frames_twin", "modbus_words", "scope", "scpi", "scpi_words", "troubles", "uart"]
)
def test_the_examples_of_a_module_hold(name):
    found = doctest.testmod(importlib.import_module(f"benchmon_simulated.{name}"))
    assert found.attempted > 0
    assert found.failed == 0
