"""Captured waves of a session: measures, harmonics, and pictures beside the expected wave.

Captured waves of several sessions laid over each other by phase, and their harmonics side by side.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchmon.analyse.columns import WAVES
from benchmon.analyse.expected import BINS, folded, to_draw
from benchmon.analyse.output import unit_of
from benchmon.errors import DataFileError
from benchmon.report import figures, formatting
from benchmon.report.comparison.comparison import Comparison
from benchmon.report.document import Block, DocumentSection, Emphasis, Fields, Heading, Paragraph, Table
from benchmon.report.evaluation import Findings
from benchmon.signals.arrays import Floats
from benchmon.signals.captured_wave import Wave, measure_wave
from benchmon.signals.harmonic_limits import compare_with_limits, limit_of
from benchmon.watch.records import Waveform

_SHOWN = ("rms", "mean", "ac_rms", "peak", "peak_to_peak", "frequency", "thd", "form_factor", "crest_factor")
_ORDERS = 15
_NEARLY = 0.02


def waves_section(found: Findings) -> DocumentSection:
    """Return the latest captured wave of each channel."""
    session = found.session
    if not found.waveforms:
        return DocumentSection("Waveforms and harmonics", (Paragraph("No waveform was captured."),))
    quantities = {channel.name: channel.quantity for channel in session.channels}
    blocks: list[Block] = []
    for wave in found.waveforms:
        of = quantities.get(wave.channel, "").rpartition(".")[0]
        blocks += _wave(found, wave, of if of in WAVES else "")
    return DocumentSection("Waveforms and harmonics", tuple(blocks))


def measured_wave(found: Findings, captured: Waveform) -> Wave:
    """Return a captured wave, measured; one that is too short to tell its frequency has that of the mains.

    Raises `DataFileError` for what is no wave.
    """
    try:
        return measure_wave(captured.times, captured.values)
    except DataFileError:
        known = found.of("mains.frequency")
        frequency = known.value if known is not None else found.bench.mains.frequency
        step = float(np.median(np.diff(captured.times)))
        periods = (captured.times[-1] - captured.times[0] + step) * frequency
        if abs(periods - 1.0) < _NEARLY:
            # An instrument that captures one period has one, whatever the mains' exact frequency is.
            frequency /= periods
        return measure_wave(captured.times, captured.values, frequency=float(frequency))


def _wave(found: Findings, captured: Waveform, of: str) -> list[Block]:
    told = f"{captured.channel}, captured at {formatting.clock(captured.time)}, {len(captured.times)} samples"
    try:
        wave = measured_wave(found, captured)
    except DataFileError as problem:
        return [Paragraph(f"{told}: {problem}", Emphasis.DOUBT)]
    blocks: list[Block] = [Paragraph(f"{told}:")]
    if figures.can_draw():
        drawn = to_draw(captured.channel, captured.unit, wave.sampled, of, found.prediction)
        blocks.append(figures.wave_picture(drawn))
    rows = tuple(
        (name.replace("_", " "), formatting.measured(one.value, one.uncertainty, unit_of(name, captured.unit)))
        for name, one in wave.measures.items()
        if name in _SHOWN
    )
    blocks.append(Fields(rows))
    return blocks + _harmonics(captured, wave, of)


def _harmonics(captured: Waveform, wave: Wave, of: str) -> list[Block]:
    is_line = of == "mains.current"
    limits = {one.order: one for one in compare_with_limits(wave.harmonics)} if is_line else {}
    rows = tuple(
        (
            str(order),
            formatting.number(size, captured.unit),
            formatting.number(limits[order].limit if order in limits else None, "A"),
        )
        for order, size in wave.harmonics
        if order <= _ORDERS and size > 0.005 * wave.harmonics[0][1]
    )
    head = ("order", "rms", "class A limit") if is_line else ("order", "rms")
    blocks: list[Block] = []
    if figures.can_draw():
        blocks.append(figures.harmonics_picture(captured.channel, captured.unit, wave.harmonics, with_limits=is_line))
    blocks.append(Table(head, tuple(row[: len(head)] for row in rows), (0, 1, 2)))
    if is_line:
        broken = [str(order) for order, one in limits.items() if not one.ok]
        said = f"above the limit in order {', '.join(broken)}" if broken else "every order keeps its limit"
        blocks.append(Paragraph(f"IEC 61000-3-2 class A: {said}.", Emphasis.BAD if broken else Emphasis.PLAIN))
    return blocks


_ORDERS = 15
_LINE_CURRENT = "mains.current"


def wave_comparison_section(comparison: Comparison) -> DocumentSection | None:
    """Return the waves that several sessions captured on channels of one name; None where there are none."""
    names = dict.fromkeys(wave.channel for found in comparison.found for wave in found.waveforms)
    blocks: list[Block] = []
    for name in names:
        blocks += _channel(comparison, name)
    return DocumentSection("Waveforms and harmonics", tuple(blocks)) if blocks else None


def _channel(comparison: Comparison, name: str) -> list[Block]:
    measured: list[tuple[str, Waveform, Wave]] = []
    blocks: list[Block] = [Heading(name)]
    for label, found in zip(comparison.labels, comparison.found, strict=True):
        wave = next((one for one in found.waveforms if one.channel == name), None)
        if wave is None:
            blocks.append(Paragraph(f"{label[:1]} captured no wave there.", Emphasis.DOUBT))
            continue
        try:
            measured.append((label, wave, measured_wave(found, wave)))
        except DataFileError as problem:
            blocks.append(Paragraph(f"{label[:1]}: {problem}", Emphasis.DOUBT))
    if not measured:
        return blocks
    if figures.can_draw():
        laid = [
            (label, *_two_periods(wave, found.bench.mains.frequency))
            for label, _, wave in measured
            for found in [_found(comparison, label)]
        ]
        blocks.append(figures.waves_picture(name, measured[0][1].unit, laid))
    is_line = any(_is_line(_found(comparison, label), name) for label, _, _ in measured)
    blocks.append(
        _compared_harmonics([(label[:1], wave.unit, known) for label, wave, known in measured], is_line=is_line)
    )
    return blocks


def _found(comparison: Comparison, label: str) -> Findings:
    return comparison.found[comparison.labels.index(label)]


def _is_line(found: Findings, name: str) -> bool:
    quantities = {channel.name: channel.quantity for channel in found.session.channels}
    return quantities.get(name, "").rpartition(".")[0] == _LINE_CURRENT


def _two_periods(wave: Wave, mains_frequency: float) -> tuple[Floats, Floats]:
    """Return times, s, and values over two mains periods, from phase zero of the largest component on."""
    one, frequency = folded(wave.sampled, mains_frequency)
    spectrum = np.fft.rfft(one - one.mean())
    largest = max(int(np.argmax(np.abs(spectrum))), 1)
    # Sine, not cosine: the wave begins where that component rises through zero.
    turns = (-np.angle(spectrum[largest]) - np.pi / 2.0) / (2.0 * np.pi * largest)
    placed = np.roll(one, -round(turns * BINS) % BINS)
    time: Floats = (np.arange(2 * BINS) + 0.5) / BINS / frequency
    return time, np.tile(placed, 2)


def _compared_harmonics(waves: Sequence[tuple[str, str, Wave]], *, is_line: bool) -> Table:
    head = ["order", *(label for label, _, _ in waves), *(["class A limit"] if is_line else [])]
    sizes = [dict(wave.harmonics) for _, _, wave in waves]
    shown = [
        order
        for order in range(1, _ORDERS + 1)
        if any(known.get(order, 0.0) > 0.005 * known.get(1, 0.0) for known in sizes)
    ]
    rows = tuple(
        (
            str(order),
            *(formatting.number(known.get(order), unit) for known, (_, unit, _) in zip(sizes, waves, strict=True)),
            *([formatting.number(limit_of(order), "A")] if is_line else []),
        )
        for order in shown
    )
    return Table(tuple(head), rows, tuple(range(len(head))))
