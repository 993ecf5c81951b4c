"""The examples in the docstrings run and say what they say."""

from __future__ import annotations

import doctest
import importlib

import pytest


@pytest.mark.parametrize(
    "name",
    [
        "fault_schedule",
        "meters.oscilloscope",
        "servers.frame_server",
        "servers.modbus_server",
        "servers.scpi_instrument",
        "servers.transports",
        "supply.diode",
    ],
)
def test_the_examples_of_a_module_hold(name):
    found = doctest.testmod(importlib.import_module(f"benchmon_simulated.{name}"))
    assert found.attempted > 0
    assert found.failed == 0
