"""A view that tests feed by hand, on our own invented bench, and the means to read what the terminal would show."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from benchmon.screen.app import BenchmonApp
from benchmon.watch.records import Judgement
from support.session_view import FakeView, all_agree, judgement, lines_of


@pytest.fixture
def make_view() -> type[FakeView]:
    return FakeView


@pytest.fixture
def judge() -> Callable[..., Judgement]:
    return judgement


@pytest.fixture
def agree() -> Callable[..., None]:
    return all_agree


@pytest.fixture
def read_screen() -> Callable[[BenchmonApp], list[str]]:
    return lines_of
