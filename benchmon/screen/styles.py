"""What a piece of text means, and how that looks in a terminal's own colours.

The colours are the terminal's 16 named ones on its own background: they are short to send, and vanish under NO_COLOR.
Yellow and cyan are for dark terminals; on a light one they could not be read, so it has a palette of its own: nothing
is dimmed, which some terminals make a light grey, and no colour is bold, which some make bright. High contrast has no
colours and nothing dimmed either. No pair that must be distinguished is red against green, and every role also has a
word or a sign beside it.

Each palette is also a Textual theme.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from enum import Enum, StrEnum
from functools import cache
from typing import Any

from rich.style import Style
from textual.app import App
from textual.theme import Theme

from benchmon.text import one_line
from benchmon.watch.status import Level


class StyleRole(Enum):
    """What a piece of text means."""

    PLAIN = "plain"
    STRONG = "strong"
    QUIET = "quiet"
    GOOD = "good"
    DOUBT = "doubt"
    BAD = "bad"
    ALERT = "alert"
    DANGER = "danger"
    CHOSEN = "chosen"
    KEY = "key"

    # Each is there once; Enum's own way, by the name, is taken for every cell of every frame.
    __hash__ = object.__hash__


class Palette(StrEnum):
    """What the colours are for."""

    DARK = "dark"
    LIGHT = "light"
    CONTRAST = "contrast"


_COMMON: dict[StyleRole, Style] = {
    StyleRole.PLAIN: Style(),
    StyleRole.STRONG: Style(bold=True),
    StyleRole.CHOSEN: Style(reverse=True),
    StyleRole.KEY: Style(bold=True, reverse=True),
}

PALETTES: dict[Palette, dict[StyleRole, Style]] = {
    Palette.DARK: _COMMON
    | {
        StyleRole.QUIET: Style(dim=True),
        StyleRole.GOOD: Style(color="cyan"),
        StyleRole.DOUBT: Style(color="yellow", bold=True),
        StyleRole.BAD: Style(color="red", bold=True),
        StyleRole.ALERT: Style(color="yellow", bold=True, reverse=True),
        StyleRole.DANGER: Style(color="red", bold=True, reverse=True),
    },
    Palette.LIGHT: _COMMON
    | {
        StyleRole.QUIET: Style(),
        StyleRole.GOOD: Style(color="blue"),
        StyleRole.DOUBT: Style(color="magenta"),
        StyleRole.BAD: Style(color="red"),
        StyleRole.ALERT: Style(color="magenta", reverse=True),
        StyleRole.DANGER: Style(color="red", reverse=True),
    },
    Palette.CONTRAST: _COMMON
    | {
        StyleRole.QUIET: Style(),
        StyleRole.GOOD: Style(),
        StyleRole.DOUBT: Style(bold=True),
        StyleRole.BAD: Style(bold=True, reverse=True),
        StyleRole.ALERT: Style(bold=True, reverse=True),
        StyleRole.DANGER: Style(bold=True, reverse=True, underline=True),
    },
}


@cache
@cache
def styles_of(name: str) -> Mapping[StyleRole, Style]:
    """Return how the roles look in the palette of that name, in that for dark terminals where there is none."""
    return PALETTES[Palette(name) if name in set(Palette) else Palette.DARK]


LEVEL_ROLES: dict[Level, StyleRole] = {
    Level.DANGER: StyleRole.DANGER,
    Level.BLIND: StyleRole.ALERT,
    Level.CAUTION: StyleRole.ALERT,
    Level.WAITING: StyleRole.STRONG,
    Level.AS_EXPECTED: StyleRole.GOOD,
    Level.ENDED: StyleRole.STRONG,
}
"""How a level of the status looks."""


PALETTE_VARIABLE = "BENCHMON_COLOURS"
_LIGHT_BACKGROUNDS = ("7", "15")

THEMES = tuple(
    Theme(
        name=str(palette),
        ansi=True,
        primary="ansi_cyan",
        secondary="ansi_cyan",
        warning="ansi_yellow",
        error="ansi_red",
        success="ansi_cyan",
        accent="ansi_cyan",
        foreground="ansi_default",
        background="ansi_default",
        surface="ansi_default",
        panel="ansi_default",
        boost="ansi_default",
        variables={
            "ansi-background": "ansi_default",
            "ansi-foreground": "ansi_default",
            "input-cursor-background": "ansi_cyan",
            "input-cursor-foreground": "ansi_black",
            "input-cursor-text-style": "reverse",
        },
    )
    for palette in Palette
)
"""One for each palette, of its name; the roles of a palette are looked up by it."""


def use_terminal_colours(app: App[Any]) -> None:
    """Have `app` draw in the terminal's own colours, in the palette that is usual here."""
    for theme in THEMES:
        app.register_theme(theme)
    app.theme = default_palette()


def wants_background() -> bool:
    """Return whether the terminal must be asked for its background: neither a variable nor NO_COLOR decides."""
    is_named = _named_palette() in set(Palette)
    return not (is_named or os.environ.get("COLORFGBG") or os.environ.get("NO_COLOR"))


def follow_background(app: App[Any], *, is_light: bool) -> None:
    """Turn to the palette for a light terminal, unless the user has turned to another than the usual one."""
    if is_light and app.theme == default_palette():
        app.theme = Palette.LIGHT


def default_palette() -> Palette:
    """Return the palette that `BENCHMON_COLOURS` names; else the one for the background that the terminal reports.

    Some terminals set COLORFGBG: the numbers of their two colours, of which 7 and 15 are white.
    """
    named = _named_palette()
    if named in set(Palette):
        return Palette(named)
    background = os.environ.get("COLORFGBG", "").rpartition(";")[2]
    return Palette.LIGHT if background in _LIGHT_BACKGROUNDS else Palette.DARK


def palette_problem() -> str:
    """Return in words that `BENCHMON_COLOURS` names no palette, "" where it names one or is not set."""
    named = _named_palette()
    if not named or named in set(Palette):
        return ""
    return f"{PALETTE_VARIABLE}={one_line(named, 30)} is not known: set it to {', '.join(Palette)}; k changes it here."


def _named_palette() -> str:
    return os.environ.get(PALETTE_VARIABLE, "").strip().lower()
