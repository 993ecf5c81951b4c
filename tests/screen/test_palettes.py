"""The colours can be read on dark and on light terminals, and every tone has a look of its own in each palette."""

from __future__ import annotations

import pytest
from rich.color import ColorSystem
from rich.style import Style

from benchmon.screen.app import BenchmonApp
from benchmon.screen.styles import PALETTES, Palette, StyleRole, default_palette, palette_problem
from benchmon.screen.terminal.differential_driver import BackgroundReported

# A terminal's first eight colours, and the bright ones that many take for bold: those of the VGA text mode, and those
# that are usual under X (from memory).
VGA = (0x000000, 0xAA0000, 0x00AA00, 0xAA5500, 0x0000AA, 0xAA00AA, 0x00AAAA, 0xAAAAAA)
VGA_BRIGHT = (0x555555, 0xFF5555, 0x55FF55, 0xFFFF55, 0x5555FF, 0xFF55FF, 0x55FFFF, 0xFFFFFF)
XTERM = (0x000000, 0xCD0000, 0x00CD00, 0xCDCD00, 0x0000EE, 0xCD00CD, 0x00CDCD, 0xE5E5E5)
XTERM_BRIGHT = (0x7F7F7F, 0xFF0000, 0x00FF00, 0xFFFF00, 0x5C5CFF, 0xFF00FF, 0x00FFFF, 0xFFFFFF)
BLACK, WHITE = 0x000000, 0xFFFFFF


def luminance(colour: int) -> float:
    """Return the relative luminance of WCAG 2.1."""
    parts = [(colour >> shift & 0xFF) / 255 for shift in (16, 8, 0)]
    linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: int, other: int) -> float:
    """Return the contrast ratio of WCAG 2.1: 1 for equal colours, 21 for black on white."""
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_contrast_is_that_of_the_standard():
    assert contrast(BLACK, WHITE) == pytest.approx(21.0)
    assert contrast(0x777777, WHITE) == pytest.approx(4.48, abs=0.01)  # the well-known grey just below 4.5


def number_of(style: Style) -> int | None:
    return None if style.color is None else style.color.downgrade(ColorSystem.STANDARD).number


@pytest.mark.parametrize("palette", Palette)
@pytest.mark.parametrize(("normal", "bright"), [(VGA, VGA_BRIGHT), (XTERM, XTERM_BRIGHT)], ids=["vga", "xterm"])
def test_every_colour_can_be_read_on_its_background(palette, normal, bright):
    """WCAG 2.1 asks 4.5:1 of text (1.4.3), 3:1 of large or bold text and of signs (1.4.11).

    How light a dimmed text is on white is up to the terminal: 40 % of black is #999999, which has 2.8:1.
    """
    is_light = palette is Palette.LIGHT
    background, least = (WHITE, 4.5) if is_light else (BLACK, 3.0)
    assert not (is_light and any(style.dim for style in PALETTES[palette].values()))
    for role, style in PALETTES[palette].items():
        number = number_of(style)
        if number is None:
            continue
        assert contrast(bright[number] if style.bold else normal[number], background) >= least, role


@pytest.mark.parametrize("palette", Palette)
def test_what_is_bad_or_doubtful_looks_like_nothing_else(palette):
    styles = PALETTES[palette]
    told_apart = [StyleRole.PLAIN, StyleRole.GOOD, StyleRole.DOUBT, StyleRole.BAD, StyleRole.DANGER]
    if palette is Palette.CONTRAST:
        told_apart.remove(StyleRole.GOOD)  # what is good is as plain as can be
        assert all(style.color is None and not style.dim for style in styles.values())
    assert len({str(styles[role]) for role in told_apart}) == len(told_apart)


@pytest.mark.parametrize(
    ("environment", "palette"),
    [
        ({}, Palette.DARK),
        ({"COLORFGBG": "15;0"}, Palette.DARK),
        ({"COLORFGBG": "0;default;15"}, Palette.LIGHT),
        ({"COLORFGBG": "0;15", "BENCHMON_COLOURS": "contrast"}, Palette.CONTRAST),
        ({"BENCHMON_COLOURS": "mauve"}, Palette.DARK),
    ],
)
def test_the_palette_follows_the_terminal_unless_one_is_named(environment, palette, monkeypatch):
    for name in ("COLORFGBG", "BENCHMON_COLOURS"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert default_palette() is palette
    refused = environment.get("BENCHMON_COLOURS", "dark") not in set(Palette)
    assert refused is ("is not known: set it to dark, light, contrast" in palette_problem())


@pytest.mark.parametrize(
    ("environment", "is_wanted"),
    [({}, True), ({"COLORFGBG": "15;0"}, False), ({"BENCHMON_COLOURS": "dark"}, False), ({"NO_COLOR": "1"}, False)],
)
async def test_the_palette_follows_an_answer_where_nothing_else_decides(environment, is_wanted, make_view, monkeypatch):
    for name in ("COLORFGBG", "BENCHMON_COLOURS", "NO_COLOR"):
        monkeypatch.delenv(name, raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    app = BenchmonApp(make_view())
    assert app.wants_background() is is_wanted
    if is_wanted:
        async with app.run_test() as pilot:
            app.post_message(BackgroundReported(is_light=False))
            await pilot.pause()
            assert app.theme == Palette.DARK
            app.post_message(BackgroundReported(is_light=True))
            await pilot.pause()
            assert app.theme == Palette.LIGHT


async def test_a_key_turns_to_the_next_palette_in_every_view(make_view, agree, read_screen, monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("BENCHMON_COLOURS", "dark")
    view = make_view()
    agree(view)
    app = BenchmonApp(view)

    def colour_of_the_glance():
        [style] = {segment.style for segment in app.screen.head.render_line(0) if segment.text.strip()}
        return style.color

    async with app.run_test(size=(80, 24)) as pilot:
        assert colour_of_the_glance().name == "cyan"
        await pilot.press("k")
        await pilot.pause()
        assert colour_of_the_glance().name == "blue"
        assert any("Colours for a light terminal" in line for line in read_screen(app))
        await pilot.press("p", "k")
        await pilot.pause()
        assert "High contrast" in "\n".join(read_screen(app))
        assert colour_of_the_glance() is None
