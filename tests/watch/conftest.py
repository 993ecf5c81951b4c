"""Channels to watch, and what the engine answers of their benches."""

import pytest

from support.channels import channel_of
from support.solved_once import solve_once


@pytest.fixture(scope="session")
def channel():
    """Return a builder of channels: a thermometer by default."""
    return channel_of


@pytest.fixture(autouse=True, scope="module")
def _each_question_is_answered_once():
    """Let explainers of one bench share what its faults read at a mains voltage."""
    with pytest.MonkeyPatch.context() as monkeypatch:
        solve_once(monkeypatch)
        yield
