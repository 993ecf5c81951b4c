"""A bench file as text: sections with their keys, each with the comment that says what it is."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field

_COMMENT_AT = 34
_WIDTH = 118

TomlValue = str | int | float | Sequence["TomlValue"]


@dataclass(slots=True)
class TextSection:
    """A section of a bench file: its heading as TOML has it, and keys with values and comments.

    `hints` are keys to fill in once they are measured, each with why; they stand as comments below the others.
    """

    heading: str
    comment: str = ""
    entries: list[tuple[str, TomlValue, str]] = field(default_factory=list)
    hints: list[tuple[str, TomlValue, str]] = field(default_factory=list)

    def add(self, key: str, value: TomlValue | None, comment: str = "") -> None:
        """Add a key; None is a value that was left out, and leaves the key out."""
        if value is not None:
            self.entries.append((key, value, comment))

    def value(self, key: str) -> str:
        """Return the value of a key as text, "" where it is not there."""
        return next((str(value) for name, value, _ in self.entries if name == key), "")

    @property
    def text(self) -> str:
        """Return the section as TOML."""
        lines = [_with_comment(self.heading, self.comment)] if self.heading else []
        lines += [_with_comment(f"{key} = {toml(value)}", comment) for key, value, comment in self.entries]
        for key, value, comment in self.hints:
            lines += [f"# {comment}, take the # away:", f"# {key} = {toml(value)}"]
        return "\n".join(lines)


def toml(value: TomlValue) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, str):
        # JSON's strings are TOML's basic strings, save for DEL, which TOML wants escaped.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int | float):
        return repr(value)
    return f"[{', '.join(toml(each) for each in value)}]"


def _with_comment(line: str, comment: str) -> str:
    if not comment:
        return line
    together = f"{line:<{_COMMENT_AT}} # {comment}"
    return together if len(together) <= _WIDTH else f"# {comment}\n{line}"


def bench_text(parts: Sequence[tuple[str, Sequence[TextSection]]]) -> str:
    """Return a whole bench file: parts with a title, each of sections."""
    blocks = []
    for title, sections in parts:
        if title:
            blocks.append(f"# ---- {title} {'-' * max(3, _WIDTH - 8 - len(title))}")
        blocks += [section.text for section in sections]
    return "\n\n".join(blocks) + "\n"
