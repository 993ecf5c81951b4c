"""Plots as lines of cells: series over labelled axes, drawn by plotext, in our own roles and symbols."""

from __future__ import annotations

import math
import re
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

import plotext  # type: ignore[import-untyped]

from benchmon.quantities import PREFIXES
from benchmon.screen.lines.text import Cell, Line
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.text import clock, with_minus

_COLOURS = {StyleRole.QUIET: 8, StyleRole.GOOD: 6, StyleRole.DOUBT: 3, StyleRole.BAD: 1, StyleRole.STRONG: 7}
_ROLES = {str(colour): role for role, colour in _COLOURS.items()}
_ANSI = re.compile(r"\x1b\[([0-9;]*)m")
_IN_ASCII = str.maketrans("┌┐└┘─│┤├┬┴┼░·−", "++++-|++++++.-")
_LEAST_ROOM = 1e-15
_BLANKS = " \N{BRAILLE PATTERN BLANK}"
_ROWS_A_TICK, _COLUMNS_A_TICK = 3, 14


@dataclass(frozen=True, slots=True)
class Axis:
    """From where to where an axis goes, in SI, and its unit ("" for none)."""

    low: float
    high: float
    unit: str

    @property
    def exponent(self) -> int:
        """Return the power of ten of the prefix that its numbers are written with."""
        size = max(abs(self.low), abs(self.high))
        if self.unit in ("°C", "%", "") or size <= 0 or not math.isfinite(size):
            return 0
        return min(6, max(-9, 3 * math.floor(math.log10(size) / 3 + 1e-9)))

    @property
    def unit_with_prefix(self) -> str:
        """Return the unit of its numbers."""
        return PREFIXES[self.exponent] + self.unit

    def ticks(self, most: int) -> list[float]:
        """Return round numbers on the axis, in SI: multiples of 1, 2 or 5 of a power of ten, at most about `most`."""
        span = self.high - self.low
        if not (math.isfinite(span) and span > 0 and most > 0):
            return [self.low]
        raw = span / most
        base = 10.0 ** math.floor(math.log10(raw))
        step = next(factor * base for factor in (1, 2, 5, 10) if factor * base >= raw * (1 - 1e-9))
        first = math.ceil(self.low / step - 1e-9)
        return [step * index for index in range(first, math.floor(self.high / step + 1e-9) + 1)]

    def label(self, value: float) -> str:
        """Return a tick's number in the axis's unit with its prefix."""
        return with_minus(f"{value / 10.0**self.exponent:.6g}")


_TIME_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200, 86400)


class TimeAxis(Axis):
    """An axis of session times, in seconds, with ticks at whole minutes or hours where it is long."""

    def ticks(self, most: int) -> list[float]:
        """Return round times on the axis, at most about `most`."""
        raw = (self.high - self.low) / max(1, most)
        step = next((each for each in _TIME_STEPS if each >= raw), 86400 * max(1, math.ceil(raw / 86400)))
        return [float(step * index) for index in range(math.ceil(self.low / step), math.floor(self.high / step) + 1)]

    def label(self, value: float) -> str:
        """Return a time as a session clock."""
        return clock(value)


def axis_around(values: Sequence[float], unit: str, margin: float = 0.05) -> Axis:
    """Return an axis that holds all finite `values` with a `margin` on both sides, however little they move."""
    finite = [value for value in values if math.isfinite(value)]
    low, high = (min(finite), max(finite)) if finite else (0.0, 1.0)
    room = max((high - low) * margin or abs(high) * margin or 1.0, _LEAST_ROOM)
    return Axis(low - room, high + room, unit)


@dataclass(frozen=True, slots=True)
class Curve:
    """A line through points, finite and in SI. `dotted` draws only the points, that differs without colour too.

    Dotted points are drawn as `mark`, or as small dots where that is "".
    """

    x: Sequence[float]
    y: Sequence[float]
    role: StyleRole
    dotted: bool = False
    mark: str = ""


@dataclass(frozen=True, slots=True)
class ShadedBand:
    """What lies between two limits from each x, which rises, to the next; shaded where nothing else is drawn."""

    x: Sequence[float]
    low: Sequence[float]
    high: Sequence[float]


@dataclass(frozen=True, slots=True)
class Upright:
    """An upright line at x: the cursor."""

    x: float
    role: StyleRole = StyleRole.STRONG


Drawn = Curve | ShadedBand | Upright


@dataclass(frozen=True, slots=True)
class Plot:
    """The lines of a plot, and where its inside is: the columns left of it, and how many it has."""

    lines: list[Line]
    left: int = 0
    inner: int = 0

    def column(self, part: float) -> int:
        """Return the column of what is `part` of the way along the x axis."""
        return self.left + min(self.inner - 1, max(0, round(part * (self.inner - 1))))


def draw_plot(drawn: Sequence[Drawn], axes: tuple[Axis, Axis], size: tuple[int, int], symbols: SymbolSet) -> Plot:
    """Return a plot over the `axes` x and y, as wide and as high as `size`; the later of `drawn` lie over the former.

    Without room it has no lines.
    """
    (x, y), (width, height) = axes, size
    if width < 20 or height < 6 or not (y.high > y.low and x.high > x.low):
        return Plot([])
    figure = plotext
    figure.clf()
    figure.theme("clear")
    figure.limitsize(False, False)  # the terminal's size is none of its business
    figure.plotsize(width, height)
    figure.xlim(x.low, x.high)
    figure.ylim(y.low, y.high)
    _set_ticks(x, y, width, height)
    bands = [each for each in drawn if isinstance(each, ShadedBand)]
    for each in drawn:
        if not isinstance(each, ShadedBand):
            _draw(each, y, height, symbols)
    texts = figure.build().splitlines()[:height]
    top = _ANSI.sub("", texts[0])
    left = top.index("┌") + 1
    plot = Plot([_line(text, width, symbols) for text in texts], left, top.rindex("┐") - left)
    rows = sum(text.count("│") > 0 or text.count("┤") > 0 for text in texts[1:])
    for band in bands:
        _shade(plot, band, axes, rows, symbols)
    return plot


