"""Channels to watch."""

import pytest

from benchmon.bench import Channel


@pytest.fixture(scope="session")
def channel():
    """Return a builder of channels: a thermometer unless told otherwise."""

    def build(name="case", quantity="diode.temperature.case", accuracy="1 K", period=1.0, **limits):
        return Channel(name=name, instrument="meter", quantity=quantity, accuracy=accuracy, period=period, **limits)

    return build
