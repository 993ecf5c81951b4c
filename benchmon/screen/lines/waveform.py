"""The waveform page: a captured wave folded into one mains period over the expected one, and harmonics with limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchmon.errors import DataFileError
from benchmon.quantities import format_value
from benchmon.screen.lines.plot import Axis, Curve, Drawn, Upright, axis_around, draw_plot
from benchmon.screen.lines.text import Cell, Line, fit, rule
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.session.records import StoredPrediction
from benchmon.signals.arrays import Floats
from benchmon.signals.frequency import Samples, frequency_of, samples_of
from benchmon.signals.harmonic_limits import limit_of
from benchmon.signals.measures import measure
from benchmon.text import clock
from benchmon.watch.records import Waveform

_MOST_SAMPLES = 8_000
_NEAR = 0.2
_GRID = 512


@dataclass(frozen=True)
class Folded:
    """A wave within one mains period: `time` (n,) from 0 to `period`, rising, and `value` (n,)."""

    time: Floats
    value: Floats
    period: float


def trace_of(quantity: str) -> str:
    """Return the trace of a prediction that a quantity is measured on: `mains.current` for `mains.current.rms`."""
    return ".".join(quantity.split(".")[:2])


def expected_wave(prediction: StoredPrediction | None, quantity: str) -> Folded | None:
    """Return what the wave of a quantity should look like, None where the prediction has no such trace."""
    values = None if prediction is None else prediction.waveforms.traces.get(trace_of(quantity))
    if prediction is None or values is None:
        return None
    return Folded(prediction.waveforms.time, values, 1.0 / prediction.mains_frequency)


@dataclass(frozen=True)
class FoldedWave:
    """A captured wave, folded, and its harmonics: pairs of order and rms."""

    folded: Folded
    harmonics: Sequence[tuple[int, float]]


def fold_waveform(wave: Waveform, mains_frequency: float, beside: Folded | None = None) -> FoldedWave:
    """Return a captured wave folded into one mains period, shifted to where it fits `beside` best, and its harmonics.

    A wave whose own frequency is near the mains' or twice that (ripple of a full wave) gives the period; else the
    mains frequency does. Raises `DataFileError` for what is no wave.
    """
    samples = samples_of(wave.times[:_MOST_SAMPLES], wave.values[:_MOST_SAMPLES])
    frequency = _frequency(samples, mains_frequency)
    harmonics = measure(samples.time, samples.value, frequency).harmonics
    phase = (samples.time - samples.time[0]) % (1.0 / frequency)
    folded = _sorted(phase, samples.value, 1.0 / frequency)
    if beside is not None:
        folded = _sorted((phase + _shift(folded, beside)) % folded.period, samples.value, folded.period)
    return FoldedWave(folded, harmonics)


def _sorted(phase: Floats, value: Floats, period: float) -> Folded:
    order = np.argsort(phase, kind="stable")
    return Folded(phase[order], value[order], period)


def _frequency(samples: Samples, mains: float) -> float:
    try:
        own = frequency_of(samples)
    except DataFileError:
        return mains
    near = [own / times for times in (1, 2) if abs(own / (times * mains) - 1.0) < _NEAR]
    return near[0] if near else mains


def _shift(one: Folded, other: Folded) -> float:
    """Return by how many seconds `one` must be shifted to lie on `other`: where their product is largest."""
    first, second = _on_grid(one), _on_grid(other)
    likeness = np.fft.irfft(np.fft.rfft(second) * np.fft.rfft(first).conj(), _GRID)
    return float(np.argmax(likeness)) / _GRID * one.period


def _on_grid(folded: Folded) -> Floats:
    at = np.arange(_GRID) / _GRID * folded.period
    values = np.interp(at, folded.time, folded.value, period=folded.period)
    return np.asarray(values - values.mean())


_MOST_POINTS = 400
_HIGHEST = 40
_SMALL = 0.01
_ROUNDING = 1e-6


@dataclass(frozen=True)
class WavePage:
    """What the page shows: the trace's name and unit, the two waves, when the one was captured, and what is missing."""

    trace: str
    unit: str
    measured: Folded | None
    expected: Folded | None
    captured: float | None = None
    problem: str = ""


def wave_lines(page: WavePage, cursor: float, width: int, height: int, symbols: SymbolSet) -> list[Line]:
    """Return the page; `cursor` is the place in the period whose values are shown, 0 to 1."""
    when = f"captured at {clock(page.captured)}" if page.captured is not None else "no wave captured yet"
    lines = [rule(f" wave of {page.trace}, {page.unit}", width, symbols, when)]
    waves = [wave for wave in (page.expected, page.measured) if wave is not None]
    if not waves:
        return [*lines, (Cell(fit(f" {symbols.plain(page.problem)}", width, symbols), StyleRole.DOUBT),)]
    period = waves[-1].period
    at = cursor * period
    drawn: list[Drawn] = [Upright(at, StyleRole.QUIET)]
    if page.expected is not None:
        drawn.append(_curve(page.expected, StyleRole.GOOD, dotted=page.measured is not None))
    if page.measured is not None:
        drawn.append(_curve(page.measured, StyleRole.DOUBT))
    y = axis_around([float(value) for wave in waves for value in (wave.value.min(), wave.value.max())], page.unit)
    x = Axis(0.0, period, "s")
    lines += draw_plot(drawn, (x, y), (width, max(0, height - 3)), symbols).lines
    lines.append(_legend(page, x, y, width, symbols))
    return [*lines, _at_cursor(page, at, width, symbols)]