def _set_ticks(x: Axis, y: Axis, width: int, height: int) -> None:
    ups, acrosses = y.ticks(max(2, height // _ROWS_A_TICK)), x.ticks(max(2, width // _COLUMNS_A_TICK))
    plotext.yticks(ups, [y.label(tick) for tick in ups])
    plotext.xticks(acrosses, [x.label(tick) for tick in acrosses])


def _draw(each: Curve | Upright, y: Axis, height: int, symbols: SymbolSet) -> None:
    line = "*" if symbols.ascii_only else "braille"
    if isinstance(each, Curve):
        draw = plotext.scatter if each.dotted else plotext.plot
        marker = (each.mark or symbols.dot) if each.dotted else line
        for xs, ys in _runs(each.x, each.y):
            draw(xs, ys, marker=marker, color=_COLOURS[each.role])
    else:
        step = (y.high - y.low) / (2 * height)
        rows = [y.low + step * row for row in range(2 * height + 1)]
        plotext.scatter([each.x] * len(rows), rows, marker=symbols.upright, color=_COLOURS[each.role])


def _shade(plot: Plot, band: ShadedBand, axes: tuple[Axis, Axis], rows: int, symbols: SymbolSet) -> None:
    """Shade what is blank of the inside of `plot`, which has `rows` rows, between the limits of `band`.

    As points of a plot the shade would be ten thousands of them, and a key would wait for that.
    """
    x, y = axes
    columns = [
        _rows_between(band, x.low + (x.high - x.low) * (at + 0.5) / plot.inner, y, rows) for at in range(plot.inner)
    ]
    for row in range(rows):
        from_below = rows - 1 - row
        if any(first <= from_below <= last for first, last in columns):
            plot.lines[1 + row] = _shaded(plot.lines[1 + row], plot.left, columns, from_below, symbols)


def _rows_between(band: ShadedBand, at: float, y: Axis, rows: int) -> tuple[int, int]:
    """Return the first and the last row, from below, between the limits at `at`; where there are none, 1 and 0."""
    place = bisect_right(band.x, at) - 1
    low, high = (band.low[place], band.high[place]) if place >= 0 else (math.nan, math.nan)
    if not (math.isfinite(low) and math.isfinite(high)) or high < max(low, y.low) or low > y.high:
        return 1, 0
    first, last = (round((rows - 1) * (limit - y.low) / (y.high - y.low)) for limit in (low, high))
    return max(0, first), min(rows - 1, last)


def _shaded(line: Line, left: int, columns: Sequence[tuple[int, int]], row: int, symbols: SymbolSet) -> Line:
    """Return a row of a plot, its inside beginning at column `left`, with its blanks in the band shaded."""
    cells: list[Cell] = []
    column = -left
    for cell in line:
        places = enumerate(cell.text, column)
        marks = [
            char in _BLANKS and 0 <= at < len(columns) and columns[at][0] <= row <= columns[at][1]
            for at, char in places
        ]
        begin = 0
        for is_shaded, run in groupby(marks):
            end = begin + len(list(run))
            shade = Cell(symbols.shade * (end - begin), StyleRole.QUIET)
            cells.append(shade if is_shaded else Cell(cell.text[begin:end], cell.role))
            begin = end
        column += len(cell.text)
    return tuple(cells)


def _runs(x: Sequence[float], y: Sequence[float]) -> list[tuple[list[float], list[float]]]:
    """Return the points in runs without gaps: what is not finite parts them."""
    runs: list[tuple[list[float], list[float]]] = [([], [])]
    for at, value in zip(x, y, strict=True):
        if math.isfinite(value) and math.isfinite(at):
            runs[-1][0].append(at)
            runs[-1][1].append(value)
        elif runs[-1][0]:
            runs.append(([], []))
    return [run for run in runs if run[0]]


def _line(text: str, width: int, symbols: SymbolSet) -> Line:
    """Return one line of plotext's output, its colours turned into style roles."""
    if symbols.ascii_only:
        text = text.translate(_IN_ASCII)
    cells: list[Cell] = []
    role, last = StyleRole.PLAIN, 0
    marks = [*_ANSI.finditer(text)]
    for mark, start in [*((mark, mark.start()) for mark in marks), (None, len(text))]:
        if start > last:
            cells.append(Cell(text[last:start], role))
        if mark is not None:
            role, last = _ROLES.get(mark[1].rpartition(";")[2], StyleRole.PLAIN), mark.end()
    used = sum(cell.width for cell in cells)
    return (*cells, Cell(" " * max(0, width - used)))


def nearest(x: Sequence[float], at: float) -> int:
    """Return the place of the point of `x`, which rises, that is nearest to `at`. Raises `ValueError` where none is."""
    if not x:
        raise ValueError("there are no points")
    return min(range(len(x)), key=lambda place: abs(x[place] - at))
