"""Text that several parts make alike."""

from __future__ import annotations

import json
import math

import pytest

from benchmon.text import clock, coarse, countdown, duration, finite, one_line, table


@pytest.mark.parametrize(
    ("seconds", "decimals", "text"),
    [
        (8.4, 0, "8 s"),
        (8.4, 1, "8.4 s"),
        (59.6, 0, "1 min"),
        (65, 0, "1 min 05 s"),
        (180, 1, "3 min"),
        (3599.7, 0, "1 h"),
        (3660, 0, "1 h 01 min"),
        (7199, 0, "2 h"),
        (math.inf, 0, "–"),
    ],
)
def test_a_duration_is_as_people_say_it(seconds, decimals, text):
    assert duration(seconds, decimals) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0:00:00"), (192.9, "0:03:12"), (-2, "-0:00:02"), (90_061, "25:01:01"), (math.nan, "-:--:--")],
)
def test_a_clock_shows_hours_minutes_and_whole_seconds_that_have_passed(seconds, text):
    assert clock(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(-1, "0:00"), (4.1, "0:05"), (760, "12:40"), (4360, "1:12:40"), (math.inf, "100:00:00")],
)
def test_a_countdown_ends_at_zero_and_not_before(seconds, text):
    assert countdown(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "rounded"), [(-3, 0), (2.4, 0), (33, 35), (57.4, 55), (58, 60), (597, 600), (3629, 3600), (9000, 7200)]
)
def test_an_estimate_is_rounded_to_what_it_is_worth(seconds, rounded):
    assert coarse(seconds) == rounded


def test_a_time_that_never_comes_stays_one():
    assert coarse(math.inf) == math.inf


def test_numbers_that_json_does_not_know_become_null():
    content = {"a": (1.0, math.nan), "b": [{"c": -math.inf}], "d": "nan", "e": 3}
    assert json.loads(json.dumps(finite(content), allow_nan=False)) == {
        "a": [1.0, None],
        "b": [{"c": None}],
        "d": "nan",
        "e": 3,
    }


def test_a_line_holds_no_control_codes_and_ends_in_dots_where_it_is_cut():
    assert one_line("a\x1b[31m\nb") == "a\\x1b[31m\\nb"
    assert one_line("x" * 400) == "x" * 299 + "…"


def test_columns_are_two_spaces_apart_and_end_flush_where_asked():
    assert table(("name", "n"), [("a", "10"), ("longer", "2")], right=(1,)) == "name     n\na       10\nlonger   2"
