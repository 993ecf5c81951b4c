"""Plots as text: axes with round numbers, exact sizes, nothing that breaks them, and waves folded where they belong."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.errors import DataFileError
from benchmon.prediction.result import Prediction, Waveforms
from benchmon.screen.lines.plot import Axis, Curve, ShadedBand, TimeAxis, Upright, axis_around, draw_plot
from benchmon.screen.lines.waveform import (
    Folded,
    WavePage,
    expected_wave,
    fold_waveform,
    harmonic_lines,
    trace_of,
    wave_lines,
)
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import ASCII, UNICODE
from benchmon.watch.records import Waveform

NUMBERS = st.floats(-1e12, 1e12) | st.just(math.nan) | st.just(math.inf)
SHAPE = np.array([1.0, 0.5, 0.2])


def texts(lines):
    return ["".join(cell.text for cell in line) for line in lines]


@settings(max_examples=40, deadline=None)
@given(
    st.lists(NUMBERS, min_size=1, max_size=30),
    st.integers(20, 120),
    st.integers(6, 40),
    st.sampled_from([UNICODE, ASCII]),
    st.booleans(),
)
def test_a_plot_has_exactly_its_size_whatever_it_shows(values, width, height, symbols, dotted):
    x = [float(at) for at in range(len(values))]
    drawn = [
        ShadedBand(x, values, [value + 1 for value in values]),
        Curve(x, values, StyleRole.GOOD, dotted=dotted),
        Upright(0.5),
    ]
    plot = draw_plot(drawn, (Axis(0.0, 30.0, "s"), axis_around(values, "V")), (width, height), symbols)
    assert len(plot.lines) == height
    assert {len(text) for text in texts(plot.lines)} == {width}
    assert 0 < plot.left < width
    assert plot.left + plot.inner <= width
    assert plot.column(-1.0) == plot.left
    assert plot.column(2.0) == plot.left + plot.inner - 1
    if symbols.ascii_only:
        assert "".join(texts(plot.lines)).isascii()


def test_where_there_is_no_room_there_is_no_plot():
    axis = Axis(0.0, 1.0, "V")
    assert draw_plot([], (axis, axis), (19, 10), UNICODE).lines == []
    assert draw_plot([], (axis, axis), (40, 5), UNICODE).lines == []
    assert draw_plot([], (axis, Axis(1.0, 1.0, "V")), (40, 10), UNICODE).lines == []


@given(st.floats(-1e9, 1e9), st.floats(1e-6, 1e9), st.integers(1, 20))
def test_ticks_are_round_inside_and_few(low, span, most):
    axis = Axis(low, low + span, "V")
    if span < 1e-6 * abs(low):
        return
    ticks = axis.ticks(most)
    assert len(ticks) <= most + 1
    assert all(axis.low - span * 1e-6 <= tick <= axis.high + span * 1e-6 for tick in ticks)


TICKS = [(Axis(0.0, 20.0, "s"), [0, 5, 10, 15, 20]), (Axis(-1.1, 1.1, ""), [-1, 0, 1])]


@pytest.mark.parametrize(("axis", "ticks"), TICKS)
def test_ticks_as_an_engineer_writes_them(axis, ticks):
    assert axis.ticks(4) == ticks


def test_small_values_have_a_prefix_on_the_axis():
    axis = Axis(0.0, 0.02, "s")
    assert (axis.unit_with_prefix, [axis.label(tick) for tick in axis.ticks(4)]) == ("ms", ["0", "5", "10", "15", "20"])
    assert Axis(0.0, 130.0, "°C").unit_with_prefix == "°C"


def test_times_have_ticks_at_whole_minutes():
    axis = TimeAxis(95.0, 395.0, "s")
    assert [axis.label(tick) for tick in axis.ticks(5)] == ["0:02:00", "0:03:00", "0:04:00", "0:05:00", "0:06:00"]


def test_curves_can_be_distinguished_without_colour():
    x = [0.0, 1.0]
    plot = draw_plot(
        [Curve(x, [0.2, 0.2], StyleRole.GOOD, dotted=True), Curve(x, [0.8, 0.8], StyleRole.DOUBT)],
        (Axis(0.0, 1.0, "s"), Axis(0.0, 1.0, "V")),
        (40, 12),
        UNICODE,
    )
    joined = "".join(texts(plot.lines))
    assert "∙" in joined
    assert any("⠀" < char <= "⣿" for char in joined)


def test_a_gap_in_the_readings_is_a_gap_in_the_curve():
    x = [float(at) for at in range(40)]
    y = [0.5 if not 10 < at < 30 else math.nan for at in range(40)]
    plot = draw_plot([Curve(x, y, StyleRole.GOOD)], (Axis(0.0, 39.0, "s"), Axis(0.0, 1.0, "V")), (60, 12), ASCII)
    drawn = next(text for text in texts(plot.lines) if "*" in text)
    assert " " * 15 in drawn[plot.left :].strip()


def a_wave(frequency=50.0, start=0.0043, noise=0.0, offset=0.0):
    """Three odd harmonics, captured from any phase on for 100 ms."""
    time = np.arange(0.0, 0.1, 5e-5)
    angle = 2 * np.pi * frequency * (time + start)
    value = offset + sum(size * np.sin(order * angle) for order, size in zip((1, 3, 5), SHAPE, strict=True))
    return Waveform("line", 12.0, time, value + noise * np.random.default_rng(1).normal(size=len(time)), "A")


def a_prediction():
    time = np.linspace(0.0, 0.02, 400, endpoint=False)
    angle = 2 * np.pi * 50.0 * time
    value = sum(size * np.sin(order * angle) for order, size in zip((1, 3, 5), SHAPE, strict=True))
    return Prediction(230.0, 50.0, 25.0, {}, {}, Waveforms(time, {"mains.current": value}))


@pytest.mark.parametrize("start", [0.0, 0.0043, 0.0101, 0.0199])
def test_a_wave_is_laid_over_the_expected_one_wherever_its_capture_began(start):
    expected = expected_wave(a_prediction(), "mains.current.rms")
    folded = fold_waveform(a_wave(start=start, noise=0.01), 50.0, expected).folded
    there = np.interp(folded.time, expected.time, expected.value, period=0.02)
    assert np.sqrt(np.mean((folded.value - there) ** 2)) < 0.05
    assert np.all(np.diff(folded.time) >= 0)


@pytest.mark.parametrize("frequency", [49.4, 50.0, 50.7])
def test_the_wave_s_own_frequency_gives_its_period(frequency):
    captured = fold_waveform(a_wave(frequency), 50.0)
    assert captured.folded.period == pytest.approx(1 / frequency, rel=1e-4)
    sizes = dict(captured.harmonics)
    assert sizes[3] / sizes[1] == pytest.approx(0.5, rel=0.01)
    assert sizes[1] == pytest.approx(1 / math.sqrt(2), rel=0.01)


def test_ripple_of_a_full_wave_is_folded_into_the_mains_period():
    assert fold_waveform(a_wave(100.0, offset=22.0), 50.0).folded.period == pytest.approx(0.02, rel=1e-4)


def test_what_is_no_wave_is_refused_in_words():
    flat = Waveform("line", 1.0, np.arange(100) / 1e4, np.full(100, 3.0), "A")
    with pytest.raises(DataFileError, match="flat"):
        fold_waveform(flat, 50.0)


@pytest.mark.parametrize("symbols", [UNICODE, ASCII])
@pytest.mark.parametrize("size", [(80, 21), (120, 33), (40, 12)])
def test_the_page_shows_both_at_the_cursor(size, symbols):
    expected = expected_wave(a_prediction(), "mains.current.rms")
    measured = Folded(expected.time, 1.1 * expected.value, 0.02)
    page = WavePage("mains.current", "A", measured, expected, 12.0)
    lines = texts(wave_lines(page, 0.25, *size, symbols))
    assert len(lines) == size[1]
    assert {len(line) for line in lines} == {size[0]}
    assert lines[-1].startswith(" at 5.00 ms:   measured 770.0 mA")
    assert "captured at 0:00:12" in lines[0]
    if size[0] >= 80:
        assert "expected 700.0 mA   difference 70.0 mA" in lines[-1]
        assert "up: A, across: ms" in lines[-2]


def test_without_a_captured_wave_the_expected_one_is_shown():
    page = WavePage("mains.current", "A", None, expected_wave(a_prediction(), "mains.current.rms"))
    lines = texts(wave_lines(page, 0.25, 80, 21, UNICODE))
    assert "no wave captured yet" in lines[0]
    assert "expected only" in lines[-2]
    missing = texts(wave_lines(WavePage("x", "A", None, None, problem="no such circuit"), 0.5, 80, 21, UNICODE))
    assert "no such circuit" in missing[1]


def test_harmonics_stand_beside_the_expected_ones_and_the_limits():
    lines = harmonic_lines([(1, 1.0), (2, 0.0001), (3, 2.4), (4, 0.2)], [(1, 0.9), (3, 0.5)], 80, 21, UNICODE)
    shown = texts(lines)
    assert {len(line) for line in shown} == {80}
    assert [line[:3] for line in shown[1:]] == ["  1", "  3", "  4"], "an even order without weight takes no line"
    assert "2.40 A  (  500 mA)  of   2.30 A  104 %" in shown[2]
    assert lines[2][1].role is StyleRole.BAD
    assert lines[1][1].role is StyleRole.PLAIN
    assert "430 mA   47 %" in shown[3]
    assert "nothing is known" in texts(harmonic_lines([], [], 80, 21, UNICODE))[1]


def test_a_quantity_is_measured_on_its_trace():
    assert trace_of("mains.current.thd") == "mains.current"
