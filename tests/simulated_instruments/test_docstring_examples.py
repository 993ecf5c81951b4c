"""The examples in the docstrings run and say what they say."""

from __future__ import annotations

import doctest
import importlib

import pytest


@pytest.mark.parametrize(
    "name",
    [
        "supply.diode",
        "servers.frame_server",
        "servers.modbus_server",
        "servers.oscilloscope",
        "servers.scpi_instrument",
        "fault_schedule",
        "servers.transports",
    ],
)
def test_the_examples_of_a_module_hold(name):
    found = doctest.testmod(importlib.import_module(f"benchmon_simulated.{name}"))
    assert found.attempted > 0
    assert found.failed == 0
