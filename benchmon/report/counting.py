"""How often each state was read: millions of rows, counted by SQLite on two threads, while it leaves Python alone."""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path

from benchmon.session.database import reading

MOST_CHANNELS = 4096
_AT_ONCE = 10_000
"""Readings that are counted together: so few are sorted within the processor's cache."""
_A_TASK = 50
_THREADS = 2

_COUNTS = """
    SELECT channel << 8 | (state & 255) AS which, count(*) FROM readings
    WHERE id > ? AND id <= ? AND typeof(state) = 'integer' AND typeof(channel) = 'integer'
        AND channel BETWEEN 0 AND ?
    GROUP BY which
"""


def last_of_range(connection: sqlite3.Connection, after: int, count: int) -> int | None:
    """Return the number of the last of `count` readings that follow number `after`, None where there is none."""
    found: int | None = connection.execute(
        "SELECT max(id) FROM (SELECT id FROM readings WHERE id > ? ORDER BY id LIMIT ?)", (after, count)
    ).fetchone()[0]
    return found


def counts_of_states(path: Path) -> list[tuple[int, int, int]]:
    """Return how many readings of each channel had each state: number of the channel, state, count."""
    counted: Counter[int] = Counter()
    with ThreadPoolExecutor(_THREADS) as threads:
        for counts in threads.map(lambda edges: _counts(path, edges), _tasks(path)):
            counted.update(counts)
    return [(which >> 8, which & 0xFF, count) for which, count in sorted(counted.items())]


def _tasks(path: Path) -> Iterator[list[int]]:
    """Yield the numbers of the readings before, between and at the end of some ranges."""
    edges = [-1]
    with reading(path) as connection:
        while (last := last_of_range(connection, edges[-1], _AT_ONCE)) is not None:
            edges.append(last)
    for first in range(0, len(edges) - 1, _A_TASK):
        yield edges[first : first + _A_TASK + 1]


def _counts(path: Path, edges: list[int]) -> Counter[int]:
    counted: Counter[int] = Counter()
    with reading(path) as connection:
        for after, up_to in pairwise(edges):
            counted.update(dict(connection.execute(_COUNTS, (after, up_to, MOST_CHANNELS - 1)).fetchall()))
    return counted
