"""A bench file is changed key by key; comments, order and spelling of everything else stay as they are."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.new_bench.bench_text import NOT_CONFIRMED, BenchText, toml

MINE = """\
# My bench.
title = "x"  # a title

[mains]
voltage = "230 V"   # at the socket
# nothing else is known

# ---- meters, one after the other
[[instrument]]
name = "a"
[instrument.waves]  # of a
preamble = [
    "points",  # how many
    "[[channel]]",
]

[[channel]]
name = "one"     # the first
instrument = "a"

[[instrument]]
name = "b"
pattern = '''
[mains]
'''

# about two
[[channel]]
name = "two"
instrument = "b"
"""


def changed(text, other):
    """Return the lines that are only in one of two texts."""
    return set(text.splitlines()) ^ set(other.splitlines())


def test_what_is_not_changed_stays_to_the_letter():
    assert BenchText(MINE).text == MINE


def test_a_heading_in_a_list_or_a_long_string_is_none():
    assert [each.section for each in BenchText(MINE).sections] == [
        "", "mains", "instrument", "channel", "instrument", "channel",
    ]  # fmt: skip


def test_a_value_is_changed_where_it_stands_beside_its_comment():
    text = BenchText(MINE)
    text.first("mains").set("voltage", "115 V")
    text.all("channel")[1].set("name", "second")
    assert changed(text.text, MINE) == {
        'voltage = "230 V"   # at the socket',
        'voltage = "115 V"   # at the socket',
        'name = "two"',
        'name = "second"',
    }


def test_a_new_key_stands_in_its_own_section_and_not_in_a_table_inside_it():
    text = BenchText(MINE)
    text.first("instrument").set("timeout", "2 s")
    text.first("instrument").set("waves.separator", ";")
    assert text.data["instrument"][0] == {
        "name": "a",
        "timeout": "2 s",
        "waves": {"preamble": ["points", "[[channel]]"], "separator": ";"},
    }


def test_sections_come_and_go_without_the_comments_of_others():
    text = BenchText(MINE)
    text.add("fuse").set("rating", "1 A")
    text.remove(text.all("channel")[0])
    assert text.data["fuse"] == {"rating": "1 A"}
    assert [each["name"] for each in text.data["channel"]] == ["two"]
    for comment in ("# nothing else is known", "# ---- meters", "# about two", "# how many"):
        assert comment in text.text


def test_what_nobody_confirmed_is_marked_until_somebody_does():
    text = BenchText(MINE)
    text.first("mains").set("tolerance", "6 %", "how far off", confirmed=False)
    again = BenchText(text.text)
    assert f"# {NOT_CONFIRMED}: how far off" in again.text
    assert not again.first("mains").is_confirmed("tolerance")
    again.first("mains").set("tolerance", "6 %")
    assert again.first("mains").is_confirmed("tolerance")
    assert "# how far off" in again.text


@given(st.text(max_size=60), st.integers(-(2**60), 2**60), st.lists(st.text(max_size=10), max_size=4))
def test_whatever_is_written_is_read_back(words, number, items):
    text = BenchText('title = "x"\n')
    section = text.add("part", comment="a comment")
    section.set("text", words, "another")
    section.set("number", number)
    section.set("items", items)
    assert text.data["part"] == {"text": words, "number": number, "items": items}
    section.set("text", words + "!")
    assert tomllib.loads(text.text)["part"]["text"] == words + "!"


@pytest.mark.parametrize("value", [1, -3, 2.5, 'a\x7f"b', [["0.7 V", "1 A"], [1, 2]]])
def test_a_value_is_toml(value):
    assert tomllib.loads(f"x = {toml(value)}") == {"x": value}
