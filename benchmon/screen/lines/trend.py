"""The pages of curves: what a channel read over time, with the events marked, and what a sweep took over its values.

Both lie in the band that was expected.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from benchmon.bench import Channel
from benchmon.event_kinds import traits_of
from benchmon.quantities import Expected
from benchmon.screen.lines.events import event_words
from benchmon.screen.lines.plot import Axis, Curve, Drawn, Plot, ShadedBand, TimeAxis, Upright, axis_around, draw_plot
from benchmon.screen.lines.text import Cell, Line, fit, rule, width_of, wrap
from benchmon.screen.session_state import SessionState
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.session.records import TrendBin
from benchmon.text import clock
from benchmon.watch.plan import SweepRun
from benchmon.watch.plan.curves import MeasuredFigure, SweepCurve, curves_of, figures_of, unit_of_swept
from benchmon.watch.records import Event
from benchmon.watch.wording import PER_CENT, shown_unit, value_in_words, value_with_uncertainty

_BY_SEVERITY = "!dsnha."


@dataclass(frozen=True, slots=True)
class TrendPage:
    """What the page shows: a channel from `since` to `until` (session seconds), in parts, with what was expected.

    Where it is `zoomed` the axis holds the readings alone, else the expected band as well.
    """

    channel: Channel
    since: float
    until: float
    parts: tuple[TrendBin, ...] = ()
    wanted: tuple[Expected | None, ...] = ()
    problem: str = ""
    zoomed: bool = False


def trend_lines(
    page: TrendPage, events: Sequence[Event], cursor: float, size: tuple[int, int], symbols: SymbolSet
) -> list[Line]:
    """Return the page as wide and high as `size`; `cursor` is the place in the span whose values are shown, 0 to 1."""
    width, height = size
    name = symbols.plain(page.channel.name)
    unit = symbols.plain(shown_unit(page.channel.quantity, page.channel.unit))
    span = f"{clock(page.since)} to {clock(page.until)}"
    zoomed = ", zoomed to the readings" if page.zoomed else ""
    lines = [rule(f" trend of {name}{f', {unit}' if unit else ''}{zoomed}", width, symbols, span)]
    if not any(part.count for part in page.parts):
        words = page.problem or "no readings in this span"
        return [*lines, (Cell(fit(f" {symbols.plain(words)}", width, symbols), StyleRole.QUIET),)]
    shown = [event for event in events if _belongs(event, page)]
    plot = _plot(page, cursor, width, height - 4, symbols)
    lines += [*plot.lines, _marks(shown, page, plot, width, symbols)]
    lines.append(_at_cursor(page, cursor, width, symbols))
    return [*lines, _nearest_event(shown, page, cursor, width, symbols)]


def _plot(page: TrendPage, cursor: float, width: int, height: int, symbols: SymbolSet) -> Plot:
    at = page.since + cursor * (page.until - page.since)
    middles = [(part.start + part.end) / 2 for part in page.parts]
    unit = shown_unit(page.channel.quantity, page.channel.unit)
    scale = _scale(unit)
    means = [math.nan if part.mean is None else scale * part.mean for part in page.parts]
    lows = [math.nan if part.lowest is None else scale * part.lowest for part in page.parts]
    highs = [math.nan if part.highest is None else scale * part.highest for part in page.parts]
    below = [math.nan if wanted is None else scale * (wanted.value - wanted.uncertainty) for wanted in page.wanted]
    above = [math.nan if wanted is None else scale * (wanted.value + wanted.uncertainty) for wanted in page.wanted]
    drawn: list[Drawn] = [Upright(at, StyleRole.QUIET)]
    if len(below) == len(page.parts):
        drawn.append(ShadedBand([part.start for part in page.parts], below, above))
    if any(part.count > 1 for part in page.parts):
        drawn += [
            Curve(middles, lows, StyleRole.DOUBT, dotted=True),
            Curve(middles, highs, StyleRole.DOUBT, dotted=True),
        ]
    drawn.append(Curve(middles, means, StyleRole.GOOD))
    band = [] if page.zoomed else _seen(below, above, lows, highs)
    y = axis_around([*lows, *highs, *band], unit)
    x = TimeAxis(page.since, page.until, "s")
    return draw_plot(drawn, (x, y), (width, height), symbols)


def _seen(below: Sequence[float], above: Sequence[float], lows: Sequence[float], highs: Sequence[float]) -> list[float]:
    """Return the band's limits within the plot: not where they would flatten all that was read."""
    read = [value for value in (*lows, *highs) if math.isfinite(value)]
    room = 10 * (max(read) - min(read)) + 0.05 * max(abs(value) for value in read)
    return [value for value in (*below, *above) if min(read) - room <= value <= max(read) + room]


