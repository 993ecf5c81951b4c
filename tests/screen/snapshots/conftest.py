"""The screen on one moment that stands still, with colours and without."""

from __future__ import annotations

import pytest

from benchmon.screen.app import BenchmonApp
from support.still_moment import NOW, still_view


@pytest.fixture(params=["colour", "no-colour"])
def colour(request, monkeypatch):
    """Return whether the terminal is to have colours."""
    for name in ("NO_COLOR", "COLORFGBG", "BENCHMON_COLOURS"):
        monkeypatch.delenv(name, raising=False)
    if request.param == "no-colour":
        monkeypatch.setenv("NO_COLOR", "1")
    return request.param


@pytest.fixture
def still_app(monkeypatch, colour):  # noqa: ARG001 - the app looks for colours as it is made
    """Return the screen on that moment."""
    monkeypatch.setattr(BenchmonApp, "now", NOW)
    return BenchmonApp(still_view())
