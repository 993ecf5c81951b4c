"""Channels to watch."""

import pytest

from support.channels import channel_of


@pytest.fixture(scope="session")
def channel():
    """Return a builder of channels: a thermometer by default."""
    return channel_of
