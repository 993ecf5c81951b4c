"""A bench whose meter streams lines over a real socket on this machine."""

import pytest

from benchmon.bench import read_bench
from support.far_ends import streaming_meter
from support.solved_once import solve_once


@pytest.fixture
def meter():
    """Return a meter that streams."""
    meter = streaming_meter.StreamingMeter()
    yield meter
    meter.stop()


@pytest.fixture
def bench_text(meter):
    """Return a bench file with that meter."""
    return streaming_meter.bench_text(meter)


@pytest.fixture
def bench(bench_text):
    """Return that bench."""
    return read_bench(bench_text)


@pytest.fixture(autouse=True)
def _each_question_is_answered_once(monkeypatch):
    """Share predictions and causes between the tests of this room, which tests neither."""
    solve_once(monkeypatch)
