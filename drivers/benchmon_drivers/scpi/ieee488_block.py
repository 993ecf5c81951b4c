"""A wave's samples as an instrument sends them: a block of IEEE 488.2, which is found in what comes piece by piece.

A definite block begins with `#`, the number of digits that follow, and in these the number of its bytes (8.7.9); an
indefinite one with `#0`, and the end of the message ends it (8.7.10). A header word may stand before it. Samples in
text may come without a block.
"""

from __future__ import annotations

import re

from benchmon.errors import BadReply
from benchmon_drivers.number_parsing import shown

LONGEST = 4_000_000
"""Bytes of a block, or characters of samples in text: 200,000 samples of any kind."""
_LONGEST_HEADER = 64
"""Characters that may stand before a block."""
_PIECE = 65_536
_SPACE = b" \t\r\n"
_TEXT_BEGINS = re.compile(rb"\s*(?:[:A-Za-z][\w:]{0,60}\s+)?[+\-.0-9]")
"""Samples in text, perhaps behind a header word."""


class BlockReply:
    """One reply as it grows. `text` says that samples come as text, which needs no block around it."""

    def __init__(self, *, text: bool = False) -> None:
        self._text = text
        self._got = bytearray()
        self._start: int | None = None
        """Where its data begin, None while that is not known."""
        self._length: int | None = None
        """Bytes of its data, None where the end of the message ends them."""

    def take(self, piece: bytes) -> None:
        """Take what came next. Raises `BadReply` where this is no block, or one that is longer than allowed."""
        self._got += piece
        if self._start is None:
            self._find_start()
        if len(self._got) > LONGEST + 2 * _LONGEST_HEADER:
            raise BadReply(f"sends a wave of more than {LONGEST} bytes; set a shorter record")

    @property
    def begun(self) -> bool:
        """Return whether its data have begun."""
        return self._start is not None

    @property
    def missing(self) -> int:
        """Return how many bytes to ask for next, 0 where all are there.

        What has no length of its own is never complete by itself: its `missing` is a piece of any size.
        """
        if self._start is None:
            return self._missing_before_data()
        if self._length is None:
            return _PIECE
        return max(0, min(_PIECE, self._start + self._length - len(self._got)))

    @property
    def is_text(self) -> bool:
        """Return whether it is text without a block around it."""
        return self._start == 0

    @property
    def ends_itself(self) -> bool:
        """Return whether its own length tells its end."""
        return self._length is not None

    def data(self) -> bytes:
        """Return its data. Raises `BadReply` where they are fewer or more than it announced."""
        if self._start is None:
            raise BadReply(
                f'answered "{shown(bytes(self._got))}", which is no block of samples; check the wave\'s query'
            )
        if self._length is None:
            return bytes(self._got[self._start :]).rstrip(b"\r\n") if self._text else self._without_end()
        end = self._start + self._length
        if len(self._got) < end:
            raise BadReply(f"ended after {len(self._got) - self._start} of the {self._length} bytes that it announced")
        if self._got[end:].strip(_SPACE):
            raise BadReply(f"goes on after the {self._length} bytes that it announced")
        return bytes(self._got[self._start : end])

    def _without_end(self) -> bytes:
        """Return the data without the one line feed that ends the message."""
        assert self._start is not None  # noqa: S101 - for the type checker
        data = bytes(self._got[self._start :])
        return data[:-1] if data.endswith(b"\n") else data

    def _find_start(self) -> None:
        mark = self._got.find(b"#", 0, _LONGEST_HEADER)
        if mark < 0:
            self._start_without_block()
            return
        digit = self._got[mark + 1 : mark + 2]
        if not digit:
            return
        if not digit.isdigit():
            raise BadReply(f'answered "{shown(bytes(self._got[: mark + 9]))}", which begins no block')
        count = int(digit)
        if count == 0:
            self._start = mark + 2
            return
        digits = self._got[mark + 2 : mark + 2 + count]
        if digits and not digits.isdigit():
            raise BadReply(f'answered "{shown(bytes(self._got[: mark + 12]))}", a block without a length')
        if len(digits) == count:
            self._start, self._length = mark + 2 + count, int(digits)
            if self._length > LONGEST:
                raise BadReply(f"announces a wave of {self._length} bytes, more than {LONGEST}; set a shorter record")

    def _start_without_block(self) -> None:
        begun = self._got.lstrip(_SPACE)
        if self._text and _TEXT_BEGINS.match(self._got):
            self._start = 0
        elif len(self._got) >= _LONGEST_HEADER or (begun and self._got.endswith(b"\n")):
            raise BadReply(
                f'answered "{shown(bytes(self._got))}", which is no block of samples; check the wave\'s query'
            )

    def _missing_before_data(self) -> int:
        mark = self._got.find(b"#", 0, _LONGEST_HEADER)
        if mark < 0:
            return 1 if self._got else 2
        digit = self._got[mark + 1 : mark + 2]
        return mark + 2 + int(digit) - len(self._got) if digit else 1
