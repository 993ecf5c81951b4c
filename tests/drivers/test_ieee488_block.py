"""Blocks of IEEE 488.2 in pieces of any size, and what a preamble makes of their bytes.

The reference for blocks is PyVISA's own reading of them (`pyvisa.util.from_ieee_block`).
"""

from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from pyvisa.util import from_ascii_block, from_ieee_block, to_ieee_block

from benchmon.errors import BadReply
from benchmon.instruments.types import MOST_SAMPLES
from benchmon.watch import records
from benchmon_drivers.scpi.ieee488_block import LONGEST, BlockReply
from benchmon_drivers.scpi.waveform_format import WaveKeys

FIXED = {"x_increment": 1e-4}


def taken(whole, pieces=(), *, text=False):
    """Return the data of a block that arrives in pieces of so many bytes, read as a driver does."""
    block = BlockReply(text=text)
    sizes = iter(pieces)
    at = 0
    while at < len(whole) and block.missing:
        size = min(block.missing, next(sizes, LONGEST))
        block.take(whole[at : at + size])
        at += size
    return block.data()


@given(
    st.binary(max_size=2000),
    st.lists(st.integers(1, 50), max_size=100),
    st.sampled_from([b"", b":TRAC:DATA ", b"SAMPLES "]),
)
def test_a_definite_block_is_read_as_pyvisa_reads_it(data, pieces, header):
    block = header + to_ieee_block(list(data), "B")
    assert taken(block, pieces) == bytes(from_ieee_block(block, "B")) == data


@given(st.binary(min_size=1, max_size=2000), st.lists(st.integers(1, 50), max_size=100))
def test_an_indefinite_block_ends_with_its_message(data, pieces):
    assert taken(b"#0" + data + b"\n", pieces) == data


@pytest.mark.parametrize(
    ("reply", "says"),
    [
        (b"", "not a block"),
        (b"1.25\n", "not a block"),
        (b"x" * 100, "not a block"),
        (b"#X\n", "begins no block"),
        (b"#2ab", "without a length"),
        (b"#2-1x", "without a length"),
        (b"#15HELL", "ended after 4 of the 5 bytes"),
        (b"#9999999999", "announces a wave of 999999999 bytes"),
        (b"#74000001", "announces a wave of 4000001 bytes"),
        (b"#0" + b"x" * (LONGEST + 500), "more than 4000000 bytes"),
    ],
)
def test_what_is_no_block_is_refused(reply, says):
    with pytest.raises(BadReply, match=says):
        taken(reply)


def test_what_comes_behind_a_block_must_be_its_end():
    block = BlockReply()
    block.take(b"#15HELLO\r\n")
    assert block.data() == b"HELLO"
    block.take(b"x")
    with pytest.raises(BadReply, match="goes on after the 5 bytes"):
        block.data()


@given(st.binary(max_size=300), st.lists(st.integers(1, 9), max_size=60), st.booleans())
def test_no_bytes_break_it(reply, pieces, text):
    with suppress(BadReply):
        assert isinstance(taken(reply, pieces, text=text), bytes)


@pytest.mark.parametrize("codes", ["int8", "uint8", "int16", "uint16", "int32", "uint32", "float32", "float64"])
@pytest.mark.parametrize("byte_order", ["big", "little"])
def test_codes_of_every_kind_are_read_as_pyvisa_reads_them(codes, byte_order):
    letters = {
        "int8": "b",
        "uint8": "B",
        "int16": "h",
        "uint16": "H",
        "int32": "i",
        "uint32": "I",
        "float32": "f",
        "float64": "d",
    }
    numbers = [0, 1, 2, 100] if codes.startswith("u") else [0, -1, 5, -100]
    block = to_ieee_block(numbers, letters[codes], is_big_endian=byte_order == "big")
    keys = WaveKeys(codes=codes, byte_order=byte_order, y_increment=0.5, y_origin=1.0, y_reference=10.0, **FIXED)
    times, values, beyond = keys.read_samples(taken(block), keys.read_preamble(b""))
    assert np.array_equal(values, (np.array(numbers) - 10.0) * 0.5 + 1.0)
    assert np.allclose(times, [0.0, 1e-4, 2e-4, 3e-4])
    assert not beyond


@pytest.mark.parametrize(
    "text", [b"1.5,-2E-3, +3,4.\n", b":CURV 1.5,-2E-3,3,4\r\n", b"#01.5,-2e-3,3,4\n", b"#2131.5,-2E-3,3,4"]
)
def test_samples_in_text_with_and_without_a_block(text):
    keys = WaveKeys(codes="ascii", **FIXED)
    _, values, _ = keys.read_samples(taken(text, text=True), keys.read_preamble(b""))
    assert np.allclose(values, from_ascii_block("1.5,-2E-3,3,4"))