def _curve(wave: Folded, role: StyleRole, *, dotted: bool = False) -> Curve:
    """Return a curve of at most `_MOST_POINTS` points; of more, the means of neighbours."""
    time, value = wave.time, wave.value
    if len(time) > _MOST_POINTS:
        bins = np.minimum((time / wave.period * _MOST_POINTS).astype(int), _MOST_POINTS - 1)
        count = np.bincount(bins, minlength=_MOST_POINTS)
        there = count > 0
        time = (np.bincount(bins, time, _MOST_POINTS)[there]) / count[there]
        value = (np.bincount(bins, value, _MOST_POINTS)[there]) / count[there]
    return Curve(time.tolist(), value.tolist(), role, dotted)


def _legend(page: WavePage, x: Axis, y: Axis, width: int, symbols: SymbolSet) -> Line:
    both = page.measured is not None and page.expected is not None
    shown = "expected only" if page.measured is None else "measured only"
    dots = symbols.dot * 3
    words = f"line: measured, {dots} expected" if both else shown
    axes = f"up: {y.unit_with_prefix}, across: {x.unit_with_prefix}"
    problem = f"; {page.problem}" if page.problem else ""
    return (Cell(fit(symbols.plain(f" {words}; {axes}{problem}"), width, symbols), StyleRole.QUIET),)


def _at_cursor(page: WavePage, at: float, width: int, symbols: SymbolSet) -> Line:
    parts = [f" at {format_value(at, 's', 3)}:"]
    values = []
    for name, wave in (("measured", page.measured), ("expected", page.expected)):
        if wave is not None:
            values.append(float(np.interp(at, wave.time, wave.value, period=wave.period)))
            parts.append(f"{name} {format_value(values[-1], page.unit)}")
    if len(values) == 2:
        parts.append(f"difference {format_value(values[0] - values[1], page.unit, 3)}")
    return (Cell(fit(symbols.plain("   ".join(parts)), width, symbols), StyleRole.STRONG),)


Harmonics = Sequence[tuple[int, float]]


def harmonic_lines(measured: Harmonics, expected: Harmonics, width: int, height: int, symbols: SymbolSet) -> list[Line]:
    """Return the harmonics of the line current, rms amperes, as bars beside the expected ones and class A's limits."""
    sizes, wanted = dict(measured), dict(expected)
    what = f"measured, {symbols.bar_expected} (expected)" if sizes else "expected"
    title = f" line current, rms: {what}, {symbols.bar_warning} limit of IEC 61000-3-2 class A"
    lines = [rule(title, width, symbols)]
    largest = max([*wanted.values(), *sizes.values()], default=0.0)
    sizes, wanted = _above_rounding(sizes, largest), _above_rounding(wanted, largest)
    known = {**wanted, **sizes}
    orders = [order for order in sorted(known) if order <= _HIGHEST and _worth(order, sizes, wanted, largest)]
    if not orders:
        return [*lines, (Cell(fit(" nothing is known of them yet", width, symbols), StyleRole.QUIET),)]
    words = [_words(order, sizes, wanted, symbols) for order in orders[: max(0, height - 1)]]
    room = max(8, width - 6 - max(map(len, words)))
    return lines + [
        _harmonic(order, Bar(sizes.get(order), wanted.get(order), largest), text, (room, width), symbols)
        for order, text in zip(orders, words, strict=False)
    ]


def _above_rounding(sizes: dict[int, float], largest: float) -> dict[int, float]:
    """Return harmonics with zero for what is nothing but the rounding of the others."""
    return {order: size if size > _ROUNDING * largest else 0.0 for order, size in sizes.items()}


def _worth(order: int, sizes: dict[int, float], wanted: dict[int, float], largest: float) -> bool:
    """Return whether an order is worth a line: odd ones always, even ones where there is something of them."""
    return order % 2 == 1 or max(sizes.get(order, 0.0), wanted.get(order, 0.0)) > _SMALL * max(largest, 1e-12)


@dataclass(frozen=True, slots=True)
class Bar:
    """One harmonic: measured and expected, A rms, and the length of the whole bar."""

    measured: float | None
    expected: float | None
    length: float

    @property
    def value(self) -> float:
        """Return what the bar shows: the measured size, the expected one where nothing is measured."""
        return self.measured if self.measured is not None else self.expected or 0.0


def _words(order: int, sizes: dict[int, float], wanted: dict[int, float], symbols: SymbolSet) -> str:
    value, limit = sizes.get(order, wanted.get(order, 0.0)), limit_of(order)
    words = f"{format_value(value, 'A', 3):>8}"
    if order in sizes and order in wanted:
        words += f"  ({format_value(wanted[order], 'A', 3):>8})"
    if limit is not None:
        words += f"  of {format_value(limit, 'A', 3):>8} {100 * value / limit:>4.0f} %"
    return symbols.plain(words)


def _harmonic(order: int, bar: Bar, words: str, room: tuple[int, int], symbols: SymbolSet) -> Line:
    long, width = room
    limit = limit_of(order)
    role = StyleRole.PLAIN if limit is None or bar.value <= limit else StyleRole.BAD
    text = fit(f" {words}", max(0, width - 4 - long), symbols)
    return (Cell(f" {order:>2} "), Cell(_draw_bar(bar, limit, long, symbols), role), Cell(text, role))


def _draw_bar(bar: Bar, limit: float | None, width: int, symbols: SymbolSet) -> str:
    inner = width - 2
    cells = [symbols.bar_room] * inner

    def place(size: float) -> int:
        return min(inner - 1, int(size / bar.length * inner)) if bar.length > 0 else 0

    filled = min(inner, place(bar.value) + (bar.value > 0))
    cells[:filled] = symbols.bar_full * filled
    if limit is not None and limit <= bar.length:
        cells[place(limit)] = symbols.bar_warning
    if bar.measured is not None and bar.expected is not None:
        cells[place(bar.expected)] = symbols.bar_expected
    return symbols.bar_start + "".join(cells) + symbols.bar_end
