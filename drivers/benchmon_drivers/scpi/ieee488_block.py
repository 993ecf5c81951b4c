"""Blocks of IEEE 488.2, in which instruments send a wave's samples, decoded piece by piece.

A definite block begins with `#`, the number of digits that follow, and in these the number of its bytes (8.7.9); an
indefinite one with `#0`, and the end of the message ends it (8.7.10). A header word may stand before it. Samples in
text may come without a block.
"""

from __future__ import annotations

import re

from benchmon.errors import BadReply
from benchmon_drivers.number_parsing import shown

LONGEST = 4_000_000
"""The most bytes of a block, or characters of samples in text: 200,000 samples of any type."""
_LONGEST_HEADER = 64
"""The most characters before a block."""
_PIECE = 65_536
_SPACE = b" \t\r\n"
_TEXT_BEGINS = re.compile(rb"\s*(?:[:A-Za-z][\w:]{0,60}\s+)?[+\-.0-9]")
"""Samples in text, optionally after a header word."""


class BlockReply:
    """A reply as it arrives. `text` is whether samples are in text, which needs no block."""

    def __init__(self, *, text: bool = False) -> None:
        self._text = text
        self._got = bytearray()
        self._start: int | None = None
        """The position of the first data byte, None while unknown."""
        self._length: int | None = None
        """The number of data bytes, None where the end of the message ends them."""

    def take(self, piece: bytes) -> None:
        """Add the next bytes. Raises `BadReply` if the reply is no block, or too long."""
        self._got += piece
        if self._start is None:
            self._find_start()
        if len(self._got) > LONGEST + 2 * _LONGEST_HEADER:
            raise BadReply(f"sends a wave of more than {LONGEST} bytes; set a shorter record")

    @property
    def begun(self) -> bool:
        """Whether its data have begun."""
        return self._start is not None

    @property
    def missing(self) -> int:
        """The number of bytes to read next, 0 when complete.

        A reply without a length is never complete by its count: its `missing` is the size of a piece.
        """
        if self._start is None:
            return self._missing_before_data()
        if self._length is None:
            return _PIECE
        return max(0, min(_PIECE, self._start + self._length - len(self._got)))

    @property
    def is_text(self) -> bool:
        """Whether it is text without a block."""
        return self._start == 0

    @property
    def ends_itself(self) -> bool:
        """Whether it has a length, which gives its end."""
        return self._length is not None

    def data(self) -> bytes:
        """Return the data. Raises `BadReply` if there are fewer or more bytes than announced."""
        if self._start is None:
            raise BadReply(
                f'answered "{shown(bytes(self._got))}", which is not a block of samples; check the wave\'s query'
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
                f'answered "{shown(bytes(self._got))}", which is not a block of samples; check the wave\'s query'
            )

    def _missing_before_data(self) -> int:
        mark = self._got.find(b"#", 0, _LONGEST_HEADER)
        if mark < 0:
            return 1 if self._got else 2
        digit = self._got[mark + 1 : mark + 2]
        return mark + 2 + int(digit) - len(self._got) if digit else 1
