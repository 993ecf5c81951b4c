"""A captured waveform drawn in the terminal, the expected one dotted over it."""

from __future__ import annotations

import shutil

from benchmon.analyse import Analysis
from benchmon.analyse.expected import to_draw
from benchmon.screen.lines.plot import Axis, Curve, axis_around, draw_plot
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import ASCII, UNICODE, needs_ascii

_PERIODS = 2.0
_HEIGHT = 16
_WIDEST = 120


def wave_as_text(found: Analysis, *, ascii_only: bool = False) -> str:
    """Return two periods of the captured waveform, as wide as the terminal, and a line with units and legend."""
    first = found.first
    wave = to_draw(first.name, first.unit, first.wave.sampled, first.quantity, found.prediction, periods=_PERIODS)
    symbols = ASCII if ascii_only or needs_ascii() else UNICODE
    drawn = [Curve(wave.time.tolist(), wave.values.tolist(), StyleRole.GOOD)]
    shown = [*drawn[0].y]
    beside = ""
    if wave.expected is not None and wave.expected_time is not None:
        drawn.append(Curve(wave.expected_time.tolist(), wave.expected.tolist(), StyleRole.QUIET, dotted=True))
        shown += wave.expected.tolist()
        beside = "; dotted: expected by the bench file"
    axes = (Axis(0.0, float(wave.time[-1]), "s"), axis_around(shown, wave.unit))
    width = min(shutil.get_terminal_size().columns, _WIDEST)
    lines = ["".join(cell.text for cell in line) for line in draw_plot(drawn, axes, (width, _HEIGHT), symbols).lines]
    unit = axes[1].unit_with_prefix or "units of the file"
    return "\n".join([*(line.rstrip() for line in lines), f"{unit} over {axes[0].unit_with_prefix}{beside}"])
