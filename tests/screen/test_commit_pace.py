"""A screen looks at a session just after its recorder has committed; the times are given, so nothing is waited for."""

import os
from itertools import pairwise

import pytest

from benchmon.screen.commit_pace import CommitPace

BEGAN = 1_700_000_000.0
"""The wall clock (s since 1970) at which the monotonic clock of these tests is 0."""


@pytest.fixture
def log(tmp_path):
    path = tmp_path / "one.benchmon-wal"
    path.write_bytes(b"")
    return path


def looks(log, commits, until):
    """Return when the pace says to look, in ms; `commits` are the times (ms) at which the log is written."""
    pace, found, asked_again = CommitPace(str(log).removesuffix("-wal")), [], 0.0
    for millisecond in range(10_000, 10_000 + until):
        now = millisecond / 1000
        if millisecond - 10_000 in commits:
            os.utime(log, (BEGAN + now, BEGAN + now))
        if now >= asked_again:
            wait = pace.wait(now, BEGAN + now)
            found += [] if wait else [millisecond - 10_000]
            asked_again = now + wait
    return found


@pytest.mark.parametrize("period", [106, 110, 113])
def test_commits_nine_times_a_second_are_looked_at_every_second_time(log, period):
    found = looks(log, range(0, 5000, period), 5000)[1:]
    assert max(look % period for look in found) <= 23
    assert all(abs(later - sooner - 2 * period) <= 21 for sooner, later in pairwise(found))


def test_a_commit_out_of_turn_leads_the_looks_after_it(log):
    """The recorder commits an event at once, and waits for its period from then on."""
    found = looks(log, [*range(0, 1000, 110), *range(1050, 3000, 110)], 3000)
    assert max((look - 1050) % 110 for look in found if look > 1400) <= 21


@pytest.mark.parametrize("period", [250, 400, 900])
def test_a_recorder_that_commits_seldom_is_looked_at_nonetheless(log, period):
    found = looks(log, range(0, 5000, period), 5000)
    assert all(149 <= later - sooner <= 323 for sooner, later in pairwise(found))


def test_a_log_with_the_time_of_another_clock_and_none_are_looked_at_by_the_clock(log):
    os.utime(log, (1.0, 1.0))
    assert {later - sooner for sooner, later in pairwise(looks(log, [], 2000))} <= {219, 220, 221}
    log.unlink()
    assert {later - sooner for sooner, later in pairwise(looks(log, [], 2000))} <= {219, 220, 221}


def test_a_name_that_is_none_is_looked_at_by_the_clock():
    pace = CommitPace("no\0name")
    assert pace.wait(10.0, BEGAN) == 0
    assert pace.wait(10.0, BEGAN) == pytest.approx(0.22)
