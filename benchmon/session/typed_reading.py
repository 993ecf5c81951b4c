"""A reading that a person types in, as a request to the recorder carries it: with its own time, the first key's."""

from __future__ import annotations

import re
from dataclasses import dataclass

from benchmon.errors import BadInput
from benchmon.text import one_line

KIND = "reading"
_TEXT = re.compile(r"(?:at (\d{1,8}(?:\.\d{1,6})?) s|now): (.{1,40}) = (.{1,60})")


@dataclass(frozen=True, slots=True)
class TypedReading:
    """What the display of `channel` `shows`, with its unit; at `time` in session seconds, None for now."""

    channel: str
    shows: str
    time: float | None = None

    @property
    def text(self) -> str:
        """The text of the request.

        >>> TypedReading("vout", "22.14 V", 12.5).text
        'at 12.500000 s: vout = 22.14 V'
        """
        when = "now" if self.time is None else f"at {max(self.time, 0.0):.6f} s"
        return f"{when}: {self.channel} = {self.shows}"


def read_request(text: str) -> TypedReading:
    """Return the typed reading that the text of a request holds. Raises `BadInput` where it holds none.

    >>> read_request("now: U = out = 1 V")
    TypedReading(channel='U = out', shows='1 V', time=None)
    """
    match = _TEXT.fullmatch(text)
    if match is None:
        raise BadInput(f'"{one_line(text, 120)}" is no typed reading, such as "at 12.5 s: vout = 22.14 V"')
    return TypedReading(match[2], match[3].strip(), None if match[1] is None else float(match[1]))
