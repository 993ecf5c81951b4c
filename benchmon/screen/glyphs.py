"""Large figures: digits, units and a few words in our own five by seven dots, drawn with block characters."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

DOTS_HIGH = 7
LARGEST = 8
_BETWEEN = 1

_SHAPES = {
    "0": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "1": ("  #  ", " ##  ", "# #  ", "  #  ", "  #  ", "  #  ", "#####"),
    "2": (" ### ", "#   #", "    #", "  ## ", " #   ", "#    ", "#####"),
    "3": ("#### ", "    #", "    #", " ### ", "    #", "    #", "#### "),
    "4": ("#   #", "#   #", "#   #", "#####", "    #", "    #", "    #"),
    "5": ("#####", "#    ", "#    ", "#### ", "    #", "    #", "#### "),
    "6": (" ### ", "#    ", "#    ", "#### ", "#   #", "#   #", " ### "),
    "7": ("#####", "    #", "   # ", "   # ", "  #  ", "  #  ", "  #  "),
    "8": (" ### ", "#   #", "#   #", " ### ", "#   #", "#   #", " ### "),
    "9": (" ### ", "#   #", "#   #", " ####", "    #", "    #", " ### "),
    ".": ("  ", "  ", "  ", "  ", "  ", "##", "##"),
    "-": ("   ", "   ", "   ", "###", "   ", "   ", "   "),
    "+": ("     ", "  #  ", "  #  ", "#####", "  #  ", "  #  ", "     "),
    " ": (" ",) * 7,
    "V": ("#   #", "#   #", "#   #", " # # ", " # # ", "  #  ", "  #  "),
    "A": ("  #  ", " # # ", "#   #", "#   #", "#####", "#   #", "#   #"),
    "W": ("#   #", "#   #", "#   #", "# # #", "# # #", "## ##", "#   #"),
    "C": (" ####", "#    ", "#    ", "#    ", "#    ", "#    ", " ####"),
    "H": ("#   #", "#   #", "#   #", "#####", "#   #", "#   #", "#   #"),
    "M": ("#   #", "## ##", "# # #", "# # #", "#   #", "#   #", "#   #"),
    "G": (" ####", "#    ", "#    ", "#  ##", "#   #", "#   #", " ####"),
    "z": ("     ", "     ", "#####", "   # ", "  #  ", " #   ", "#####"),
    "m": ("     ", "     ", "## # ", "# # #", "# # #", "# # #", "# # #"),
    "k": ("#   ", "#   ", "#  #", "# # ", "##  ", "# # ", "#  #"),
    "µ": ("    ", "    ", "#  #", "#  #", "#  #", "####", "#   "),
    "n": ("    ", "    ", "### ", "#  #", "#  #", "#  #", "#  #"),
    "p": ("    ", "    ", "### ", "#  #", "### ", "#   ", "#   "),
    "°": ("##", "##", "  ", "  ", "  ", "  ", "  "),
    "o": ("    ", "    ", " ## ", "#  #", "#  #", "#  #", " ## "),
    "v": ("     ", "     ", "#   #", "#   #", " # # ", " # # ", "  #  "),
    "e": ("    ", "    ", " ## ", "#  #", "####", "#   ", " ###"),
    "r": ("   ", "   ", "# #", "## ", "#  ", "#  ", "#  "),
    "u": ("    ", "    ", "#  #", "#  #", "#  #", "#  #", " ###"),
    "d": ("   #", "   #", " ###", "#  #", "#  #", "#  #", " ###"),
    "h": ("#   ", "#   ", "### ", "#  #", "#  #", "#  #", "#  #"),
    "B": ("#### ", "#   #", "#   #", "#### ", "#   #", "#   #", "#### "),
    "D": ("#### ", "#   #", "#   #", "#   #", "#   #", "#   #", "#### "),
    "E": ("#####", "#    ", "#    ", "###  ", "#    ", "#    ", "#####"),
    "I": ("###", " # ", " # ", " # ", " # ", " # ", "###"),
    "L": ("#    ", "#    ", "#    ", "#    ", "#    ", "#    ", "#####"),
    "N": ("#   #", "##  #", "# # #", "# # #", "#  ##", "#   #", "#   #"),
    "O": (" ### ", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "P": ("#### ", "#   #", "#   #", "#### ", "#    ", "#    ", "#    "),
    "R": ("#### ", "#   #", "#   #", "#### ", "# #  ", "#  # ", "#   #"),
    "S": (" ####", "#    ", "#    ", " ### ", "    #", "    #", "#### "),
    "T": ("#####", "  #  ", "  #  ", "  #  ", "  #  ", "  #  ", "  #  "),
    "U": ("#   #", "#   #", "#   #", "#   #", "#   #", "#   #", " ### "),
    "X": ("#   #", "#   #", " # # ", "  #  ", " # # ", "#   #", "#   #"),
    ":": ("  ", "##", "##", "  ", "##", "##", "  "),
    "g": ("    ", "    ", " ###", "#  #", " ###", "   #", "### "),
}
_SAME = {"–": "-", "−": "-", "μ": "µ"}
_UNKNOWN = ("####", "#  #", "#  #", "#  #", "#  #", "#  #", "####")


@dataclass(frozen=True, slots=True)
class Blocks:
    """The characters that fill a cell, its upper half and its lower half; halves are "" where there are none."""

    full: str
    upper: str = ""
    lower: str = ""


HALVES = Blocks("█", "▀", "▄")
WHOLE = Blocks("#")


def dots_wide(text: str) -> int:
    """Return how many dots `text` is wide."""
    return sum(len(_shape(char)[0]) + _BETWEEN for char in text)


def lines_high(scale: int, blocks: Blocks) -> int:
    """Return how many lines a figure takes. A dot is `scale` columns wide and half as many lines high."""
    return -(-DOTS_HIGH * scale // 2) if blocks.upper else DOTS_HIGH * max(1, scale // 2)


@lru_cache(maxsize=200)
def draw_glyph(char: str, scale: int, blocks: Blocks) -> tuple[str, ...]:
    """Return the lines of one character, with the gap behind it."""
    shape = _shape(char)
    lines = []
    for line in range(lines_high(scale, blocks)):
        upper, lower = _dots_of(line, scale, blocks)
        dots = zip(_row(shape, upper), _row(shape, lower), strict=True)
        lines.append("".join(_cell(*pair, blocks) * scale for pair in dots) + " " * (scale * _BETWEEN))
    return tuple(lines)


def _dots_of(line: int, scale: int, blocks: Blocks) -> tuple[int, int]:
    """Return the rows of dots that the upper and the lower half of a line show."""
    if blocks.upper:
        return 2 * line // scale, (2 * line + 1) // scale
    row = line // max(1, scale // 2)
    return row, row


def _row(shape: tuple[str, ...], row: int) -> str:
    return shape[row] if row < len(shape) else " " * len(shape[0])


def _cell(upper: str, lower: str, blocks: Blocks) -> str:
    if upper == lower:
        return blocks.full if upper == "#" else " "
    return blocks.upper if upper == "#" else blocks.lower


def _shape(char: str) -> tuple[str, ...]:
    return _SHAPES.get(_SAME.get(char, char), _UNKNOWN)
