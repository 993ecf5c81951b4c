"""What came out: a summary, measured values beside expected ones, margins, temperatures, and what was not measured."""

from __future__ import annotations

import math
from collections.abc import Iterator

from benchmon.prediction.ratings import Ratings
from benchmon.quantities import is_temperature
from benchmon.report import words
from benchmon.report.document import Cell, Items, Paragraph, Section, Table, Tone, Toned
from benchmon.report.findings import Finding, Findings
from benchmon.report.margin_rows import measured_margins
from benchmon.text import NOTHING, clock, duration
from benchmon.watch.plan import Outcome
from benchmon.watch.records import Flag, Forecast, Verdict


def summary_section(found: Findings) -> Section:
    """Return the result in a few sentences."""
    blocks = [Paragraph(text, tone) for text, tone in _summary(found)]
    return Section("Result", tuple(blocks))


def _summary(found: Findings) -> Iterator[tuple[str, Tone]]:
    session = found.session
    if found.tripped:
        yield f"Past its limit: {', '.join(found.tripped)}.", Tone.BAD
    judged = [one for one in found.channels if one.is_measured and one.verdict is not Verdict.UNPREDICTED]
    wrong = [one for one in judged if one.verdict is not Verdict.AGREES]
    if not judged:
        yield "No channel could be compared with an expected value.", Tone.DOUBT
    elif wrong:
        names = ", ".join(f"{one.channel.name} ({one.verdict})" for one in wrong)
        yield f"{len(judged) - len(wrong)} of {words.plural(len(judged), 'channel')} agree; not so {names}.", Tone.BAD
    else:
        compared = f"All {words.plural(len(judged), 'channel')} that could be compared"
        yield f"{compared} agree with the prediction at the end of the test.", Tone.GOOD
    if earlier := ", ".join(_disagreed_before(judged)):
        yield f"Earlier in the test disagreed for a time: {earlier}. Events and explanations tell when.", Tone.DOUBT
    silent = [one.channel.name for one in found.channels if not one.is_measured]
    if silent:
        yield f"Without a reading at the end of the test: {', '.join(silent)}.", Tone.DOUBT
    if session.is_recorded_still:
        yield "The session is still recorded; this is how it stands now.", Tone.DOUBT
    elif not session.ended_well:
        yield "The recording was cut off: its recorder did not end it.", Tone.DOUBT
    if session.channels and not found.window.is_powered:
        yield "No channel tells that the mains was on; the end of the recording is taken for the end.", Tone.DOUBT


def _disagreed_before(judged: list[Finding]) -> Iterator[str]:
    """Yield the channels that agree at the end of the test and did not all the time, with how many readings."""
    for one in judged:
        wrong, count = one.counts.get(Verdict.DISAGREES, 0), sum(one.counts.values())
        if wrong and one.verdict is Verdict.AGREES:
            yield f"{one.channel.name} ({wrong} of {words.plural(count, 'reading')})"


def readings_section(found: Findings) -> Section:
    """Return measured values beside expected ones."""
    window = found.window
    text = (
        f"Means from {clock(window.since)} to {clock(window.until)} of the session, the end of the powered "
        "time. ± is the expanded uncertainty (k = 2): the meter's accuracy and the scatter of its readings. Expected "
        "values are those in force then, which follow the measured mains where a channel reads it. En is the "
        "difference over both uncertainties (ISO 13528): up to 1 it agrees, up to 1.5 it is questionable."
    )
    head = ("channel", "quantity", "measured", "expected", "En", "verdict", "in the whole session", "flags")
    rows = tuple(_reading(one) for one in found.channels)
    if not rows:
        return Section("Measured and expected", (Paragraph("The bench has no channel."),))
    return Section("Measured and expected", (Paragraph(text), Table(head, rows, (2, 3, 4))))


def _reading(one: Finding) -> tuple[Cell, ...]:
    unit = one.channel.unit
    span = NOTHING
    if math.isfinite(one.lowest) and math.isfinite(one.highest):
        span = f"{words.number(one.lowest, unit)} to {words.number(one.highest, unit)}"
    return (
        one.channel.name,
        one.channel.quantity,
        words.measured(one.value, one.uncertainty, unit),
        words.expected(one.expected),
        words.en(one.en),
        words.verdict(one.verdict) if one.is_measured else Toned("not measured", Tone.DOUBT),
        span,
        words.flags(one.flags, one.channel),
    )


def margins_section(found: Findings, ratings: Ratings | None) -> Section:
    """Return the margins to the ratings that the bench file gives."""
    title = "Margins to ratings"
    if ratings is None:
        return Section(title, (Paragraph(f"They could not be worked out: {found.problem}", Tone.DOUBT),))
    rows = []
    for row in measured_margins(found, ratings.margins):
        worst, now = row.predicted, row.measured
        rows.append(
            (
                worst.name,
                words.number(worst.limit, worst.unit),
                words.number(worst.value, worst.unit),
                _part(worst.margin, ok=worst.ok),
                Toned("not measured", Tone.DOUBT) if now is None else words.number(now.value, now.unit),
                NOTHING if now is None else _part(now.margin, ok=now.ok),
                row.source or NOTHING,
            )
        )
    if not rows:
        return Section(title, (Paragraph("The bench file gives no rating to check against."),))
    text = (
        "Predicted is the worst state within the mains' tolerance, switching on included; measured is the end of the "
        "test."
    )
    head = ("rating", "limit", "predicted, worst", "margin", "measured", "margin", "from")
    return Section(title, (Paragraph(text), Table(head, tuple(rows), (1, 2, 3, 4, 5))))


def _part(margin: float, *, ok: bool) -> Cell:
    text = f"{100 * margin:.0f} %".replace("-", "−")
    return text if ok else Toned(f"{text}, exceeded", Tone.BAD)


def temperatures_section(found: Findings) -> Section:
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
        return Section("Temperatures", (Paragraph("No temperature was measured.", Tone.DOUBT),))
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
    return Section("Temperatures", (Table(head, rows, (1, 2, 3, 4, 5, 7)), Paragraph(text)))


def _temperature(one: Finding, forecast: Forecast | None, found: Findings) -> tuple[Cell, ...]:
    channel = one.channel
    settled = found.prediction.quantities.get(channel.quantity) if found.prediction else None
    final, reaches = NOTHING, NOTHING
    if forecast is not None and forecast.final is not None:
        final = words.measured(forecast.final, forecast.uncertainty or 0.0, "°C")
    if forecast is not None and forecast.to_limit is not None and math.isfinite(forecast.to_limit):
        reaches = f"in about {duration(forecast.to_limit)}"
    if Flag.TRIPPED in one.flags:
        reaches = "passed it"
    return (
        channel.name,
        words.measured(one.value, one.uncertainty, "°C"),
        words.number(one.highest, "°C"),
        words.number(channel.warn_above, "°C"),
        words.number(channel.trip_above, "°C"),
        final,
        reaches,
        NOTHING if channel.quantity == "ambient.temperature" else words.expected(settled),
    )


def not_measured_section(found: Findings) -> Section:
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
    return Section("Not measured", (Items(tuple(texts)),))
