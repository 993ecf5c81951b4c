"""Captured waves of several sessions laid over each other by phase, and their harmonics side by side."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchmon.analyse.expected import BINS, folded
from benchmon.errors import DataFileError
from benchmon.report import figures, formatting
from benchmon.report.comparison.comparison import Comparison
from benchmon.report.document import Block, DocumentSection, Emphasis, Heading, Paragraph, Table
from benchmon.report.evaluation import Findings
from benchmon.report.sections.waveforms import measured_wave
from benchmon.signals.arrays import Floats
from benchmon.signals.captured_wave import Wave
from benchmon.signals.harmonic_limits import limit_of
from benchmon.watch.records import Waveform

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
