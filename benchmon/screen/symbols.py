"""The signs the screen draws with: one set for terminals that know Unicode, one for those that know only ASCII."""

from __future__ import annotations

import locale
import os
from dataclasses import dataclass

from benchmon.text import one_line

_SPELT_IN_ASCII = str.maketrans(
    {
        "±": "+-",
        "°": "",
        "\N{MICRO SIGN}": "u",
        "\N{GREEK SMALL LETTER MU}": "u",
        "\N{OHM SIGN}": "ohm",
        "\N{GREEK CAPITAL LETTER OMEGA}": "ohm",
        "…": "...",
        "–": "-",
        "—": "-",
        "−": "-",
        "×": "x",
        "÷": "/",
        "√": "root ",
        "π": "pi",
        "θ": "theta",
        "·": "-",
        "≤": "<=",
        "≥": ">=",
        "²": "2",
        "→": ">",
        "η": "eta",
        "τ": "tau",
        "β": "beta",
        "‘": "'",
        "’": "'",
        "“": '"',
        "”": '"',
    }
)
_CONSOLES_WITHOUT_SIGNS = ("linux", "vt100", "vt102", "vt220", "ansi", "dumb")


@dataclass(frozen=True, eq=False)
class SymbolSet:
    """Every sign the screen uses; each is one cell wide. `trend` and `bar` run from low to high."""

    agrees: str
    questionable: str
    disagrees: str
    unpredicted: str
    warning: str
    tripped: str
    old: str
    cursor: str
    rule: str
    ellipsis: str
    band_start: str
    band_middle: str
    band_end: str
    band_rail: str
    marker: str
    far_below: str
    far_above: str
    trend: str
    bar_start: str
    bar_full: str
    bar_room: str
    bar_warning: str
    bar_end: str
    up: str
    down: str
    group_first: str
    group_between: str
    group_last: str
    annotation: str
    bar_expected: str
    bar_final: str
    marked: str
    dot: str
    shade: str
    upright: str
    ascii_only: bool = False

    def plain(self, text: object, limit: int = 300) -> str:
        """Return `text` as one line that cannot steer the terminal, in the characters of this set."""
        line = one_line(text, limit)
        if not self.ascii_only:
            return line
        return line.translate(_SPELT_IN_ASCII).encode("ascii", "replace").decode("ascii")


UNICODE = SymbolSet(
    agrees="✓",
    questionable="?",
    disagrees="✗",
    unpredicted="·",
    warning="!",
    tripped="■",
    old="~",
    cursor="›",
    rule="─",
    ellipsis="…",
    band_start="├",
    band_middle="┼",
    band_end="┤",
    band_rail="─",
    marker="●",
    far_below="◀",
    far_above="▶",
    trend="▁▂▃▄▅▆▇█",
    bar_start="▕",
    bar_full="█",
    bar_room="·",
    bar_warning="┊",
    bar_end="▏",
    up="↑",
    down="↓",
    group_first="┌",
    group_between="│",
    group_last="└",
    annotation="╰",
    bar_expected="◇",
    bar_final="◆",
    marked="*",
    dot="∙",
    shade="░",
    upright="│",
)

ASCII = SymbolSet(
    agrees="=",
    questionable="?",
    disagrees="x",
    unpredicted=".",
    warning="!",
    tripped="#",
    old="~",
    cursor=">",
    rule="-",
    ellipsis="~",
    band_start="[",
    band_middle=":",
    band_end="]",
    band_rail="-",
    marker="O",
    far_below="<",
    far_above=">",
    trend="_.-'",
    bar_start="[",
    bar_full="#",
    bar_room=".",
    bar_warning="|",
    bar_end="]",
    up="^",
    down="v",
    group_first="/",
    group_between="|",
    group_last="\\",
    annotation="`",
    bar_expected="e",
    bar_final="h",
    marked="*",
    dot=".",
    shade=":",
    upright="|",
    ascii_only=True,
)


def needs_ascii() -> bool:
    """Return whether this terminal is known to draw ASCII only: by its encoding, its locale, or its kind.

    Where the locale is C, Python takes UTF-8 for its own (PEP 538 and 540), so the variables are asked for that.
    """
    named = os.environ.get("LC_ALL") or os.environ.get("LANG") or ""
    encoding = locale.getpreferredencoding(False).lower().replace("-", "")
    kind = os.environ.get("TERM", "")
    return named in ("C", "POSIX") or encoding != "utf8" or kind in _CONSOLES_WITHOUT_SIGNS
