"""Recordings of the simulated bench need predictions, which this room does not test."""

import pytest

from support.solved_once import solve_once


@pytest.fixture(autouse=True, scope="module")
def _each_question_is_answered_once():
    with pytest.MonkeyPatch.context() as monkeypatch:
        solve_once(monkeypatch)
        yield
