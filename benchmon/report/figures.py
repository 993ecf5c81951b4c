"""Pictures of a report, drawn by matplotlib as SVG. It comes with the extra `report`; without it there are none."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from benchmon.analyse import Analysis
from benchmon.analyse.expected import DrawnWave, to_draw
from benchmon.atomic_file import whole_file
from benchmon.bench import SWEPT, Accuracy, Channel
from benchmon.errors import BadInput
from benchmon.quantities import POINTS, format_value
from benchmon.report.document import DocumentFigure
from benchmon.report.session_reader import RecordedSession
from benchmon.session.records import TrendBin
from benchmon.signals.arrays import Floats
from benchmon.signals.harmonic_limits import limit_of
from benchmon.text import one_line
from benchmon.watch.plan import SweepRun
from benchmon.watch.plan.curves import SweepCurve
from benchmon.watch.wording import PER_CENT, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MISSING = "There are no pictures: they need matplotlib; `pip install '.[report]'` in the clone of benchmon brings it."
"""What a report says where nothing can be drawn."""

_WIDTH = 7.4
_LEFT, _RIGHT = 0.75, 0.12
"""Inches beside the axes: the same in every picture, so that times stand below each other."""
_HEAD, _FOOT = 0.26, 0.45
_ROW, _COLUMNS, _MOST_AXES = 1.05, 2, 16
_BAND = 4.0
"""An axis shows the whole expected band where that is at most so many times as wide as what was read."""
_LINE = 0.18
_PARTS = 400
_EDGE = 0.05
_COLOURS = ("#1f5a94", "#b3541e", "#3a7d44", "#7a3e8e", "#8a6d00", "#3d3d3d")
_STYLES = ("-", "--", "-.", ":")
"""Of sessions laid over each other: distinguishable without colour."""
_EXPECTED = "#8c8c8c"
_ORDERS = 40
_SETTINGS: dict[Any, Any] = {
    "font.size": 8,
    "axes.linewidth": 0.6,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "lines.linewidth": 1.0,
    "svg.hashsalt": "benchmon",
    # A channel may be called whatever its bench file likes; a dollar sign is no formula.
    "text.parse_math": False,
}


def can_draw() -> bool:
    """Return whether there is something to draw with."""
    try:
        import matplotlib as mpl  # noqa: F401, PLC0415 - an extra
    except ImportError:
        return False
    return True


@contextmanager
def _drawing(
    rows: int, height: float, above: float = _HEAD, *, columns: int = 1
) -> Iterator[tuple[Figure, Sequence[Axes], io.BytesIO]]:
    """Give a figure of axes in rows and columns, row by row, below `above` inches, and where its SVG will be."""
    import matplotlib as mpl  # noqa: PLC0415 - an extra
    from matplotlib.backends.backend_svg import FigureCanvasSVG  # noqa: PLC0415
    from matplotlib.figure import Figure  # noqa: PLC0415

    out = io.BytesIO()
    with mpl.rc_context(_SETTINGS):
        figure = Figure(figsize=(_WIDTH, height))
        FigureCanvasSVG(figure)
        axes = figure.subplots(rows, columns, squeeze=False).ravel()
        # matplotlib counts the space between axes in parts of their mean size.
        within = (_WIDTH - columns * _LEFT - _RIGHT) / columns
        figure.subplots_adjust(
            _LEFT / _WIDTH,
            _FOOT / height,
            1 - _RIGHT / _WIDTH,
            1 - above / height,
            wspace=_LEFT / within,
            hspace=0.42,
        )
        yield figure, list(axes), out
        figure.savefig(out, format="svg", metadata={"Date": None})


def trend_pictures(sessions: Sequence[RecordedSession], labels: Sequence[str] = ("",)) -> list[DocumentFigure]:
    """Return the trends of all channels, two beside each other; of several sessions laid over each other by name."""
    names = list(dict.fromkeys(channel.name for session in sessions for channel in session.channels))
    by_name = {channel.name: channel for session in reversed(sessions) for channel in session.channels}
    chosen = sorted((by_name[name] for name in names), key=lambda channel: _place(channel.quantity))
    return [_trends(sessions, labels, chosen[at : at + _MOST_AXES]) for at in range(0, len(chosen), _MOST_AXES)]


def _place(quantity: str) -> int:
    """Return the place of a quantity on the way through the circuit."""
    point = quantity.partition(".")[0]
    return POINTS.index(point) if point in POINTS else len(POINTS)


def _trends(sessions: Sequence[RecordedSession], labels: Sequence[str], channels: Sequence[Channel]) -> DocumentFigure:
    longest = max(session.duration for session in sessions)
    scale, unit = _time_unit(longest)
    above = _HEAD + (_room_for(labels) if len(sessions) > 1 else 0.0)
    rows = -(-len(channels) // _COLUMNS)
    with _drawing(rows, _ROW * rows + _FOOT + above, above, columns=_COLUMNS) as (figure, axes, out):
        for axis in axes[len(channels) :]:
            axis.set_visible(False)
        for place, (axis, channel) in enumerate(zip(axes, channels, strict=False)):
            ranges = [_trend(axis, session, channel, scale, number) for number, session in enumerate(sessions)]
            if len(sessions) == 1:
                low, high = ranges[0]
                ranges.append(_expectation(axis, sessions[0], channel, scale, most=_BAND * (high - low)))
            low, high = min(low for low, _ in ranges), max(high for _, high in ranges)
            if low < high:
                axis.set_ylim(low - _EDGE * (high - low), high + _EDGE * (high - low))
            shown = shown_unit(channel.quantity, channel.unit)
            if shown == PER_CENT:
                axis.yaxis.set_major_formatter(lambda part, _: f"{100 * part:.3g}")
            _head(axis, channel.name, shown)
            axis.set_xlim(0.0, max(longest / scale, 1e-9))
            is_last = place + _COLUMNS >= len(channels)
            axis.tick_params(labelbottom=is_last)
            if is_last:
                axis.set_xlabel(f"time since the start, {unit}")
        if len(sessions) > 1:
            _legend(figure, axes[0], labels)
    names = ", ".join(channel.name for channel in channels)
    beside = "" if len(sessions) > 1 else " Dashed is what was expected, with its uncertainty."
    off = " Hatched: no mains; what was read there may lie beyond the axis." if _has_gaps(sessions) else ""
    words = f"{names} over time; the band is from lowest to highest.{beside}{off}"
    return DocumentFigure(out.getvalue(), words)


def _has_gaps(sessions: Sequence[RecordedSession]) -> bool:
    return any(len(session.powered_parts(_PARTS)) < _PARTS for session in sessions if session.duration > 0)


def _line(number: int) -> dict[str, Any]:
    return {"color": _COLOURS[number % len(_COLOURS)], "linestyle": _STYLES[number % len(_STYLES)]}


def _room_for(labels: Sequence[str]) -> float:
    return _LINE * -(-len(labels) // 2) + 0.1


def _legend(figure: Figure, axis: Axes, labels: Sequence[str]) -> None:
    handles = [axis.plot([], [], **_line(at))[0] for at in range(len(labels))]
    figure.legend(handles, [one_line(label, 60) for label in labels], loc="upper left", ncols=2, handlelength=4)


def _trend(axis: Axes, session: RecordedSession, channel: Channel, scale: float, number: int) -> tuple[float, float]:
    """Draw one trend; return the range of values that an axis must show, (inf, -inf) where there is none."""
    if channel.name not in {one.name for one in session.channels}:
        return math.inf, -math.inf
    parts = [part for part in session.trend(channel.name, _PARTS) if part.count]
    if not parts:
        return math.inf, -math.inf
    powered = session.powered_parts(_PARTS)
    # What a channel reads without mains would squeeze all that matters into a line.
    seen = [part for part in parts if round(part.start * _PARTS / session.duration) in powered] or parts
    for start, end in _gaps(session):
        axis.axvspan(start / scale, end / scale, facecolor="none", edgecolor=_EXPECTED, hatch="////", linewidth=0)
    times = np.array([(part.start + part.end) / 2.0 for part in parts]) / scale
    low, mean, high = (
        np.array([value for part in parts if (value := getattr(part, name)) is not None])
        for name in ("lowest", "mean", "highest")
    )
    axis.fill_between(times, low, high, color=_COLOURS[number % len(_COLOURS)], alpha=0.25, linewidth=0)
    axis.plot(times, mean, **_line(number))
    return _span(seen, channel.accuracy)


def _gaps(session: RecordedSession) -> Iterator[tuple[float, float]]:
    """Yield from when until when the session had no mains, s."""
    powered, width = session.powered_parts(_PARTS), session.duration / _PARTS
    since = None
    for at in range(_PARTS + 1):
        if at < _PARTS and at not in powered:
            since = at if since is None else since
        elif since is not None:
            yield since * width, at * width
            since = None


def _expectation(
    axis: Axes, session: RecordedSession, channel: Channel, scale: float, most: float
) -> tuple[float, float]:
    """Draw what was expected, with its uncertainty; return the range of that, where above `most` that of the values."""
    expected = session.expected(channel.name, _PARTS)
    values = np.array([math.nan if one is None else one.value for one in expected])
    widths = np.array([math.nan if one is None else one.uncertainty for one in expected])
    if not np.any(np.isfinite(values)):
        return math.inf, -math.inf
    times = (np.arange(len(expected)) + 0.5) * session.duration / len(expected) / scale
    axis.plot(times, values, color=_EXPECTED, linestyle="--")
    axis.fill_between(times, values - widths, values + widths, color=_EXPECTED, alpha=0.12, linewidth=0)
    low, high = float(np.nanmin(values - widths)), float(np.nanmax(values + widths))
    return (low, high) if high - low <= most else (float(np.nanmin(values)), float(np.nanmax(values)))


def _span(parts: Sequence[TrendBin], accuracy: Accuracy) -> tuple[float, float]:
    """Return from where to where an axis goes that shows all of `parts`; what the meter cannot resolve stays small."""
    low = min(part.lowest for part in parts if part.lowest is not None)
    high = max(part.highest for part in parts if part.highest is not None)
    room = max(0.12 * (high - low), 2.0 * accuracy.of((low + high) / 2.0), 1e-9)
    return low - room, high + room


def _time_unit(longest: float) -> tuple[float, str]:
    if longest > 3 * 3600:
        return 3600.0, "h"
    return (60.0, "min") if longest > 300 else (1.0, "s")


def _head(axis: Axes, name: str, unit: str) -> None:
    """Write above an axis what it shows."""
    shown = one_line(name, 40)
    axis.set_title(f"{shown}, {unit}" if unit else shown, loc="left", fontsize=8, pad=3)


def wave_picture(wave: DrawnWave) -> DocumentFigure:
    """Return a captured wave, with the expected one dashed where there is one."""
    with _drawing(1, 2.2) as (_, axes, out):
        axis = axes[0]
        axis.plot(wave.time * 1e3, wave.values, color=_COLOURS[0])
        if wave.expected is not None and wave.expected_time is not None:
            axis.plot(wave.expected_time * 1e3, wave.expected, color=_EXPECTED, linestyle="--")
        _head(axis, wave.name, wave.unit)
        axis.set_xlabel("time, ms")
    beside = "" if wave.expected is None else " Dashed is what the bench file leads to expect."
    return DocumentFigure(out.getvalue(), f"Captured wave of {wave.name}.{beside}")


def waves_picture(name: str, unit: str, waves: Sequence[tuple[str, Floats, Floats]]) -> DocumentFigure:
    """Return waves laid over each other: each a label, times (n,) in seconds and values (n,)."""
    labels = [label for label, _, _ in waves]
    room = _room_for(labels)
    with _drawing(1, 2.2 + room, _HEAD + room) as (figure, axes, out):
        for number, (_, time, values) in enumerate(waves):
            axes[0].plot(time * 1e3, values, **_line(number))
        _head(axes[0], name, unit)
        axes[0].set_xlabel("time, ms")
        _legend(figure, axes[0], labels)
    return DocumentFigure(
        out.getvalue(), f"Captured waves of {name} over two mains periods, laid over each other by phase."
    )


def curves_picture(runs: Sequence[tuple[str, SweepRun, Sequence[SweepCurve]]]) -> DocumentFigure:
    """Return the curves of a sweep, of several sessions laid over each other: each a label, the sweep, its curves.

    The predicted band is drawn for the first of them. Of a swept resistance the axis is logarithmic.
    """
    _, first, curves = runs[0]
    shown = [one for one in curves if one.points][:_MOST_AXES]
    labels = [label for label, _, _ in runs]
    above = _HEAD + (_room_for(labels) if len(runs) > 1 else 0.0)
    rows = -(-len(shown) // _COLUMNS)
    with _drawing(rows, 1.4 * rows + _FOOT + above, above, columns=_COLUMNS) as (figure, axes, out):
        for axis in axes[len(shown) :]:
            axis.set_visible(False)
        for place, (axis, curve) in enumerate(zip(axes, shown, strict=False)):
            band = np.array([one for one in curve.predicted if math.isfinite(one[0])]).reshape(-1, 3)
            at, middle, own = band[np.argsort(band[:, 0])].T
            unit = shown_unit(curve.quantity, curve.unit)
            scale = 100.0 if unit == PER_CENT else 1.0
            middle, own = scale * middle, scale * own
            axis.plot(at, middle, color=_EXPECTED, linestyle="--")
            axis.fill_between(at, middle - own, middle + own, color=_EXPECTED, alpha=0.12, linewidth=0)
            for number, (_, _, others) in enumerate(runs):
                points = [one for other in others if other.name == curve.name for one in other.points]
                points = sorted((one for one in points if math.isfinite(one.at)), key=lambda one: one.at)
                axis.errorbar(
                    [one.at for one in points],
                    [scale * one.read.value for one in points],
                    [scale * one.read.uncertainty for one in points],
                    **_line(number) | {"marker": "o", "markersize": 3},
                )
            if first.sweep.over == "load.resistance":
                axis.set_xscale("log")
            _head(axis, curve.name, unit)
            if place + _COLUMNS >= len(shown):
                axis.set_xlabel(f"{first.sweep.over.replace('.', ' ')}, {SWEPT[first.sweep.over].unit}")
        if len(runs) > 1:
            _legend(figure, axes[0], labels)
    words = f"Sweep {first.sweep.name}: measured points with ±; dashed and shaded is what was predicted before."
    return DocumentFigure(out.getvalue(), words)


def harmonics_picture(
    name: str, unit: str, harmonics: Sequence[tuple[int, float]], *, with_limits: bool
) -> DocumentFigure:
    """Return harmonics as bars on a logarithmic scale, beside the limits of IEC 61000-3-2 class A where asked."""
    orders = [order for order, size in harmonics if order <= _ORDERS and size > 0.0]
    sizes = [size for order, size in harmonics if order <= _ORDERS and size > 0.0]
    with _drawing(1, 1.9) as (_, axes, out):
        axis: Any = axes[0]
        axis.bar(orders, sizes, width=0.7, color=_COLOURS[0])
        axis.set_yscale("log")
        axis.yaxis.set_major_formatter(lambda size, _: format_value(size, unit, 1))
        if with_limits:
            limits = [(order, limit_of(order)) for order in range(2, _ORDERS + 1)]
            known = [(order, limit) for order, limit in limits if limit is not None]
            axis.scatter([order for order, _ in known], [limit for _, limit in known], marker="_", color=_COLOURS[1])
        top = max(sizes, default=1.0)
        axis.set_ylim(top / 10 ** math.ceil(4), 2.0 * max(top, 2.3 if with_limits else top))
        axis.set_xlim(0, _ORDERS + 1)
        axis.set_xlabel("order")
        _head(axis, f"{name}, rms", "")
    beside = " Marks are the limits of IEC 61000-3-2 class A." if with_limits else ""
    return DocumentFigure(out.getvalue(), f"Harmonics of {name}.{beside}")


def write_wave(found: Analysis, path: Path, *, force: bool = False) -> None:
    """Write the wave that was asked for as an SVG file.

    Raises `BadInput` for another ending, where matplotlib is missing, and where the file cannot be written.
    """
    if path.suffix.lower() != ".svg":
        raise BadInput(f"{one_line(path, 1000)}: a picture ends in .svg; name it so")
    if not can_draw():
        raise BadInput(f"{one_line(path, 1000)}: {MISSING}")
    first = found.first
    drawn = wave_picture(to_draw(first.name, first.unit, first.wave.sampled, first.quantity, found.prediction))
    with whole_file(path, force=force) as part:
        part.write_bytes(drawn.image)
