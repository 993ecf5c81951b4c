"""What was tested and with what: the supply by its bench file, what follows from that, and the instruments."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from benchmon.bench import Bench, Capacitor, Channel, calibration_cautions
from benchmon.event_kinds import EventKind
from benchmon.prediction.circuit.usual_parts import source_resistance_of
from benchmon.quantities import format_value
from benchmon.report.document import Block, DocumentSection, Fields, Items, Paragraph, Table
from benchmon.report.evaluation import Findings
from benchmon.text import NOTHING, clock, one_line, with_minus
from benchmon.watch.records import Event

_OF_OUTPUTS = ("filter", "regulator", "load", "filter_2", "regulator_2", "load_2")
_SUPPLY = ("mains", "transformer", "fuse", "ntc", "rectifier", "diode", *_OF_OUTPUTS, "ambient")
_SHOWN = 200


def supply_section(found: Findings) -> DocumentSection:
    """Return the supply as its bench file has it, and what follows from that."""
    bench = found.bench
    return DocumentSection(
        "The supply",
        (
            Paragraph("As the bench file describes it:"),
            Fields(tuple(_as_written(bench))),
            Paragraph("What follows from it:"),
            Fields(tuple(_derived(found))),
        ),
    )


def _as_written(bench: Bench) -> Iterator[tuple[str, str]]:
    """Yield each part with its keys and values as the bench file has them, in the words of whoever wrote it."""
    written = tomllib.loads(bench.source)
    for name in _SUPPLY:
        part = written.get(name)
        named = (
            [(f"{name} {place}", one) for place, one in enumerate(part, 1)]
            if isinstance(part, list)
            else [(name, part)]
        )
        for title, one in named:
            if isinstance(one, dict):
                yield title, ", ".join(f"{key.replace('_', ' ')} {_value(value)}" for key, value in one.items())


def _value(value: Any) -> str:
    if isinstance(value, list):
        return "; ".join(_value(one) for one in value)
    return one_line(value, _SHOWN)


def _derived(found: Findings) -> Iterator[tuple[str, str]]:
    bench = found.bench
    transformer = bench.transformer
    unloaded, primary_volts = transformer.open_circuit_voltage, transformer.primary_voltage
    yield "a winding, unloaded", f"{format_value(unloaded, 'V')} rms at {format_value(primary_volts, 'V')}"
    yield "primary resistance", format_value(transformer.primary_resistance, "Ω")
    yield "resistance of one winding", format_value(transformer.secondary_resistance, "Ω")
    fuse = bench.fuse.resistance if bench.fuse else 0.0
    primary = (transformer.primary_resistance + source_resistance_of(bench.mains) + fuse) * transformer.ratio**2
    yield "primary circuit, referred to one winding", format_value(primary, "Ω")
    if found.prediction is None:
        return
    quantities = found.prediction.quantities
    ripple, diode = quantities.get("output.voltage.frequency"), quantities.get("diode.power.mean")
    if ripple is not None:
        yield "ripple frequency", format_value(ripple.value, "Hz")
    if diode is not None and not bench.outputs_apart:
        count = len(bench.rectifier.topology.diodes)
        yield (
            f"loss in the {count} rectifier diodes" if count > 1 else "loss in the diode",
            format_value(count * diode.value, "W"),
        )
    share = winding_share(found)
    if share is not None:
        yield "load of the windings", f"{100 * share:.0f} % of the transformer's rating"
    yield from _stored(bench, quantities.get("reservoir.voltage.peak"))
    if bench.outputs_apart:
        for name, value in _stored(bench.seen_from_output_2(), quantities.get("reservoir_2.voltage.peak")):
            yield f"{name} of output 2", value


def winding_share(found: Findings) -> float | None:
    """Return by what part of its rating the transformer is loaded, as predicted: amperes × volts of all windings."""
    transformer = found.bench.transformer
    current = found.prediction.quantities.get("secondary.current.rms") if found.prediction else None
    if transformer.rating is None or current is None:
        return None
    return current.value * transformer.full_load_voltage * transformer.secondaries / transformer.rating


def _stored(bench: Bench, peak: Any) -> Iterator[tuple[str, str]]:
    reservoir = bench.reservoir
    if reservoir is not None and peak is not None:
        joules = 0.5 * reservoir.capacitance * peak.value**2
        yield "energy in the reservoir", format_value(joules, "J")


def instruments_section(found: Findings) -> DocumentSection:
    """Return instruments with identity and settings, and channels with what they read and how exactly."""
    session = found.session
    instruments = tuple(
        (
            one.name,
            one.driver,
            one.address or NOTHING,
            session.identities.get(one.name) or "gave no identity",
        )
        for one in found.bench.instrument
    )
    channels = tuple(
        (
            channel.name,
            channel.instrument,
            channel.quantity,
            accuracy_text(channel),
            format_value(channel.period, "s", 3),
            NOTHING if math.isclose(channel.scale, 1.0) else with_minus(f"× {channel.scale:g}"),
        )
        for channel in found.bench.channel
    )
    zeros = {one.channel: one for one in session.events if one.kind == EventKind.ZERO_TAKEN and one.details is not None}
    meters = tuple(
        (
            channel.name,
            channel.meter_in_words or NOTHING,
            channel.corrections or NOTHING,
            _zero_taken(zeros[channel.name], channel) if channel.name in zeros else NOTHING,
        )
        for channel in found.bench.channel
        if channel.meter_in_words or channel.corrections or channel.name in zeros
    )
    tested = datetime.fromtimestamp(session.info.started, UTC).date()
    overdue = tuple(calibration_cautions(found.bench.channel, tested))
    blocks: list[Block] = [
        Table(("instrument", "driver", "address", "identity"), instruments),
        Paragraph("Accuracy is the meter's as given in the bench file, taken as the expanded uncertainty (k = 2)."),
        Table(("channel", "instrument", "quantity", "accuracy", "period", "ratio"), channels, (4, 5)),
    ]
    if meters:
        blocks += [
            Paragraph("Corrections are applied to every reading: (shown × ratio − zero) × gain."),
            Table(("channel", "meter", "corrections", "zero taken in the test"), meters),
        ]
    if overdue:
        blocks.append(Items(tuple(f"At the test: {words}" for words in overdue)))
    return DocumentSection("Instruments", tuple(blocks))


def _zero_taken(event: Event, channel: Channel) -> str:
    """Return the zero that was taken with shorted leads, and when."""
    zero = None if event.details is None else event.details.zero
    unit = "K" if channel.unit == "°C" else channel.unit
    return NOTHING if zero is None else f"{format_value(zero, unit, 4)} at {clock(event.time)}"


def accuracy_text(channel: Channel) -> str:
    """Return a channel's accuracy as it is used: `0.5 % + 20.00 mV`."""
    accuracy = channel.accuracy
    unit = "K" if channel.unit == "°C" else channel.unit
    parts = []
    if accuracy.relative:
        parts.append(f"{100 * accuracy.relative:g} %")
    if accuracy.absolute:
        parts.append(format_value(accuracy.absolute, unit, 3) if unit else f"{accuracy.absolute:g}")
    return " + ".join(parts)


def capacitors_of(bench: Bench) -> list[tuple[int, Capacitor]]:
    """Return the filter's capacitors with their places, from 1."""
    return [(place, part) for place, part in enumerate(bench.filter, 1) if isinstance(part, Capacitor)]
