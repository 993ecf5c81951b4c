"""The section with the result: summary, measured beside expected values, margins, temperatures, what was not measured.

Margins are those at the measured values, beside those of the worst predicted state.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass

from benchmon.bench import ResistorLoad
from benchmon.prediction.ratings.check import Ratings
from benchmon.prediction.ratings.margins import Margin, above, below
from benchmon.quantities import is_temperature
from benchmon.report import formatting
from benchmon.report.document import Cell, DocumentSection, Emphasis, Items, Paragraph, Table, Toned
from benchmon.report.evaluation import ChannelResult, Findings
from benchmon.report.sections.supply import capacitors_of
from benchmon.text import NOTHING, clock, duration, with_minus
from benchmon.watch.channel_history import CASE_TO_JUNCTION
from benchmon.watch.guess import guesses_of, off_in_words
from benchmon.watch.heating.heating import junction_from_case
from benchmon.watch.plan import Outcome
from benchmon.watch.records import Flag, Forecast, Verdict
from benchmon.watch.wording import flag_words


@dataclass(frozen=True)
class MeasuredMargin:
    """A rating: the margin predicted for the worst state, and the one at the measured value, if that is known.

    `source` says which channel, or which calculation from which channels, gave the measured value.
    """

    predicted: Margin
    measured: Margin | None
    source: str


def measured_margins(found: Findings, predicted: tuple[Margin, ...]) -> list[MeasuredMargin]:
    """Return every rating with the margin at the end of the test, where a channel measures it."""
    rows = []
    for margin in predicted:
        value, source = _measured(found, margin.name)
        made = above if margin.name == "regulator headroom" else below
        rows.append(
            MeasuredMargin(
                margin,
                made(margin.name, value, margin.limit, margin.unit) if math.isfinite(value) else None,
                source if math.isfinite(value) else "",
            )
        )
    return rows


_DIRECT = {
    "diode mean current": "diode.current.mean",
    "diode reverse voltage": "diode.voltage.reverse_peak",
    "fuse current": "mains.current.rms",
    "inrush limiter current": "mains.current.rms",
    "regulator headroom": "regulator.voltage.headroom",
    "regulator junction temperature": "regulator.temperature.junction",
}


_OF_OUTPUT_2 = " of output 2"
_AT_OUTPUT_2 = {
    "regulator headroom": ("regulator_2.voltage.headroom",),
    "regulator junction temperature": ("regulator_2.temperature.junction",),
    "load power": ("load_2.power.mean", "output_2.power.mean"),
}


def _measured_at_output_2(found: Findings, name: str) -> tuple[float, str]:
    seen = capacitors_of(found.bench.seen_from_output_2())
    first = next((place for place, _ in seen), None)
    quantities = _AT_OUTPUT_2 | {
        f"capacitor {first} voltage": ("reservoir_2.voltage.peak",),
        f"capacitor {first} ripple current": ("reservoir_2.current.rms",),
    }
    return _of(next((one for quantity in quantities.get(name, ()) if (one := found.of(quantity))), None))


def _measured(found: Findings, name: str) -> tuple[float, str]:
    if name.endswith(_OF_OUTPUT_2):
        return _measured_at_output_2(found, name.removesuffix(_OF_OUTPUT_2))
    if name in _DIRECT:
        return _of(found.of(_DIRECT[name]))
    ways: dict[str, Callable[[Findings], tuple[float, str]]] = {
        "diode junction temperature": _junction,
        "transformer apparent power": _windings,
        "load power": _load,
    }
    if name in ways:
        return ways[name](found)
    first = next((place for place, _ in capacitors_of(found.bench)), None)
    if name == f"capacitor {first} voltage":
        return _highest_on_reservoir(found)
    return _of(found.of("reservoir.current.rms")) if name == f"capacitor {first} ripple current" else (math.nan, "")


def _of(one: ChannelResult | None) -> tuple[float, str]:
    return (math.nan, "") if one is None else (one.value, one.channel.name)


def _junction(found: Findings) -> tuple[float, str]:
    """Return the junction's temperature: measured, or from the case's and the diode's loss as predicted."""
    direct = found.of("diode.temperature.junction")
    if direct is not None:
        return _of(direct)
    case, resistance = found.of("diode.temperature.case"), found.bench.diode.thermal_resistance
    power = found.prediction.quantities.get("diode.power.mean") if found.prediction else None
    if case is None or resistance is None or power is None:
        return math.nan, ""
    hot = junction_from_case(case.value, power.value, resistance, CASE_TO_JUNCTION)
    return hot, f"{case.channel.name}, and the loss as predicted"


