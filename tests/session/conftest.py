"""A bench of an invented workshop supply, and sessions of it."""

import pytest

from benchmon.bench import read_bench
from support import small_sessions


@pytest.fixture(scope="session")
def bench():
    """Return the bench."""
    return read_bench(small_sessions.BENCH)


@pytest.fixture(scope="session")
def readings(bench):
    """Return a function that makes so many judgements of each channel."""
    return lambda count: small_sessions.judgements(bench, count)


@pytest.fixture
def record(bench):
    """Return a function that writes a whole session and returns what was put into it."""
    return lambda path, count=100, end=None: small_sessions.write_session(path, bench, count, end)
