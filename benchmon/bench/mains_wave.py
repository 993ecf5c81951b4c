"""The shape of the mains from a capture beside the bench file: `wave` of [mains] becomes `harmonics`.

The text of the bench file is changed where it stands, so that every session carries the harmonics themselves and is
read the same where the capture is not.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from benchmon.bench.toml_lines import line_of
from benchmon.errors import BadInput, DataFileError
from benchmon.quantities import FREQUENCY, parse_value
from benchmon.text import one_line

_KEY = re.compile(r"""(["']?)wave\1[ \t]*=[ \t]*(?!"{3}|'{3})(?:"(?:[^"\\\n]|\\.)*"|'[^'\n]*')""")
_HIGHEST_ORDER = 40
_SMALLEST = 0.001
"""Harmonics below this part of the fundamental are left out: no capture with eight bits tells more."""

_OTHER_FREQUENCY = 0.05
_LARGEST_CAPTURE = 50_000_000
"""Bytes: a megasample of ten digits in two columns, far more than a shape needs."""


def with_harmonics_of_wave(text: str, data: Mapping[str, Any], folder: Path) -> str:
    """Return the text of a bench file with `wave` of [mains] replaced by the harmonics of that capture.

    `data` is what the text holds as TOML, `folder` is where relative paths start. The lines stay the same ones. A text
    without `wave`, or with one that the models refuse anyway, is returned as it is. Raises `BadInput` with the reason.
    """
    mains = data.get("mains")
    if not isinstance(mains, dict) or not isinstance(mains.get("wave"), str) or {"harmonics", "voltage_thd"} & {*mains}:
        return text
    lines = text.split("\n")
    at = line_of(text, ("mains", "wave"))
    found = None if at is None else _KEY.search(lines[at - 1])
    if at is None or found is None:
        raise BadInput('write it as wave = "…" on a line of its own below [mains]')
    harmonics = _harmonics_of(folder / mains["wave"], mains.get("frequency"))
    entries = ", ".join(f'[{order}, "{100 * size:.3g} %", "{phase:.1f}°"]' for order, size, phase in harmonics)
    line, end = lines[at - 1], "\r" if lines[at - 1].endswith("\r") else ""
    changed = f"{line[: found.start()]}harmonics = [{entries}]{line[found.end() :].removesuffix(chr(13))}"
    lines[at - 1] = f"{changed}  # captured: {one_line(mains['wave'], 80)}{end}"
    return "\n".join(lines)


def _harmonics_of(path: Path, frequency: object) -> list[tuple[int, float, float]]:
    """Return order, part of the fundamental and phase in degrees of each notable harmonic of a captured voltage."""
    # They take time to load, and few bench files need them.
    from benchmon.captures.scope_file import read_capture  # noqa: PLC0415
    from benchmon.signals.measures import phasors_of  # noqa: PLC0415

    try:
        if path.is_file() and path.stat().st_size > _LARGEST_CAPTURE:
            raise BadInput(f"is larger than {_LARGEST_CAPTURE // 10**6} MB; export some tens of periods")
        capture = read_capture(path)
        column = next((column for column in capture.columns if column.unit in ("V", "")), None)
        if column is None:
            raise BadInput("has no column in volts")
        hertz, phasors = phasors_of(capture.time, column.values)
    except DataFileError as problem:
        raise BadInput(str(problem)) from problem
    try:
        nominal = parse_value(frequency, FREQUENCY)
    except BadInput:
        nominal = hertz  # The models refuse the frequency itself.
    if not abs(hertz - nominal) < _OTHER_FREQUENCY * nominal:
        raise BadInput(f"holds a wave of {hertz:.4g} Hz, and the mains has {nominal:.4g} Hz; capture the mains voltage")
    return [
        # cos(x) is sin(x + 90°), in which the bench file gives phases.
        (order, abs(part), (math.degrees(math.atan2(part.imag, part.real)) + 270.0) % 360.0 - 180.0)
        for order, part in enumerate(phasors[1:_HIGHEST_ORDER].tolist(), 2)
        if abs(part) >= _SMALLEST
    ]
