"""The text lines of a meter that has no commands, shaped as the bench file's pattern expects them."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from benchmon.errors import BadInput
from benchmon.text import one_line

PLAIN_UNITS = {"°C": "C", "": ""}
"""How such meters spell units, where it is not the unit's own sign."""

_GROUP = re.compile(r"\(\?P<(\w+)>((?:\\.|\[\^?\]?[^\]]*\]|\(\?:[^()]*\)|[^()\\\[])*)\)")
_TOKEN = re.compile(r"(?P<nothing>\\s\*|\^|\$|\\[bAZ])|(?P<blank>\\s\+?)|\\(?P<escaped>\W)|(?P<other>.)", re.DOTALL)
_SAMPLES = (20.0, 104.5, 0.0, 7.25)


class LineFormat:
    """The line that `pattern`, a regular expression of literal text and named groups, describes.

    Groups are numbers, but for those in `texts`, which are always said so. `decimals` is how many a number should
    have; where the pattern does not take that many, others are tried. Raises `BadInput` with the reason where no line
    can be made that the pattern matches.
    """

    def __init__(self, pattern: str, decimals: Mapping[str, int], texts: Mapping[str, str]) -> None:
        try:
            self._pattern = re.compile(pattern)
        except (re.error, RecursionError, OverflowError) as problem:
            raise BadInput(f"pattern is no regular expression: {one_line(problem)}") from problem
        if not self._pattern.groupindex:
            raise BadInput("pattern has no named group such as (?P<value>[0-9.]+)")
        literals, names, bodies = (_GROUP.split(pattern)[part::3] for part in range(3))
        self._names, self._texts = names, dict(texts)
        self._literals = [_literal(text) for text in literals]
        self._forms = {name: _form(body, decimals.get(name, 1)) for name, body in zip(names, bodies, strict=True)}
        self.numbers = tuple(name for name in names if name not in texts)
        if not all(self._is_understood(value) for value in _SAMPLES):
            raise BadInput("pattern is more than literal text and named number groups, so no line can be made for it")

    def line(self, values: Mapping[str, float], overload: str = "OL") -> str:
        """Return the line that says `values`, one for each of `numbers`; `overload` is said for ±inf."""
        said = [self._say(name, values, overload) for name in self._names]
        return self._literals[0] + "".join(
            text + literal for text, literal in zip(said, self._literals[1:], strict=True)
        )

    def _say(self, name: str, values: Mapping[str, float], overload: str = "") -> str:
        if name in self._texts:
            return self._texts[name]
        return overload if math.isinf(values[name]) else format(values[name], self._forms[name])

    def _is_understood(self, value: float) -> bool:
        values = dict.fromkeys(self.numbers, value)
        match = self._pattern.fullmatch(self.line(values).strip())
        if match is None or self._pattern.groups != len(self._names):
            return False
        return all(match[name] == self._say(name, values) for name in self._names)


def _literal(text: str) -> str:
    r"""Return the plainest text that a pattern without groups matches: blanks for `\\s`, escapes undone."""
    return _TOKEN.sub(lambda token: " " if token["blank"] else token["escaped"] or token["other"] or "", text)


def _form(body: str, decimals: int) -> str:
    """Return the first form of a number, signed or not, that the group `body` takes."""
    forms = [f"{sign}.{count}f" for count in (decimals, 1, 2, 3, 4, 0) for sign in "+-"]
    forms += [f"{sign}.{count}E" for count in (4, 3, 5, 6) for sign in "+-"]
    taker = re.compile(body)
    return next((form for form in forms if all(taker.fullmatch(format(value, form)) for value in _SAMPLES)), ".1f")