def _belongs(event: Event, page: TrendPage) -> bool:
    own = event.channel in ("", page.channel.name)
    return own and page.since <= event.time <= page.until and sign_of(event) != ""


def sign_of(event: Event) -> str:
    """Return the sign that marks an event under the plot, "" where it has none."""
    return traits_of(event.kind).mark


def _marks(events: Iterable[Event], page: TrendPage, plot: Plot, width: int, symbols: SymbolSet) -> Line:
    """Return the line of marks under the plot; where several coincide, the most severe."""
    signs = [" "] * width
    for event in events:
        at = plot.column((event.time - page.since) / max(page.until - page.since, 1e-9))
        sign = sign_of(event)
        if at < width and (signs[at] == " " or _BY_SEVERITY.index(sign) < _BY_SEVERITY.index(signs[at])):
            signs[at] = sign
    return (Cell(fit("".join(signs), width, symbols), StyleRole.DOUBT),)


def _at_cursor(page: TrendPage, cursor: float, width: int, symbols: SymbolSet) -> Line:
    """Return what was read and expected at the cursor; where that has no room, less of how the readings spread."""
    index = min(len(page.parts) - 1, int(cursor * len(page.parts)))
    part, unit = page.parts[index], shown_unit(page.channel.quantity, page.channel.unit)
    mean = value_in_words(part.mean, unit) if part.count and part.mean is not None else "no reading"
    spread = ""
    if part.count > 1 and part.lowest is not None and part.highest is not None:
        spread = f"{value_in_words(part.lowest, unit)} to {value_in_words(part.highest, unit)}"
    wanted = page.wanted[index] if index < len(page.wanted) else None
    expected = "" if wanted is None else f"expected {value_with_uncertainty(wanted.value, wanted.uncertainty, unit)}"
    at = f" at {clock((part.start + part.end) / 2)}:"
    counted = f"{spread} in {part.count} readings" if spread else ""
    for between, how in (("   ", counted), ("  ", counted), ("  ", spread), ("  ", "")):
        text = symbols.plain(between.join(words for words in (at, mean, how, expected) if words))
        if width_of(text) <= width:
            break
    return (Cell(fit(text, width, symbols), StyleRole.STRONG),)


def _nearest_event(events: Sequence[Event], page: TrendPage, cursor: float, width: int, symbols: SymbolSet) -> Line:
    """Return the event nearest to the cursor, or what the marks mean where there is none."""
    meaning = " below the plot: s step, n note, h typed, d drift, ! alarm or disagreement"
    if not events:
        return (Cell(fit(symbols.plain(meaning), width, symbols), StyleRole.QUIET),)
    at = page.since + cursor * (page.until - page.since)
    event = min(events, key=lambda each: abs(each.time - at))
    words = f" {sign_of(event)} {clock(event.time)} {event_words(event)}"
    return (Cell(fit(symbols.plain(words, 1000), width, symbols), StyleRole.DOUBT),)


_BAND_PARTS = 120


def sweep_lines(state: SessionState, chosen: int, size: tuple[int, int], symbols: SymbolSet) -> list[Line]:
    """Return the page of a sweep as wide and high as `size`, with its curve `chosen`, counted from 0 and around."""
    (width, height), sweeps = size, state.plan.sweeps
    run = sweeps.current or sweeps.runs.get(state.sweep) or sweeps.latest
    if run is None:
        words = "This bench has no sweep. Add [[sweep]] to its bench file; `benchmon manual plan` shows one."
        return [(Cell(f" {piece}"),) for piece in wrap(symbols.plain(words), max(1, width - 2))]
    over = run.sweep.over.replace(".", " ")
    lines = [rule(f" sweep {symbols.plain(run.sweep.name)} over {over}", width, symbols, str(run.state))]
    lines.append((Cell(fit(f" {symbols.plain(run.in_words())}", width, symbols), StyleRole.STRONG),))
    channels = state.info.bench.channel
    figures = [_figure_words(one) for one in figures_of(run, channels)]
    lines += [(Cell(fit(f" {symbols.plain(words)}", width, symbols)),) for words in figures]
    hidden = {each.channel.name for each in state.channels if each.is_hidden}
    curves = [replace(one, predicted=()) if one.name in hidden else one for one in curves_of(run, channels)]
    curves = [one for one in curves if one.points or one.predicted]
    if not curves:
        words = "Enter begins it: each value is asked for, and taken when the readings stand still."
        return [*lines, *((Cell(f" {piece}", StyleRole.QUIET),) for piece in wrap(words, max(1, width - 2)))]
    curve = curves[chosen % len(curves)]
    about = f" {curve.name} ({chosen % len(curves) + 1} of {len(curves)}): {_point_words(curve)}"
    lines.append((Cell(fit(symbols.plain(about), width, symbols), StyleRole.GOOD),))
    axes = _sweep_axes(run, curve)
    if axes is None:
        return lines
    x, y = axes
    measured, swept = _with_unit("measured", y), _with_unit(over, x)
    scales = f" {symbols.marker} {measured}, on the predicted band, over {swept}"
    lines.append((Cell(fit(symbols.plain(scales), width, symbols), StyleRole.QUIET),))
    return [*lines, *draw_plot(_sweep_curves(curve, symbols), axes, (width, height - len(lines)), symbols).lines]


