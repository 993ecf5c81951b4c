"""Any single value of a valid bench file replaced by anything either loads or is refused in one clear line."""

import copy
import datetime as dt
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.bench import load_bench, read_bench
from benchmon.errors import BenchFileError
from support.toml_text import COMPLETE, written

DATA = tomllib.loads(COMPLETE)

TEXTS = st.one_of(
    st.text(st.characters(exclude_categories=["Cs"]), max_size=40),
    st.from_regex(r"\A[-−+]?[0-9.,eE]{1,9} ?(m|µ|k|M|G|)(V|A|Ω|F|H|Hz|s|W|VA|K|°C|%|ppm|K/W|W/K|A²s)?\Z"),
    st.sampled_from(["open", "bridge", "series", "capacitor", "choke", "nan V", "inf V", "1e400 V", "\x1b[31mred"]),
)
SCALARS = st.one_of(
    TEXTS,
    st.integers(-(10**30), 10**30),
    st.floats(),
    st.booleans(),
    st.dates(),
    st.datetimes(timezones=st.sampled_from([dt.UTC])),
    st.times(),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text("abcdefkindvalue", min_size=1, max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)


def places(data, path=()):
    """Return the path of every value and of every section."""
    found = [path] if path else []
    inner = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in inner:
        found += places(value, (*path, key))
    return found


PLACES = places(DATA)


def replaced(path, value):
    data = copy.deepcopy(DATA)
    at = data
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = value
    return data


def refusal(text: str) -> str:
    """Return why `text` is refused, or nothing if it loads."""
    try:
        read_bench(text, "bench.toml")
    except BenchFileError as problem:
        return str(problem)
    return ""


def unclear(text: str) -> list[str]:
    """Return what is wrong with the words by which `text` is refused; [] where they are one clear line, or it loads."""
    message = refusal(text)
    wrong = {
        "not printable": not message.isprintable(),
        "too long": len(message) > 400,
        "names no file": bool(message) and not message.startswith("bench.toml"),
    }
    return [f"{what}: {message!r}" for what, is_so in wrong.items() if is_so]


def test_the_writer_writes_what_was_read():
    assert tomllib.loads(written(DATA)) == DATA
    assert read_bench(written(DATA)) == read_bench(COMPLETE).model_copy(update={"source": written(DATA)})


@settings(max_examples=400, deadline=None)
@given(st.sampled_from(PLACES), VALUES)
def test_any_value_replaced_by_anything(path, value):
    assert unclear(written(replaced(path, value))) == []


@settings(max_examples=200, deadline=None)
@given(st.sampled_from(PLACES), st.text("abcdef_kind.\"'\\ \x1b", min_size=1, max_size=30), VALUES)
def test_any_key_added_anywhere(path, key, value):
    parent = DATA
    for part in path[:-1]:
        parent = parent[part]
    if isinstance(parent, dict):
        assert unclear(written(replaced((*path[:-1], key), value))) == []


@settings(max_examples=100, deadline=None)
@given(st.sampled_from([place for place in PLACES if isinstance(place[-1], str)]))
def test_any_key_left_out(path):
    data = copy.deepcopy(DATA)
    at = data
    for key in path[:-1]:
        at = at[key]
    del at[path[-1]]
    assert unclear(written(data)) == []


@settings(max_examples=300, deadline=None)
@given(st.integers(0, len(COMPLETE)), st.integers(0, 3), st.text(st.characters(exclude_categories=["Cs"]), max_size=4))
def test_any_few_characters_changed(at, fewer, more):
    assert unclear(COMPLETE[:at] + more + COMPLETE[at + fewer :]) == []


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=300))
def test_any_bytes_in_a_file(tmp_path_factory, content):
    file = tmp_path_factory.getbasetemp() / "any.toml"
    file.write_bytes(content)
    with pytest.raises(BenchFileError) as caught:
        load_bench(file)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) <= 400


@settings(max_examples=150, deadline=None)
@given(st.sampled_from([place for place in PLACES if len(place) > 1]), SCALARS)
def test_a_refused_value_is_named_by_its_section(path, value):
    message = refusal(written(replaced(path, value)))
    # A value may also be at odds with another section, such as a rectifier's kind with the windings.
    named = (str(path[0]), "transformer", "instrument", "step")
    assert not message or any(name in message for name in named)
