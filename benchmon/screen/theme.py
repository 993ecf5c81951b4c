"""The terminal's own colours, as a theme."""

from __future__ import annotations

from textual.theme import Theme

TERMINAL_COLOURS = Theme(
    name="terminal colours",
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
