"""What was expected over a span, as a trend shows it: read from a real session file."""

from __future__ import annotations

import time

import pytest

from benchmon.quantities import Expected
from benchmon.session.follower import open_session_view
from benchmon.session.replay import ReplayView
from benchmon.session.writer import SessionWriter
from benchmon.watch.verdict import judgement_of


@pytest.fixture
def session(tmp_path, bench):
    """100 s in which the first channel was expected at 20 V, from 40 s on at 22 V, and from 80 s on at nothing."""
    path = tmp_path / "a.benchmon"
    writer = SessionWriter(path, bench, time.monotonic())
    first, *others = bench.channel
    for number in range(200):
        at = number / 2
        expected = None if at >= 80 else Expected(20.0 if at < 40 else 22.0, 0.5, first.unit)
        writer.put(judgement_of(first, at, 21.0, expected))
        for other in others:
            writer.put(judgement_of(other, at, 1.0, None))
    writer.finish(100.0)
    return path, first.name


def values(found):
    return [None if each is None else each.value for each in found]


def test_each_part_has_what_was_expected_in_its_middle(session):
    path, name = session
    view = open_session_view(path)
    found = view.band(name, 0.0, 100.0, 10)
    assert values(found) == [20.0] * 4 + [22.0] * 4 + [None] * 2
    assert found[0].uncertainty == 0.5
    assert values(view.band(name, 60.0, 70.0, 2)) == [22.0, 22.0], "it stands from long before the span"


def test_nonsense_has_no_band(session, bench):
    path, name = session
    view = open_session_view(path)
    assert view.band("no such channel", 0.0, 100.0, 10) == ()
    assert view.band(name, 50.0, 50.0, 10) == ()
    assert view.band(name, 0.0, 100.0, 0) == ()
    assert values(view.band(bench.channel[1].name, 0.0, 100.0, 3)) == [None] * 3


def test_a_replay_does_not_show_what_is_still_to_come(session):
    path, name = session
    clock = iter([0.0, 50.0])
    view = ReplayView(path, clock=lambda: next(clock))
    view.poll()
    view.poll()
    assert values(view.band(name, 0.0, 100.0, 10)) == [20.0] * 4 + [22.0] + [None] * 5
