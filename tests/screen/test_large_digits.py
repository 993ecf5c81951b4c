"""Large figures: legible from afar at every size, the worst in sight, and only digits that change are painted."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.quantities import UNITS
from benchmon.screen.app import BenchmonApp
from benchmon.screen.lines.large_digits import HALVES, WHOLE, dots_wide, draw_glyph, lines_high
from benchmon.screen.lines.numbers import live_number, scale_of
from benchmon.watch.records import Flag, Forecast


def glyphs_of(text, scale=1, blocks=HALVES):
    """`text` in large glyphs, as lines."""
    return ["".join(row).rstrip() for row in zip(*(draw_glyph(char, scale, blocks) for char in text), strict=True)]


@pytest.fixture
def bench(make_view, agree):
    view = make_view()
    agree(view, 60.0)
    return view


@given(st.floats(allow_nan=True), st.sampled_from(sorted(set(UNITS.values()))), st.integers(1, 6))
def test_every_number_the_screen_shows_has_glyphs(value, unit, scale):
    scale_ = scale_of(unit, value, None)
    text = f"{live_number(value, scale_)} {scale_.unit}"
    unknown = draw_glyph("\N{SNOWMAN}", scale, HALVES)
    for char in text:
        drawn = draw_glyph(char, scale, HALVES)
        assert drawn != unknown, char
        assert len(drawn) == lines_high(scale, HALVES)
        assert {len(line) for line in drawn} == {scale * dots_wide(char)}


def test_a_dot_is_as_wide_as_it_is_high():
    assert glyphs_of("1", 2) == ["    ██", "  ████", "██  ██", "    ██", "    ██", "    ██", "██████████"]
    assert glyphs_of("1", 1) == [" ▄█", "▀ █", "  █", "▀▀▀▀▀"]
    assert glyphs_of("-", 2, WHOLE)[3] == "######"


@pytest.mark.parametrize("char", "0123456789")
def test_no_two_digits_look_alike(char):
    assert all(glyphs_of(char) != glyphs_of(other) for other in "0123456789" if other != char)


@pytest.mark.parametrize(("size", "least"), [((80, 24), 2), ((120, 36), 2), ((200, 60), 3)])
async def test_figures_fill_the_room(size, least, bench, judge, read_screen):
    bench.push(judge("output voltage", 24.17, 24.0))
    app = BenchmonApp(bench)
    async with app.run_test(size=size) as pilot:
        await pilot.press("b")
        await pilot.pause()
        lines = read_screen(app)
        assert lines[0].startswith(" ✓ As expected")
        assert all(len(line) == size[0] for line in lines)
        text = "\n".join(line.rstrip() for line in lines)
        assert "output voltage  agrees" in text
        assert "expected 24.0 ± 1.0 V   +0.7 %" in text
        top = glyphs_of("24.17 V", least)[0]
        assert any(top.strip() in line for line in lines), "two metres need a dot of at least two columns"
        await pilot.press("b")
        assert len(app.screen_stack) == 1


async def test_marked_channels_are_the_ones_shown(bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("down", "space", "down", "space")
        await pilot.pause()
        assert sum(line[19] == "*" for line in read_screen(app)) == 2, "a mark stands behind the name"
        await pilot.press("b")
        await pilot.pause()
        text = "\n".join(read_screen(app))
        assert "mains current  agrees" in text
        assert "mains power  agrees" in text
        assert "output voltage" not in text
        await pilot.press("escape", "space", "up", "space", "b")
        await pilot.pause()
        assert "output voltage" in "\n".join(read_screen(app))


async def test_danger_is_the_largest_word(bench, judge, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("b")
        bench.push(Forecast("diode case", 60.0, "rising", 0.2, 118.0, 6.0, 220.0, 150.0, 300.0))
        app.follow()
        await pilot.pause()
        assert any(glyphs_of("CAUTION 3:40")[0].strip() in line for line in read_screen(app))
        bench.push(judge("transformer", 112.0, 60.0, flags=[Flag.TRIPPED]), now=400.0)
        app.follow()
        await pilot.pause()
        lines = read_screen(app)
        assert "Switch off now" in lines[0]
        assert any(glyphs_of("DANGER")[0].strip() in line for line in lines)


@pytest.mark.parametrize("size", [(20, 6), (40, 12), (10, 3), (250, 70)])
async def test_any_size_shows_the_figures_somehow(size, bench, read_screen):
    app = BenchmonApp(bench)
    async with app.run_test(size=size) as pilot:
        await pilot.press("b")
        await pilot.pause()
        assert all(len(line) == size[0] for line in read_screen(app))


async def test_without_unicode_figures_are_ascii(bench, read_screen):
    app = BenchmonApp(bench, ascii_only=True)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("b")
        await pilot.pause()
        text = "\n".join(read_screen(app))
        assert text.isascii()
        assert "####" in text
