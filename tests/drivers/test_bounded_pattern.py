"""Patterns of a bench file: a line of noise costs a bounded time, and other threads run meanwhile."""

import re
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon_drivers.bounded_pattern import BoundedPattern

NESTED = r"(?P<value>(\d|\d\d)+)[VA]"
NOISE = "1" * 5000 + "\0"


def test_a_match_is_that_of_the_standard_library():
    pattern = BoundedPattern(r"T1=(?P<case>[+-][0-9.]+)C T2=(?P<air>[+-][0-9.]+)C")
    assert pattern.fullmatch("T1=+41.5C T2=+25.0C").groupdict() == {"case": "+41.5", "air": "+25.0"}
    assert pattern.search("x T1=+41.5C T2=+25.0C y")["air"] == "+25.0"
    assert pattern.fullmatch("T1=") is None
    assert (pattern.groups, list(pattern.names)) == (2, ["case", "air"])


@given(st.text(st.sampled_from("019.,+-eE VmA°C\0"), max_size=30))
def test_it_fits_what_the_standard_library_fits(text):
    for pattern in (r"(?P<value>[+-]?\d+(?:[.,]\d*)?)\s*(?P<unit>[a-zA-Z°]{0,8})", r"(\d+).*?(\d+)", r"(?!0)\d+(?<!9)"):
        ours, theirs = BoundedPattern(pattern).fullmatch(text), re.fullmatch(pattern, text)
        assert (ours and ours.groups()) == (theirs and theirs.groups())


def test_noise_fits_nothing_and_is_reported():
    slow = []
    pattern = BoundedPattern(NESTED, slow.append)
    assert pattern.fullmatch(NOISE) is None
    assert pattern.search(NOISE) is None
    assert slow == [NOISE, NOISE]
    assert pattern.fullmatch("12V")["value"] == "12"


def test_another_thread_runs_while_noise_is_matched():
    pattern, done, steps = BoundedPattern(NESTED), threading.Event(), []

    def match():
        for _ in range(10):
            pattern.fullmatch(NOISE)
        done.set()

    thread = threading.Thread(target=match)
    thread.start()
    while not done.is_set():
        steps.append(1)
        time.sleep(0)
    thread.join()
    # With the interpreter's lock held it would get a turn between two matches only.
    assert len(steps) > 20


@pytest.mark.parametrize(("pattern", "is_slow"), [(NESTED, True), (r"\s*(\S+)\s+V", False)])
def test_a_pattern_is_tried_on_noise_beforehand(pattern, is_slow):
    assert ("repetition inside a repetition" in BoundedPattern(pattern).caution()) is is_slow