def _windings(found: Findings) -> tuple[float, str]:
    transformer, current = found.bench.transformer, found.of("secondary.current.rms")
    if current is None:
        return math.nan, ""
    return (
        current.value * transformer.full_load_voltage * transformer.secondaries,
        f"{current.channel.name} × volts of all windings",
    )


def _load(found: Findings) -> tuple[float, str]:
    for quantity in ("load.power.mean", "output.power.mean"):
        if (direct := found.of(quantity)) is not None:
            return _of(direct)
    load, volts = found.bench.load, found.of("output.voltage.rms")
    if not isinstance(load, ResistorLoad) or found.load is not None:
        return math.nan, ""
    if volts is not None:
        return volts.value**2 / load.resistance, f"{volts.channel.name} into the load's resistance"
    mean, rest = found.of("output.voltage.mean"), found.of("output.voltage.ac_rms")
    if mean is None or rest is None:
        return math.nan, ""
    power = (mean.value**2 + rest.value**2) / load.resistance
    return power, f"{mean.channel.name} and {rest.channel.name} into the load's resistance"


def _highest_on_reservoir(found: Findings) -> tuple[float, str]:
    """Return the highest volts on the reservoir: measured, or the mean and half the ripple."""
    direct = found.of("reservoir.voltage.peak")
    if direct is not None:
        return _of(direct)
    mean, ripple = found.of("reservoir.voltage.mean"), found.of("reservoir.voltage.ripple")
    if mean is None or ripple is None:
        return math.nan, ""
    return mean.value + ripple.value / 2.0, f"{mean.channel.name} + half of {ripple.channel.name}"


def _judged(channels: Iterable[ChannelResult]) -> list[ChannelResult]:
    return [one for one in channels if one.is_measured and one.verdict is not Verdict.UNPREDICTED]


def _agreement(judged: Sequence[ChannelResult], when: str) -> tuple[str, Emphasis]:
    """Return how many channels of a time agree, and which do not."""
    wrong = [one for one in judged if one.verdict is not Verdict.AGREES]
    if wrong:
        names = ", ".join(f"{one.channel.name} ({one.verdict})" for one in wrong)
        agree = f"{len(judged) - len(wrong)} of {formatting.plural(len(judged), 'channel')} agree with the prediction"
        return f"{agree}, but not {names}.", Emphasis.BAD
    every = "Both" if len(judged) == 2 else f"All {len(judged)}"
    agree = f"{every} channels that could be compared agree"
    if len(judged) == 1:
        agree = f"{judged[0].channel.name}, the one channel that could be compared, agrees"
    return f"{agree} with the prediction {when}.", Emphasis.GOOD


def summary(found: Findings) -> Iterator[tuple[str, Emphasis]]:
    """Yield the result in a few sentences, each with how it is set off."""
    session = found.session
    if found.tripped:
        yield f"Past its limit: {', '.join(found.tripped)}.", Emphasis.BAD
    judged, when = _judged(found.channels), "at the end of the test"
    if not judged:
        # What a person typed counts for the state in which it was typed: in a last step that was skipped nothing was.
        step = next((one for one in reversed(found.steps) if _judged(one.channels)), None)
        if step is None:
            yield "No channel could be compared with an expected value.", Emphasis.DOUBT
        else:
            name = step.stage.step.name
            yield (
                f"Nothing could be compared at the end of the test. {name} is the last step with readings.",
                Emphasis.DOUBT,
            )
            judged, when = _judged(step.channels), f"at the end of {name}"
    if judged:
        yield _agreement(judged, when)
    if earlier := ", ".join(_disagreed_before(judged)):
        yield (
            f"Some disagreed earlier in the test: {earlier}. The events and explanations have the times.",
            Emphasis.DOUBT,
        )
    silent = [one.channel.name for one in found.channels if not one.is_measured]
    if silent:
        yield f"Without a reading at the end of the test: {', '.join(silent)}.", Emphasis.DOUBT
    if session.is_recorded_still:
        yield "The session is still recorded; this is how it stands now.", Emphasis.DOUBT
    elif not session.ended_well:
        yield "The recording was cut off: its recorder did not end it.", Emphasis.DOUBT
    if session.channels and not found.window.is_powered:
        yield "No channel shows that the mains was on; the end of the recording is taken for the end.", Emphasis.DOUBT


