"""Lines of text meters, made from the pattern that a bench file reads them by."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.errors import BadInput
from benchmon_simulated.servers.text_server import LineFormat


@pytest.mark.parametrize(
    ("pattern", "line"),
    [
        (r"T1=(?P<a>[+-][0-9.]+)C T2=(?P<b>[+-][0-9.]+)C", "T1=+42.3C T2=+7.1C"),
        (r"(?P<a>\d+\.\d{2}),(?P<b>\d+)", "42.30,7"),
        (r"^\s*a:\s+(?P<a>[0-9.]+)\s*\|\s*b:\s+(?P<b>[0-9.]+)$", "a: 42.3|b: 7.1"),
        (r"\[(?P<a>[-+]?\d+(?:\.\d+)?)\] \$(?P<b>.+)", "[+42.3] $+7.1"),
        (r"(?P<a>[+-]\d\.\d{4}E[+-]\d\d);(?P<b>[^;]*)", "+4.2300E+01;+7.1"),
    ],
)
def test_a_line_is_the_plainest_that_the_pattern_takes(pattern, line):
    assert LineFormat(pattern, {}, {}).line({"a": 42.3, "b": 7.1}) == line


@pytest.mark.parametrize(
    "pattern",
    [
        "",
        "no group",
        "(",
        "(?P<a>x+)",
        "(?P<a>[0-9.]+)?",
        "(?P<a>[0-9.]+) (lit)",
        "a|(?P<a>[0-9.]+)",
        "(?P<a>(?P<b>[0-9.]+))",
        "(?P<a>[0-9.]+) (?:end|stop)",
        r"\d+ (?P<a>[0-9.]+)",
        r"(?P<a>[0-9.]+)\1",
        "(?P<a>[0-9.]+)(?P=a)",
        "(?P<a>[0-9.]+)(?P<b>[0-9.]+)",
    ],
)
def test_a_pattern_that_no_line_can_be_made_for_is_refused(pattern):
    with pytest.raises(BadInput, match="pattern"):
        LineFormat(pattern, {}, {})


def test_groups_of_units_hold_their_unit():
    shape = LineFormat(r"(?P<value>[0-9.]+) (?P<unit>\w+)", {"value": 3}, {"unit": "mV"})
    assert shape.line({"value": 12.5}) == "12.500 mV"
    assert shape.numbers == ("value",)


@given(
    names=st.lists(st.from_regex(r"[a-z]{1,5}", fullmatch=True), min_size=1, max_size=4, unique=True),
    literal=st.text(
        st.characters(codec="ascii", categories=("L", "P", "S", "Zs"), exclude_characters="+-."), min_size=1, max_size=5
    ),
    values=st.lists(st.floats(-200.0, 1500.0), min_size=4, max_size=4),
)
def test_whatever_literal_stands_between_the_pattern_reads_its_line(names, literal, values):
    pattern = re.escape(literal).join(f"(?P<{name}>[+-][0-9.]+)" for name in names)
    said = dict(zip(names, values, strict=False))
    match = re.fullmatch(pattern, LineFormat(pattern, {}, {}).line(said))
    assert match is not None
    assert {name: float(match[name]) for name in names} == pytest.approx(said, abs=0.051)


@given(st.text(max_size=40))
def test_no_pattern_whatever_does_more_than_be_refused(pattern):
    with pytest.raises(BadInput) as refusal:
        raise_unless_usable(pattern)
    assert str(refusal.value).isprintable()


def raise_unless_usable(pattern):
    shape = LineFormat(pattern, {}, {})
    assert re.fullmatch(pattern, shape.line(dict.fromkeys(shape.numbers, 1.0)).strip())
    raise BadInput("usable")
