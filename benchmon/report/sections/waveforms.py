"""Captured waves of a session: measures, harmonics, and pictures beside the expected wave."""

from __future__ import annotations

import numpy as np

from benchmon.analyse.columns import WAVES
from benchmon.analyse.expected import to_draw
from benchmon.analyse.output import unit_of
from benchmon.bench import Accuracy
from benchmon.errors import DataFileError
from benchmon.report import figures, formatting
from benchmon.report.document import Block, DocumentSection, Emphasis, Fields, Paragraph, Table
from benchmon.report.evaluation import Findings
from benchmon.signals.captured_wave import Wave, measure_wave
from benchmon.signals.harmonic_limits import compare_with_limits
from benchmon.text import clock
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
    """Return a captured wave, measured, with the accuracy of its channel in the uncertainties.

    One that is too short to show its frequency has that of the mains.

    Raises `DataFileError` for what is no wave.
    """
    channel = next((one for one in found.session.channels if one.name == captured.channel), None)
    accuracy = Accuracy() if channel is None else channel.accuracy
    try:
        return measure_wave(captured.times, captured.values, accuracy=accuracy)
    except DataFileError:
        known = found.of("mains.frequency")
        frequency = known.value if known is not None else found.bench.mains.frequency
        step = float(np.median(np.diff(captured.times)))
        periods = (captured.times[-1] - captured.times[0] + step) * frequency
        if abs(periods - 1.0) < _NEARLY:
            # An instrument that captures one period has one, whatever the mains' exact frequency is.
            frequency /= periods
        return measure_wave(captured.times, captured.values, frequency=float(frequency), accuracy=accuracy)


def _wave(found: Findings, captured: Waveform, of: str) -> list[Block]:
    title = f"{captured.channel}, captured at {clock(captured.time)}, {len(captured.times)} samples"
    try:
        wave = measured_wave(found, captured)
    except DataFileError as problem:
        return [Paragraph(f"{title}: {problem}", Emphasis.DOUBT)]
    blocks: list[Block] = [Paragraph(f"{title}:")]
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
        words = f"above the limit in order {', '.join(broken)}" if broken else "every order keeps its limit"
        blocks.append(Paragraph(f"IEC 61000-3-2 class A: {words}.", Emphasis.BAD if broken else Emphasis.PLAIN))
    return blocks