def _with_unit(words: str, axis: Axis) -> str:
    return f"{words} in {axis.unit_with_prefix}" if axis.unit_with_prefix else words


def _figure_words(one: MeasuredFigure) -> str:
    part = 0.01 if one.unit == "%" else 1.0
    words = f"{one.name} {value_with_uncertainty(part * one.value, part * one.uncertainty, one.unit)}"
    if one.expected is None or one.expected_uncertainty is None:
        return words
    return (
        f"{words}, predicted {value_with_uncertainty(part * one.expected, part * one.expected_uncertainty, one.unit)}"
    )


def _point_words(curve: SweepCurve) -> str:
    if not curve.points:
        return "predicted; no point taken yet"
    read, unit = curve.points[-1].read, shown_unit(curve.quantity, curve.unit)
    words = value_with_uncertainty(read.value, read.uncertainty, unit)
    if read.expected is None or read.expected_uncertainty is None:
        return words
    return f"{words}, expected {value_with_uncertainty(read.expected, read.expected_uncertainty, unit)}"


def _scale(unit: str) -> float:
    return 100.0 if unit == PER_CENT else 1.0


def _measured(curve: SweepCurve) -> tuple[list[float], list[float]]:
    """Return where points were measured, rising, and what was read there, as it is drawn."""
    points = sorted((one.at, one.read.value) for one in curve.points if math.isfinite(one.at))
    scale = _scale(shown_unit(curve.quantity, curve.unit))
    return [at for at, _ in points], [scale * value for _, value in points]


def _predicted(curve: SweepCurve) -> list[tuple[float, float, float]]:
    scale = _scale(shown_unit(curve.quantity, curve.unit))
    return sorted((at, scale * value, scale * own) for at, value, own in curve.predicted if math.isfinite(at))


def _sweep_axes(run: SweepRun, curve: SweepCurve) -> tuple[Axis, Axis] | None:
    """Return the axes that hold measured points and predicted band, None where there are less than two of both."""
    (ats, values), band = _measured(curve), _predicted(curve)
    ats = [*ats, *(one[0] for one in band)]
    if len(ats) < 2:
        return None
    limits = [value + side * own for _, value, own in band for side in (-1.0, 1.0)]
    y = axis_around([*values, *limits], shown_unit(curve.quantity, curve.unit))
    return axis_around(ats, unit_of_swept(run), 0.02), y


def _sweep_curves(curve: SweepCurve, symbols: SymbolSet) -> list[Drawn]:
    band = _predicted(curve)
    fine = _interpolated(band) if len(band) > 1 else []
    return [
        ShadedBand([one[0] for one in fine], [one[1] - one[2] for one in fine], [one[1] + one[2] for one in fine]),
        Curve([one[0] for one in fine], [one[1] for one in fine], StyleRole.QUIET),
        Curve(*_measured(curve), StyleRole.GOOD, dotted=True, mark=symbols.marker),
    ]


def _interpolated(band: Sequence[tuple[float, float, float]]) -> list[tuple[float, float, float]]:
    """Return a predicted band at many values between its own, straight from one to the next."""
    first, last = band[0][0], band[-1][0]
    found = []
    for part in range(_BAND_PARTS + 1):
        at = first + (last - first) * part / _BAND_PARTS
        place = min(max(1, sum(one[0] <= at for one in band)), len(band) - 1)
        (left, low, own), (right, high, other) = band[place - 1 : place + 1]
        share = (at - left) / (right - left)
        found.append((at, low + share * (high - low), own + share * (other - own)))
    return found