def _disagreed_before(judged: list[ChannelResult]) -> Iterator[str]:
    """Yield the channels that agree at the end of the test and did not all the time, with how many readings."""
    for one in judged:
        wrong, count = one.counts.get(Verdict.DISAGREES, 0), sum(one.counts.values())
        if wrong and one.verdict is Verdict.AGREES:
            yield f"{one.channel.name} ({wrong} of {formatting.plural(count, 'reading')})"


def readings_section(found: Findings) -> DocumentSection:
    """Return measured values beside expected ones."""
    window = found.window
    text = (
        f"Means from {clock(window.since)} to {clock(window.until)} of the session, the end of the powered "
        "time. ± is the expanded uncertainty (k = 2): the meter's accuracy and the scatter of its readings. Expected "
        "values are those in force then, which follow the measured mains where a channel reads it. En is the "
        "difference over both uncertainties (ISO 13528): up to 1 it agrees, up to 1.5 it is questionable."
    )
    head = ("channel", "measured", "expected", "En", "verdict", "flags", "in the whole session")
    rows = tuple(_reading(one) for one in found.channels)
    if not rows:
        return DocumentSection("Measured and expected", (Paragraph("The bench has no channel."),))
    return DocumentSection("Measured and expected", (Paragraph(text), Table(head, rows, (1, 2, 3))))


def _reading(one: ChannelResult) -> tuple[Cell, ...]:
    unit = one.shown_unit
    span = NOTHING
    if math.isfinite(one.lowest) and math.isfinite(one.highest):
        span = f"{formatting.number(one.lowest, unit)} to {formatting.number(one.highest, unit)}"
    return (
        one.channel.name,
        formatting.reading_of(one),
        formatting.expected(one.expected, one.channel.quantity),
        formatting.en(one.en),
        formatting.verdict(one.verdict) if one.is_measured else Toned("not measured", Emphasis.DOUBT),
        formatting.flags(one.end_flags, one.channel),
        f"{span}; {', '.join(earlier)}" if (earlier := flag_words(one.flags - one.end_flags, one.channel)) else span,
    )


def guesses_section(found: Findings) -> DocumentSection | None:
    """Return what a learner guessed beside what was expected and measured, None where nobody guessed.

    A guess typed in a step of the plan stands beside the end of that step, any other beside the end of the test.
    """
    steps = {step.place: step for step in found.steps}
    rows = []
    for guess in guesses_of(found.session.events):
        step = steps.get(guess.step) if guess.step is not None else None
        results = found.channels if step is None else step.channels
        one = next((each for each in results if each.channel.name == guess.channel), None)
        if one is None:
            continue
        unit = one.shown_unit
        expected = None if one.expected is None else one.expected.value
        before = "no reading yet" if guess.read is None else f"it read {formatting.number(guess.read, unit)}"
        rows.append(
            (
                one.channel.name,
                "end of the test" if step is None else f"step {step.place}, {step.stage.step.name}",
                formatting.number(guess.value, unit),
                formatting.expected(one.expected, one.channel.quantity),
                formatting.reading_of(one),
                with_minus(off_in_words(guess.value, expected, one.channel.unit)) or NOTHING,
                f"{clock(guess.time)}, {before}",
            )
        )
    if not rows:
        return None
    text = (
        "Typed before the screen showed what was expected. Readings were in sight all the time, so the last column "
        "says what the channel read when its guess was typed."
    )
    head = ("channel", "at", "guessed", "expected", "measured", "guess against expected", "typed at")
    return DocumentSection("Guessed, expected and measured", (Paragraph(text), Table(head, tuple(rows), (2, 3, 4))))


