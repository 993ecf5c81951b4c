"""What a piece of text means, and how that looks in a terminal's own colours.

The colours are the terminal's 16 named ones on its own background: they are short to send, and vanish under NO_COLOR.
Yellow and cyan are for dark terminals; on a light one they could not be read, so it has a palette of its own, without
bold where a terminal makes that too bright. High contrast has no colours and nothing dimmed. No pair that must be told
apart is red against green, and every tone also has a word or a sign beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum, StrEnum
from functools import cache

from rich.style import Style

from benchmon.watch.glance import Level


class Tone(Enum):
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


_COMMON: dict[Tone, Style] = {
    Tone.PLAIN: Style(),
    Tone.STRONG: Style(bold=True),
    Tone.CHOSEN: Style(reverse=True),
    Tone.KEY: Style(bold=True, reverse=True),
}

PALETTES: dict[Palette, dict[Tone, Style]] = {
    Palette.DARK: _COMMON
    | {
        Tone.QUIET: Style(dim=True),
        Tone.GOOD: Style(color="cyan"),
        Tone.DOUBT: Style(color="yellow", bold=True),
        Tone.BAD: Style(color="red", bold=True),
        Tone.ALERT: Style(color="yellow", bold=True, reverse=True),
        Tone.DANGER: Style(color="red", bold=True, reverse=True),
    },
    Palette.LIGHT: _COMMON
    | {
        Tone.QUIET: Style(dim=True),
        Tone.GOOD: Style(color="blue"),
        Tone.DOUBT: Style(color="magenta"),
        Tone.BAD: Style(color="red", bold=True),
        Tone.ALERT: Style(color="magenta", reverse=True),
        Tone.DANGER: Style(color="red", reverse=True),
    },
    Palette.CONTRAST: _COMMON
    | {
        Tone.QUIET: Style(),
        Tone.GOOD: Style(),
        Tone.DOUBT: Style(bold=True),
        Tone.BAD: Style(bold=True, reverse=True),
        Tone.ALERT: Style(bold=True, reverse=True),
        Tone.DANGER: Style(bold=True, reverse=True, underline=True),
    },
}


@cache
def styles_of(name: str) -> Mapping[Tone, Style]:
    """Return how the tones look in the palette of that name, in that for dark terminals where there is none."""
    return PALETTES[Palette(name) if name in set(Palette) else Palette.DARK]


LEVEL_TONES: dict[Level, Tone] = {
    Level.DANGER: Tone.DANGER,
    Level.BLIND: Tone.ALERT,
    Level.CAUTION: Tone.ALERT,
    Level.WAITING: Tone.STRONG,
    Level.AS_EXPECTED: Tone.GOOD,
    Level.ENDED: Tone.STRONG,
}
"""How a level of the glance looks."""
