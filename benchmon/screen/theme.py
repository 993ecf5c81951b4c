"""The terminal's own colours, as a theme for each palette, and which of them is for it."""

from __future__ import annotations

import os
from typing import Any

from textual.app import App
from textual.theme import Theme

from benchmon.screen.tones import Palette
from benchmon.text import one_line

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
"""One for each palette, of its name; the tones of a palette are looked up by it."""


def use_terminal_colours(app: App[Any]) -> None:
    """Have `app` draw in the terminal's own colours, in the palette that is usual here."""
    for theme in THEMES:
        app.register_theme(theme)
    app.theme = usual_palette()


def usual_palette() -> Palette:
    """Return the palette that `BENCHMON_COLOURS` names; else the one for the background that the terminal tells.

    Some terminals set COLORFGBG: the numbers of their two colours, of which 7 and 15 are white.
    """
    named = _named_palette()
    if named in set(Palette):
        return Palette(named)
    background = os.environ.get("COLORFGBG", "").rpartition(";")[2]
    return Palette.LIGHT if background in _LIGHT_BACKGROUNDS else Palette.DARK


def palette_complaint() -> str:
    """Return in words that `BENCHMON_COLOURS` names no palette, "" where it names one or is not set."""
    named = _named_palette()
    if not named or named in set(Palette):
        return ""
    return f"{PALETTE_VARIABLE}={one_line(named, 30)} is not known: set it to {', '.join(Palette)}; k changes it here."


def _named_palette() -> str:
    return os.environ.get(PALETTE_VARIABLE, "").strip().lower()