def margins_section(found: Findings, ratings: Ratings | None) -> DocumentSection:
    """Return the margins to the ratings that the bench file gives."""
    title = "Margins to ratings"
    if ratings is None:
        return DocumentSection(title, (Paragraph(f"They could not be worked out: {found.problem}", Emphasis.DOUBT),))
    rows = []
    for row in measured_margins(found, ratings.margins):
        worst, now = row.predicted, row.measured
        rows.append(
            (
                worst.name,
                formatting.number(worst.limit, worst.unit),
                formatting.number(worst.value, worst.unit),
                _part(worst.margin, ok=worst.ok),
                Toned("not measured", Emphasis.DOUBT) if now is None else formatting.number(now.value, now.unit),
                NOTHING if now is None else _part(now.margin, ok=now.ok),
                row.source or NOTHING,
            )
        )
    if not rows:
        return DocumentSection(title, (Paragraph("The bench file gives no rating to check against."),))
    text = (
        "Predicted is the worst state within the mains' tolerance, switching on included; measured is the end of the "
        "test."
    )
    head = ("rating", "limit", "predicted, worst", "margin", "measured", "margin", "from")
    return DocumentSection(title, (Paragraph(text), Table(head, tuple(rows), (1, 2, 3, 4, 5))))


def _part(margin: float, *, ok: bool) -> Cell:
    text = with_minus(f"{100 * margin:.0f} %")
    return text if ok else Toned(f"{text}, exceeded", Emphasis.BAD)


def temperatures_section(found: Findings) -> DocumentSection:
    """Return temperatures at the end, where they were going, and their limits."""
    latest: dict[str, Forecast] = {
        one.channel: one for one in found.session.forecasts if one.time <= found.window.until + 1.0
    }
    rows = tuple(
        _temperature(one, latest.get(one.channel.name), found)
        for one in found.channels
        if is_temperature(one.channel.quantity)
    )
    if not rows:
        return DocumentSection("Temperatures", (Paragraph("No temperature was measured.", Emphasis.DOUBT),))
    head = (
        "channel",
        "measured",
        "highest",
        "warning",
        "limit",
        "settles at",
        "reaches its limit",
        "expected, settled",
    )
    text = "Where it settles is extrapolated from the rise itself, as known at the end of the test."
    return DocumentSection("Temperatures", (Table(head, rows, (1, 2, 3, 4, 5, 7)), Paragraph(text)))


def _temperature(one: ChannelResult, forecast: Forecast | None, found: Findings) -> tuple[Cell, ...]:
    channel = one.channel
    settled = found.prediction.quantities.get(channel.quantity) if found.prediction else None
    final, reaches = NOTHING, NOTHING
    if forecast is not None and forecast.final is not None:
        final = formatting.measured(forecast.final, forecast.uncertainty or 0.0, "°C")
    if forecast is not None and forecast.to_limit is not None and math.isfinite(forecast.to_limit):
        reaches = f"in about {duration(forecast.to_limit)}"
    if Flag.TRIPPED in one.flags:
        reaches = "passed it"
    return (
        channel.name,
        formatting.measured(one.value, one.uncertainty, "°C"),
        formatting.number(one.highest, "°C"),
        formatting.number(channel.warn_above, "°C"),
        formatting.number(channel.trip_above, "°C"),
        final,
        reaches,
        NOTHING if channel.quantity == "ambient.temperature" else formatting.expected(settled, channel.quantity),
    )


def not_measured_section(found: Findings) -> DocumentSection:
    """Return what the session leaves open."""
    read = {one.channel.quantity for one in found.channels if one.is_measured}
    texts = []
    if found.prediction is not None:
        missing = [quantity for quantity in found.prediction.quantities if quantity not in read]
        if missing:
            texts.append(f"Predicted, but read by no channel at the end of the test: {', '.join(missing)}.")
    undone = [f"{stage.step.name} ({stage.outcome})" for stage in found.stages if stage.outcome is not Outcome.DONE]
    if undone:
        texts.append(f"Steps of the plan that were not done: {'; '.join(undone)}.")
    texts += [
        f"{one.channel.name} gave no usable reading at the end of the test."
        for one in found.channels
        if not one.is_measured
    ]
    if not found.waveforms:
        texts.append("No waveform was captured.")
    texts.append(
        "Insulation, earth continuity, leakage current, electromagnetic emission and whatever else safety rules ask "
        "for are not measured by benchmon."
    )
    return DocumentSection("Not measured", (Items(tuple(texts)),))