def test_a_preamble_is_read_by_its_declared_fields():
    fields = [
        "format",
        "-",
        "points",
        "x_increment",
        "x_origin",
        "x_reference",
        "y_increment",
        "y_origin",
        "y_reference",
    ]
    keys = WaveKeys(preamble=fields, formats={"WORD": "uint16", "BYTE": "uint8"})
    preamble = keys.read_preamble(b'"BYTE",3,4,2.0E-3,-1.0E-3,1,2.5E-2,+5,128,"and more"\n')
    times, values, _ = keys.read_samples(bytes([128, 129, 0, 255]), preamble)
    assert np.allclose(times, [-3e-3, -1e-3, 1e-3, 3e-3])
    assert np.allclose(values, [5.0, 5.025, 1.8, 8.175])


@pytest.mark.parametrize(
    ("reply", "says"),
    [
        (b"4,1E-3\n", "2 fields where 3 are wanted"),
        (b"4,volts,1\n", "x_increment"),
        (b"4,0,1\n", "increments are impossible"),
        (b"4,-1,1\n", "increments are impossible"),
        (b"4,1E-3,0\n", "increments are impossible"),
        (b"4,9.91E37,1\n", "not a number"),
        (b"4.5,1E-3,1\n", "points"),
        (b"5,1E-3,1\n", "4 samples where its preamble announces 5"),
        (b"\x1b[2J,1,1\n", "points"),
        (b"4,1E-3,1E37\n", "times do not rise or whose samples are no numbers"),
    ],
)
def test_a_preamble_that_cannot_be_is_a_bad_reply(reply, says):
    keys = WaveKeys(preamble=["points", "x_increment", "y_increment"], codes="int8")
    with pytest.raises(BadReply, match=says) as caught:
        keys.read_samples(bytes([1, 2, 100, 4]), keys.read_preamble(reply))
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("codes", "data", "says"),
    [
        ("int16", b"\0\1\2", "no whole number of samples"),
        ("int16", b"\0\1", "a wave of 1 samples"),
        ("int8", b"", "a wave of 0 samples"),
        ("int8", b"\0" * (MOST_SAMPLES + 1), "there must be 2 to 200000"),
        ("ascii", b"1,two,3", "among samples"),
        ("ascii", b"1,,3", "among samples"),
        ("ascii", b"1,nan,3", "among samples"),
        ("ascii", b"1,1_000,3", "among samples"),
        ("ascii", b"1," * (MOST_SAMPLES + 1) + b"1", "samples"),
        ("float32", np.array([1.0, np.nan], ">f4").tobytes(), "no numbers"),
    ],
)
def test_data_that_are_no_wave_are_a_bad_reply(codes, data, says):
    keys = WaveKeys(codes=codes, **FIXED)
    with pytest.raises(BadReply, match=says):
        keys.read_samples(data, keys.read_preamble(b""))


def test_codes_and_numbers_beyond_the_range_are_reported():
    keys = WaveKeys(codes="int8", overload=[127, -128], **FIXED)
    assert keys.read_samples(bytes([1, 2, 127]), keys.read_preamble(b""))[2]
    assert not keys.read_samples(bytes([1, 2, 126]), keys.read_preamble(b""))[2]
    text = WaveKeys(codes="ascii", **FIXED)
    assert text.read_samples(b"1,9.9E37,2", text.read_preamble(b""))[2]


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ({}, "needs x_increment"),
        ({"x_increment": 0}, "greater than 0"),
        ({"x_increment": 1e-4, "y_increment": 0}, "must not be zero"),
        ({"preamble": ["x_increment"], "x_increment": 1e-4}, "is in the preamble too"),
        ({"preamble": ["x_increment", "points", "points"]}, "is there twice"),
        ({"preamble": ["x_increment", "format"]}, "belongs to a field"),
        ({"x_increment": 1e-4, "formats": {"0": "int8"}}, "belongs to a field"),
        ({"preamble": ["x_increment", "colour"]}, "Input should be"),
        ({"x_increment": 1e-4, "codes": "int12"}, "Input should be"),
    ],
)
def test_keys_that_do_not_fit_together_are_refused(keys, says):
    with pytest.raises(ValidationError, match=says):
        WaveKeys.model_validate(keys)


@given(
    st.binary(max_size=200), st.binary(max_size=400), st.sampled_from(["int8", "int16", "float32", "float64", "ascii"])
)
def test_no_preamble_and_no_data_break_it(reply, data, codes):
    keys = WaveKeys(preamble=["points", "x_increment", "y_increment", "y_origin"], codes=codes)
    with suppress(BadReply):
        times, values, beyond = keys.read_samples(data, keys.read_preamble(reply))
        assert len(times) == len(values)
        assert beyond or np.all(np.isfinite(values))


def test_a_session_keeps_as_many_samples_as_a_wave_may_have():
    assert records.MOST_SAMPLES == MOST_SAMPLES
