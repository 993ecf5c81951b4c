"""Units of replies, and the promise of every parser of text: what a meter did not show is never a reading."""

import math
import re
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.errors import BadInput, BadReply
from benchmon.quantities import KINDS_BY_UNIT, is_sane
from benchmon_drivers.number_parsing import NUMBER_AND_UNIT, scpi_number, written_number
from benchmon_drivers.reply_units import conversion_of, unit_of_reply
from support.far_ends.damage import numbers_in, stands_in


def might_show(text, value, unit):
    """Return whether `value` is a number in `text`, with a prefix, or on another scale of temperature."""
    if stands_in(value, text):
        return True
    degrees = [float(number) for number in numbers_in(text)] if unit == "°C" else []
    others = [celsius for one in degrees for celsius in (one - 273.15, (one - 32.0) / 1.8)]
    return any(math.isclose(value, one, rel_tol=1e-9, abs_tol=1e-9) for one in others)


PIECES = (
    '1 22.14 -0,5 +1.5E-3 V mV MV A OL - + , ; E E9 1E400 °C F K VDC ERR VOLT #0 " ٣ １ nan inf 0x1F 1_0 9.9E37 MHZ '
    "mOhm % −"
)
pieces = st.sampled_from([" ", "\n", "\x00", *PIECES.split()])
texts = st.one_of(st.lists(pieces, max_size=6).map("".join), st.text(max_size=30))
units = st.sampled_from(list(KINDS_BY_UNIT))


def wrongly_read(text, unit):
    """Return the values that the parsers of text read in `text` and that are not in it, or that nothing can have."""
    match, wrong = re.fullmatch(NUMBER_AND_UNIT, text.strip()), []
    with suppress(BadReply):
        value = scpi_number(text.encode(), unit)
        wrong += [] if not math.isfinite(value) or might_show(text, value, unit) else [value]
    with suppress(BadReply):
        value = written_number(match["value"], match["unit"], unit) if match else math.nan
        wrong += [] if not match or (might_show(text, value, unit) and is_sane(value, unit)) else [value]
    return wrong


@given(texts, units)
def test_a_parser_of_text_gives_only_numbers_that_are_in_the_text(text, unit):
    assert wrongly_read(text, unit) == []


@pytest.mark.long
@pytest.mark.timeout(3600)
@settings(max_examples=100_000)
@given(texts, units)
def test_100_000_texts_give_only_numbers_that_are_in_them(text, unit):
    assert wrongly_read(text, unit) == []


@given(st.sampled_from(["V", "A", "W", "VA"]), st.sampled_from("numk"), st.booleans())
def test_case_does_not_matter_to_a_suffix(unit, prefix, is_upper):
    spelt = f"{prefix}{unit}".upper() if is_upper else f"{prefix}{unit}".lower()
    factor = {"n": 1e-9, "u": 1e-6, "m": 1e-3, "k": 1e3}[prefix]
    assert conversion_of(spelt, unit)(1.0) == factor


@pytest.mark.parametrize(
    ("spelt", "wanted", "one"),
    [
        ("mΩ", "Ω", 1e-3),
        ("MΩ", "Ω", 1e6),
        ("k\u2126", "Ω", 1e3),
        ("Ohms", "Ω", 1.0),
        ("MHz", "Hz", 1e6),
        ("%", "", 0.01),
    ],
)
def test_a_sign_that_ieee_488_2_does_not_have_has_the_prefix_of_si(spelt, wanted, one):
    assert conversion_of(spelt, wanted)(1.0) == pytest.approx(one)


@pytest.mark.parametrize(
    ("spelt", "wanted"), [("mHz", "Hz"), ("mOhm", "Ω"), ("MVrms", "V"), ("MVolt", "V"), ("Vpp", "V")]
)
def test_what_may_mean_two_things_is_no_unit(spelt, wanted):
    assert conversion_of(spelt, wanted) is None


def test_the_unit_in_a_bench_file_is_si():
    base, conversion = unit_of_reply("mV")
    assert (base, conversion(12.5)) == ("V", 0.0125)
    assert unit_of_reply("K")[1](273.15) == 0.0
    with pytest.raises(BadInput, match="is no unit of a reading"):
        unit_of_reply("furlong")
