"""Following a file that another program adds lines to, also where it is cut short or replaced by a new one."""

from __future__ import annotations

import os
from pathlib import Path
from typing import IO

LONGEST_LINE = 16_384
_CHUNK = 65_536
_REMEMBERED = 64
"""Bytes before the place read up to, by which a file that was written anew is known."""


class GrowingFile:
    """A file of text lines, read from its end on. Lines come without their ends; the first may be a `header`."""

    def __init__(self, path: Path, *, header: bool) -> None:
        self._path, self._header = path, header
        self._file: IO[bytes] | None = None
        self._begin()

    def open(self) -> None:
        """Begin after what is there already: nobody can tell how old that is. Raises `OSError`."""
        self.close()
        self._file = self._path.open("rb", buffering=0)
        self._begin()
        size = os.fstat(self._file.fileno()).st_size
        first, ended, _ = os.pread(self._file.fileno(), LONGEST_LINE, 0).partition(b"\n")
        if self._header and not ended:
            return
        self.head = first.rstrip(b"\r") if self._header else b""
        self._behind = os.pread(self._file.fileno(), _REMEMBERED, max(0, size - _REMEMBERED))
        self._place = size
        self._begun = bool(self._behind) and not self._behind.endswith(b"\n")

    def close(self) -> None:
        """Let go of the file."""
        file, self._file = self._file, None
        if file is not None:
            file.close()

    def lines(self) -> list[bytes]:
        """Return the lines that were completed since the last call, those of one chunk at most. Raises `OSError`."""
        if self._file is None:
            return []
        data = self._new(self._file)
        if not data and self._was_replaced(self._file):
            self._file.close()
            self._file = self._path.open("rb", buffering=0)
            self._begin()
            data = self._new(self._file)
        return self._split(data)

    def _begin(self) -> None:
        self._place = 0
        self._part = b""
        self._begun = False
        """Whether the line that comes next began before it was read, so that it is none."""
        self._behind = b""
        self.head = b""
        """The first line of the file that is followed now, once it is there."""

    def _new(self, file: IO[bytes]) -> bytes:
        """Return what was added; where the file was cut short and written anew, all that is there."""
        start = self._place - len(self._behind)
        data = os.pread(file.fileno(), _CHUNK + len(self._behind), start)
        if not data.startswith(self._behind):
            self._begin()
            data = os.pread(file.fileno(), _CHUNK, 0)
        data = data[len(self._behind) :]
        self._place += len(data)
        self._behind = (self._behind + data)[-_REMEMBERED:]
        return data

    def _was_replaced(self, file: IO[bytes]) -> bool:
        try:
            now = self._path.stat()
        except FileNotFoundError:
            return False
        ours = os.fstat(file.fileno())
        return (now.st_dev, now.st_ino) != (ours.st_dev, ours.st_ino)

    def _split(self, data: bytes) -> list[bytes]:
        *whole, self._part = (self._part + data).split(b"\n")
        if whole and self._begun:
            del whole[0]
            self._begun = False
        if len(self._part) > LONGEST_LINE:
            self._part, self._begun = b"", True
        if whole and self._header and not self.head:
            self.head = whole.pop(0).rstrip(b"\r")
        return [line.rstrip(b"\r") for line in whole if len(line) <= LONGEST_LINE]
