import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.errors import BadReply
from benchmon_drivers.modbus.registers import FORMATS, RegisterPlace, blocks, length, reader

ORDERS = st.sampled_from(["big", "little"])


@given(st.data(), st.sampled_from(sorted(FORMATS)), ORDERS, ORDERS)
def test_whatever_an_instrument_packs_comes_out_again(data, kind, word_order, byte_order):
    letter = FORMATS[kind]
    if letter in "fd":
        number = data.draw(st.floats(width=32 if letter == "f" else 64, allow_nan=False))
    else:
        bits = 8 * struct.calcsize(letter)
        low = -(2 ** (bits - 1)) if letter.islower() else 0
        number = data.draw(st.integers(low, low + 2**bits - 1))
    packed = struct.pack(f">{letter}", number)
    registers = [int.from_bytes(packed[n : n + 2], byte_order) for n in range(0, len(packed), 2)]
    if word_order == "little":
        registers.reverse()
    assert reader(kind, word_order, byte_order)(registers) == float(number)


def test_a_float_may_be_no_number_or_over_range():
    assert math.isnan(reader("float32", "big", "big")([0x7FC0, 0]))
    assert reader("float32", "big", "big")([0xFF80, 0]) == -math.inf


@given(st.integers(0, 99_999_999), ORDERS, ORDERS)
def test_packed_digits_are_read_as_they_are_written(number, word_order, byte_order):
    packed = bytes.fromhex(f"{number:08d}")
    registers = [int.from_bytes(packed[n : n + 2], byte_order) for n in (0, 2)]
    assert reader("bcd32", word_order, byte_order)(registers[:: 1 if word_order == "big" else -1]) == number


def test_what_is_no_packed_digit_is_no_reading():
    with pytest.raises(BadReply, match="1A where packed"):
        reader("bcd16", "big", "big")([0x1A])


@pytest.mark.parametrize("registers", [[], [1], [1, 2, 3]])
def test_too_few_or_too_many_registers_are_refused(registers):
    with pytest.raises(struct.error):
        reader("float32", "big", "big")(registers)


def place(key, register, count=1, unit=1, function="holding"):
    return RegisterPlace(key, unit, function, register, count)


def spans(found):
    return [(block.unit, block.function, block.register, block.count) for block in found]


def test_registers_that_adjoin_come_in_one_request_and_others_not():
    places = [place("c", 4), place("a", 0, 2), place("b", 2, 2), place("far", 6), place("far_too", 7)]
    assert spans(blocks(places)) == [(1, "holding", 0, 5), (1, "holding", 6, 2)]


def test_other_units_and_functions_are_other_requests():
    places = [place("a", 0), place("b", 1, unit=2), place("c", 1, function="input")]
    assert len(blocks(places)) == 3


def test_what_is_refused_together_is_requested_alone():
    places = [place("a", 0), place("b", 1), place("c", 2), place("d", 3)]
    assert spans(blocks(places, alone={"b"})) == [
        (1, "holding", 0, 1),
        (1, "holding", 1, 1),
        (1, "holding", 2, 2),
    ]


@given(
    st.lists(
        st.tuples(
            st.integers(0, 400),
            st.integers(1, 4),
            st.integers(1, 2),
            st.sampled_from(["holding", "input"]),
        ),
        max_size=60,
    ),
    st.integers(4, 125),
)
def test_every_place_is_fetched_once_and_no_register_beyond_these(wanted, most):
    places = [place(n, *rest) for n, rest in enumerate(wanted)]
    found = blocks(places, most)
    assert sorted(one.key for block in found for one in block.places) == list(range(len(places)))
    for block in found:
        assert block.count <= most
        touched = {n for one in block.places for n in range(one.register, one.register + one.count)}
        assert touched == set(range(block.register, block.register + block.count))


def test_each_type_has_its_length():
    assert [length(kind) for kind in ("uint16", "int32", "float32", "uint64", "float64")] == [1, 2, 2, 4, 4]
