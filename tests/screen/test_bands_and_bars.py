"""Numbers, band, trend, bar: whatever comes from a meter or a file, they keep their width and show what was read."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from benchmon.bench import Channel
from benchmon.screen.lines.channel_row import channel_status, draw_band, place_in_band
from benchmon.screen.lines.numbers import (
    EXPECTED_WIDTH,
    NUMBER_WIDTH,
    UNCERTAINTY_WIDTH,
    difference,
    expected_parts,
    live_number,
    scale_of,
)
from benchmon.screen.lines.temperature_bars import TemperatureLimits, draw_bar, temperature_words
from benchmon.screen.lines.text import fit, fit_name, wrap
from benchmon.screen.session_state import TrendBuffer
from benchmon.screen.symbols import ASCII, UNICODE
from benchmon.session.records import TrendBin
from benchmon.text import clock
from benchmon.watch.records import Flag, Judgement, Verdict

ANY_FLOAT = st.one_of(st.none(), st.floats())
ALPHABETS = st.sampled_from([UNICODE, ASCII])
UNITS = st.sampled_from(["V", "A", "W", "VA", "Hz", "°C", ""])


def a_judgement(value, expected, spread, en=None):
    return Judgement("output", 1.0, value, 0.1, expected, spread, en, Verdict.UNPREDICTED)


@given(ANY_FLOAT, ANY_FLOAT, ANY_FLOAT, UNITS)
def test_no_number_is_wider_than_its_column(value, expected, spread, unit):
    scale = scale_of(unit, value, expected)
    assert len(live_number(value, scale)) <= NUMBER_WIDTH
    wanted, around = expected_parts(expected, spread, scale)
    assert len(wanted) <= (EXPECTED_WIDTH + 4 if scale.of_expected else EXPECTED_WIDTH)
    assert len(around) <= UNCERTAINTY_WIDTH
    assert len(difference(value, expected, unit, scale)) <= 8


@given(st.floats(-2e9, 2e9), st.floats(1e-6, 2e9))
def test_a_live_number_is_the_value_to_four_digits_of_the_larger(value, expected):
    scale = scale_of("V", value, expected)
    shown = live_number(value, scale)
    resolution = 6e-4 * (abs(value) if scale.of_expected else max(abs(value), abs(expected)))
    if "e" in shown:
        resolution = 0.6 * abs(value)
    assert float(shown.replace("−", "-")) * 10**scale.exponent == pytest.approx(value, abs=resolution + 1e-15)


@pytest.mark.parametrize(
    ("reading", "unit", "shown"),
    [
        ((22.14, 22.1, 0.6), "V", ("22.14", ("22.10", "0.60"), "V")),
        ((0.7561, 0.75, 0.012), "A", ("756.1", ("750", "12"), "mA")),
        ((0.012, 22.1, 0.6), "V", ("12.00", ("22.10 V", ""), "mV")),
        ((62.34, 55.0, 4.2), "°C", ("62.3", ("55.0", "4.2"), "°C")),
        ((0.6421, 0.65, 0.02), "", ("0.642", ("0.650", "0.020"), "")),
        ((0.0321, 0.031, 0.002), "%", ("3.21", ("3.10", "0.20"), "%")),
        ((1.27, 0.81, 0.15), "%", ("127.0", ("81", "15"), "%")),
        ((100.0, 100.0, 0.1), "Hz", ("100.0", ("100.0", "0.1"), "Hz")),
        ((31000.0, 22.1, 0.6), "V", ("31.00", ("22.10 V", ""), "kV")),
        ((230.0, 233.1, 118.0), "V", ("230.0", ("230", "120"), "V")),
        ((-0.02, -0.0214, 0.001), "W", ("−20.00", ("−21.4", "1.0"), "mW")),
        ((0.0, 22.1, 0.6), "V", ("0.00", ("22.10", "0.60"), "V")),
        ((-0.0001, 22.1, 0.6), "V", ("0.00", ("22.10", "0.60"), "V")),
        ((None, 22.1, 0.6), "V", ("–", ("22.10", "0.60"), "V")),
        ((math.inf, 22.1, 0.6), "V", ("over", ("22.10", "0.60"), "V")),
        ((-math.inf, None, None), "V", ("under", ("", ""), "V")),
    ],
)
def test_numbers_as_an_engineer_writes_them(reading, unit, shown):
    value, expected, spread = reading
    scale = scale_of(unit, value, expected)
    assert (live_number(value, scale), expected_parts(expected, spread, scale), scale.unit) == shown


def test_a_difference_is_in_per_cent_or_in_kelvins():
    volts = scale_of("V", 24.0, 22.0)
    assert difference(24.0, 22.0, "V", volts) == "+9.1 %"
    assert difference(0.0, 22.0, "V", volts) == "−100 %"
    assert difference(5000.0, 2.0, "V", scale_of("V", 5000.0, 2.0)) == "+>999 %"
    assert difference(50.0, 55.5, "°C", scale_of("°C", 50.0, 55.5)) == "−5.5 K"
    assert difference(0.5, 0.0, "V", scale_of("V", 0.5, 0.0)) == "+500.0"
    assert difference(22.0, None, "V", volts) == ""


@given(st.floats())
def test_a_time_is_always_a_short_clock(seconds):
    assert len(clock(seconds)) <= 12
    assert clock(seconds).count(":") == 2


@given(ANY_FLOAT, st.integers(-5, 60), ALPHABETS)
def test_a_band_keeps_its_width(place, width, symbols):
    state = draw_band(place, width, symbols)
    assert cell_len(state) == max(0, width)


@given(ANY_FLOAT, ANY_FLOAT, ANY_FLOAT, ANY_FLOAT)
def test_any_judgement_has_a_place_or_none(value, expected, spread, en):
    place = place_in_band(a_judgement(value, expected, spread, en))
    assert place is None or not math.isnan(place)


@given(st.floats(-40, 40), st.integers(7, 61), ALPHABETS)
def test_the_marker_is_outside_exactly_when_the_value_is(place, width, symbols):
    state = draw_band(place, width, symbols)
    drawn = [at for at, sign in enumerate(state) if sign in symbols.band_rail + symbols.band_start + symbols.band_end]
    at = next(at for at, sign in enumerate(state) if sign in (symbols.marker, symbols.far_below, symbols.far_above))
    middle = (width - 1) // 2
    if abs(place) > 1:
        assert at < min(drawn) or at > max(drawn)
        assert (at > middle) == (place > 0)
    else:
        assert min(drawn) - 1 <= at <= max(drawn) + 1
    assert (state[at] != symbols.marker) == (abs(place) > 1.5)


def test_what_a_band_looks_like():
    assert draw_band(0.0, 9, UNICODE) == " ├──●──┤ "
    assert draw_band(-1.0, 9, UNICODE) == " ●──┼──┤ "
    assert draw_band(1.2, 9, UNICODE) == " ├──┼──┤●"
    assert draw_band(-7.0, 9, UNICODE) == "◀├──┼──┤ "
    assert draw_band(math.inf, 9, ASCII) == " [--:--]>"
    assert draw_band(None, 9, ASCII) == " " * 9


@given(
    st.lists(st.tuples(st.floats(), ANY_FLOAT, ANY_FLOAT), max_size=80),
    st.floats(),
    st.integers(-3, 40),
    ALPHABETS,
    st.floats(0.01, 86_400),
)
def test_a_trend_keeps_its_width(readings, now, width, symbols, period):
    trend = TrendBuffer(period)
    for reading in readings:
        trend.add(*reading)
    assert cell_len(trend.draw(now, width, symbols)) == max(0, width)


def test_a_trend_shows_rise_gap_and_calm():
    rising = TrendBuffer()
    for second in range(40):
        if not 15 <= second < 20:
            rising.add(second, 20.0 + second, 0.1)
    drawn = rising.draw(39.0, 8, UNICODE)
    assert drawn[0] == "▁"
    assert drawn[3] == " "
    assert drawn[-1] == "█"
    assert sorted(drawn.replace(" ", "")) == list(drawn.replace(" ", ""))

    noise = TrendBuffer()
    for second in range(40):
        noise.add(second, 20.0 + 0.01 * (second % 2), 1.0)
    assert len(set(noise.draw(39.0, 8, UNICODE))) == 1


def test_a_trend_forgets_what_is_long_past():
    trend = TrendBuffer()
    for second in range(0, 100_000, 5):
        trend.add(second, 1.0)
    assert trend.draw(0.0, 8, UNICODE) == " " * 8
    assert trend.draw(99_995.0, 8, UNICODE).strip()


LIMITS = st.builds(TemperatureLimits, st.floats(-50, 60), ANY_FLOAT, st.floats(-300, 2000))


@given(ANY_FLOAT, LIMITS, st.integers(-2, 60), ALPHABETS)
def test_a_bar_keeps_its_width(value, limits, width, symbols):
    assert cell_len(draw_bar(value, limits, width, symbols)) == max(0, width)
    assert len(temperature_words(value, limits)) <= 30


def test_a_bar_shows_where_a_temperature_stands():
    limits = TemperatureLimits(25.0, 85.0, 105.0)
    assert temperature_words(62.3, limits) == "62.3 of 105 °C"
    assert temperature_words(-math.inf, limits) == "under range (105 °C)"
    assert draw_bar(20.0, limits, 12, ASCII) == "[.......|..]"
    assert draw_bar(66.0, limits, 12, ASCII) == "[#####..|..]"
    assert draw_bar(100.0, limits, 12, ASCII) == "[#######|#.]"
    assert draw_bar(105.0, limits, 12, ASCII)[-1] == ">"
    assert draw_bar(math.inf, limits, 12, ASCII) == "[#######|##>"
    assert draw_bar(None, limits, 12, ASCII) == "[.......|..]"


@given(st.text(), st.integers(-3, 60), ALPHABETS)
def test_fitted_text_has_exactly_its_width(text, width, symbols):
    for fitted in (fit, fit_name):
        shown = fitted(symbols.plain(text), width, symbols)
        assert cell_len(shown) == max(0, width)


# Not Sk: a modifier that stands alone has no width, and a line may lose what nobody can see.
@given(st.text(alphabet=st.characters(categories=["L", "N", "P", "Sm", "Sc", "So", "Zs"])), st.integers(2, 60))
def test_wrapping_loses_nothing_and_keeps_the_width(text, width):
    lines = wrap(text, width)
    assert all(cell_len(line) <= width for line in lines)
    # A line may end where a space was, whatever its width.
    seen = [letter for letter in text if not letter.isspace() and cell_len(letter)]
    assert [letter for letter in "".join(lines) if not letter.isspace() and cell_len(letter)] == seen


@given(st.text())
def test_an_ascii_terminal_gets_ascii(text):
    shown = ASCII.plain(text)
    assert shown.isascii()
    assert shown.isprintable()


def test_units_are_spelt_in_ascii():
    assert ASCII.plain("22.1 ± 0.6 V, 4.7 µF, 8 Ω, 65 °C") == "22.1 +- 0.6 V, 4.7 uF, 8 ohm, 65 C"


def test_what_was_before_the_first_reading_fills_a_trend():
    trend = TrendBuffer(period=10.0)
    trend.add(1000.0, 4.0)
    trend.prime(TrendBin(20.0 * n, 20.0 * (n + 1), 2, 0.0, 9.0, float(n % 3)) for n in range(52))
    means = trend.means(1005.0, 60)
    assert means[-1] == 4.0
    assert means[-2:-5:-1] == [1.0, 0.0, 2.0]
    assert means[:9] == [None] * 9


FLAGS = st.lists(st.sampled_from(list(Flag)), unique=True)


@given(FLAGS, st.sampled_from(list(Verdict)), st.integers(16, 40))
def test_where_there_is_room_for_a_flag_no_word_is_cut_off(flags, verdict, room):
    judged = Judgement("output", 1.0, 2.0, 0.1, 3.0, 0.1, None, verdict, frozenset(flags))
    channel = Channel(name="output", instrument="m", quantity="output.voltage.mean", warn_below="2.5 V")
    condition = channel_status(judged, channel, False, UNICODE)
    assert "hot" not in condition.flags, "a voltage is not hot"
    words = condition.words_within(room)
    assert len(words) <= room
    whole = {*condition.flags, condition.verdict, condition.verdict_sign, *(f"+{more}" for more in range(1, 6))}
    assert set(words.split()) <= whole
    assert not flags or condition.flags[0] in words, "the heaviest flag is shown"
    assert condition.verdict in words or condition.verdict_sign in words, "and the verdict, by a word or a sign"
