"""What commands print: tables for people, one JSON object for programs."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from textwrap import fill, wrap
from typing import TYPE_CHECKING, Any

from benchmon.bench import load_in_words
from benchmon.findings import wording_of
from benchmon.prediction.circuit.parts import unit_of_part
from benchmon.prediction.ratings.cautions import usual_cautions
from benchmon.quantities import POINTS, format_value
from benchmon.text import finite, one_line, table, with_minus
from benchmon.watch.records import Flag
from benchmon.watch.verdict import en_as_text
from benchmon.watch.wording import (
    expected_in_words,
    expected_words,
    flag_words,
    likelihood_in_words,
    value_words,
    with_uncertainty,
)

if TYPE_CHECKING:
    from benchmon.bench import Bench, SetLoad
    from benchmon.instruments.connection_test import Tried
    from benchmon.instruments.types import Port
    from benchmon.new_bench.transformer_tests import IncomingTransformer
    from benchmon.prediction import Prediction
    from benchmon.prediction.curves.sweep import SweepPrediction
    from benchmon.prediction.ratings.check import Ratings
    from benchmon.prediction.ratings.choosing import PrimaryFuseChoice, ReservoirChoice


_WIDEST = 80


def as_json(content: dict[str, Any]) -> str:
    """Return `content` as one JSON object; numbers that are not finite become null."""
    return json.dumps(finite(content), ensure_ascii=False, allow_nan=False, indent=2)


def prediction_as_dict(bench: Bench, prediction: Prediction) -> dict[str, Any]:
    """Return a prediction in the form of the contract."""
    return {
        "title": bench.title,
        "mains": {"voltage": prediction.mains_voltage, "frequency": prediction.mains_frequency},
        "quantities": {
            name: {key: value for key, value in asdict(expected).items() if value is not None}
            for name, expected in prediction.quantities.items()
        },
        "harmonics": {name: [list(pair) for pair in pairs] for name, pairs in prediction.harmonics.items()},
        "findings": [asdict(finding) for finding in prediction.findings],
    }


def prediction_as_text(bench: Bench, prediction: Prediction, load: SetLoad = None) -> str:
    """Return a prediction as tables, one for each point of the circuit; `load` is another than the bench file's."""
    loaded = "" if load is None else " without load," if load == "open" else f" into {load_in_words(load)},"
    lines = [
        one_line(bench.title),
        (
            f"At {prediction.mains_voltage:.1f} V, {prediction.mains_frequency:.4g} Hz and "
            f"{with_minus(f'{prediction.ambient:.0f}')} °C,{loaded} settled. ± is the expanded uncertainty (k = 2)."
        ),
    ]
    for point in POINTS:
        rows = [
            (name.removeprefix(f"{point}."), expected_in_words(expected, name))
            for name, expected in prediction.quantities.items()
            if name.partition(".")[0] == point
        ]
        if rows:
            lines += ["", table((point, "should read"), rows)]
    if any(expected.low is not None for expected in prediction.quantities.values()):
        lines += ["", fill(_LIMITS, _WIDEST)]
    lines += _not_given(prediction)
    lines += ["", _harmonics(prediction.harmonics["mains.current"]), ""]
    if prediction.findings:
        lines += [*(fill(f"! {wording_of(each)}", _WIDEST, subsequent_indent="  ") for each in prediction.findings), ""]
    lines.append(fill(" ".join(usual_cautions(bench)), _WIDEST))
    return "\n".join(lines)


def sweep_as_dict(bench: Bench, name: str, sweep: SweepPrediction) -> dict[str, Any]:
    """Return a predicted sweep as an object; a point without a load has the value null or 0."""
    return {
        "title": bench.title,
        "sweep": name,
        "over": sweep.over,
        "unit": sweep.unit,
        "points": [
            {
                "value": point.value,
                "quantities": {
                    quantity: {key: value for key, value in asdict(expected).items() if value is not None}
                    for quantity, expected in point.quantities.items()
                },
                "efficiency": point.efficiency,
                "problem": point.problem,
            }
            for point in sweep.points
        ],
        "figures": [asdict(figure) for figure in sweep.figures],
    }


_USUAL_COLUMNS = ("output.voltage.mean", "output.voltage.ripple", "mains.power.active")
_PLOT_ROWS = 14


def sweep_as_text(bench: Bench, name: str, sweep: SweepPrediction, quantities: Sequence[str] = ()) -> str:
    """Return a predicted sweep as a table of some quantities, its figures, and a plot of the first one."""
    columns = list(quantities) or list(_USUAL_COLUMNS)
    rows = []
    for point in sweep.points:
        shown = [point.problem] if point.problem else []
        if not point.problem:
            found = ((quantity, point.quantities.get(quantity)) for quantity in columns)
            shown = ["–" if each is None else expected_in_words(each, quantity) for quantity, each in found]
            efficiency = point.efficiency
            shown.append("–" if efficiency is None else f"{100.0 * efficiency:.1f} %")
        rows.append((_swept_value(point.value, sweep.unit), *shown, *[""] * (len(columns) + 1 - len(shown))))
    heads = [quantity.partition(".")[0] + " " + _short(quantity) for quantity in columns]
    lines = [
        one_line(bench.title),
        fill(
            f"Sweep {one_line(name)} over {sweep.over}, settled at each value. ± is the expanded uncertainty (k = 2).",
            _WIDEST,
        ),
        "",
        table((sweep.over.partition(".")[2], *heads, "efficiency"), rows, right=(0,)),
        "",
    ]
    lines += [
        f"{figure.name}: {with_uncertainty(figure.value, figure.uncertainty, figure.unit)}" for figure in sweep.figures
    ]
    return "\n".join([*lines, "", *_sweep_plot(sweep, columns[0])])


def _short(quantity: str) -> str:
    """Return the last words of a quantity's name, without voltage and current where that is plain."""
    return quantity.partition(".")[2].replace("voltage.", "").replace("power.active", "power").replace(".", " ")


def _swept_value(value: float, unit: str) -> str:
    no_load = value == 0.0 or value == float("inf")
    return "open" if no_load else format_value(value, unit)


def _sweep_plot(sweep: SweepPrediction, quantity: str) -> list[str]:
    """Return a plot of a quantity along the sweep: its value, and its band as two dotted lines."""
    import plotext  # type: ignore[import-untyped]

    points = [
        (point.value, point.quantities[quantity])
        for point in sorted(sweep.points, key=lambda point: point.value)
        if quantity in point.quantities and point.value < float("inf")
    ]
    if len(points) < 2:
        return []
    values = [value for value, _ in points]
    bands = [(one.value - one.reaches[0], one.value + one.reaches[1]) for _, one in points]
    plotext.clear_figure()
    plotext.theme("clear")
    plotext.plot_size(_WIDEST, _PLOT_ROWS)
    for limit in (0, 1):
        plotext.plot(values, [band[limit] for band in bands], marker=".")
    plotext.plot(values, [one.value for _, one in points], marker="braille")
    unit = points[0][1].unit
    plotext.title(f"{quantity}{f', {unit}' if unit else ''}, over {sweep.over}, {sweep.unit}")
    return [line.rstrip() for line in plotext.uncolorize(plotext.build()).splitlines()]


def choices_as_dict(bench: Bench, reservoir: ReservoirChoice | None, fuses: PrimaryFuseChoice | None) -> dict[str, Any]:
    """Return the parts chosen as an object, in SI; what was not asked for is left out."""
    found: dict[str, Any] = {"title": bench.title}
    if reservoir is not None:
        found["reservoir"] = asdict(reservoir)
    if fuses is not None:
        found["fuse"] = asdict(fuses)
    return found


def choices_as_text(bench: Bench, reservoir: ReservoirChoice | None, fuses: PrimaryFuseChoice | None) -> str:
    """Return the parts chosen as text in 80 columns."""
    lines = [one_line(bench.title)]
    if reservoir is not None:
        lines += ["", *_reservoir_chosen(reservoir)]
    if fuses is not None:
        lines += ["", *_fuse_chosen(fuses)]
    return "\n".join(lines)


def _reservoir_chosen(choice: ReservoirChoice) -> list[str]:
    allowed = format_value(choice.allowed, "V", 3)
    if choice.chosen is None:
        largest = format_value(choice.candidates[-1].capacitance, "F", 2)
        return [fill(f"No reservoir up to {largest} keeps {choice.quantity} within {allowed}.", _WIDEST)]
    value = format_value(choice.chosen.capacitance, "F", 2)
    lines = [
        fill(f"Reservoir: {value} is the smallest that keeps {choice.quantity} within {allowed}, ± included.", _WIDEST)
    ]
    rows = []
    for each in choice.candidates:
        others = [
            expected_in_words(each.others[name], name) if name in each.others else "–" for name in _BESIDE_THE_RIPPLE
        ]
        ripple = "not predicted" if each.ripple is None else expected_in_words(each.ripple, choice.quantity)
        mark = "chosen" if each == choice.chosen else "" if each.suffices else "too small"
        rows.append((format_value(each.capacitance, "F", 2), ripple, *others, mark))
    heads = ("capacitor", "ripple", "output mean", "capacitor rms", "diode peak", "")
    lines += [table(heads, rows, right=(0,))]
    words = "A larger reservoir is harder on diodes and fuse at switch-on; `benchmon check` has the margins."
    return [*lines, fill(words, _WIDEST)]


_BESIDE_THE_RIPPLE = ("output.voltage.mean", "reservoir.current.rms", "diode.current.peak")


def _fuse_chosen(choice: PrimaryFuseChoice) -> list[str]:
    rated = "" if choice.rated is None else f" (the transformer's rating is {format_value(choice.rated, 'A', 3)})"
    lines = [fill(f"Fuse: the primary carries up to {format_value(choice.current, 'A', 3)} rms{rated}.", _WIDEST)]
    for speed, found in choice.chosen.items():
        if found is None or found.withstands is None:
            lines.append(f"- {speed}: none to IEC 60127-2 is known to survive switch-on")
            continue
        surge, least = (format_value(each, "A²s", 2) for each in (found.surge, found.withstands))
        name = format_value(found.rating, "A", 3)
        lines.append(f"- {speed}: {name}; the surge is {surge}, and it withstands {least}")
    if choice.core_i2t is not None:
        enough = next((each for each in choice.candidates if each.speed == "time-lag" and each.withstands_core), None)
        bound = format_value(choice.core_i2t, "A²s", 2)
        words = f"Switched on at the unluckiest moment, the core may add up to {bound} (an upper bound)"
        words += f"; a time-lag fuse of {format_value(enough.rating, 'A', 3)} survives that too." if enough else "."
        lines.append(fill(words, _WIDEST))
    if choice.rated is not None and any(
        found is not None and found.rating > _LARGE_FUSE * choice.rated for found in choice.chosen.values()
    ):
        words = "A fuse beyond twice the rated primary current does not protect the transformer: limit the inrush."
        lines.append(fill(f"! {words}", _WIDEST, subsequent_indent="  "))
    words = "The I²t are the least that the standard requires (from memory); a data sheet has the true ones."
    return [*lines, fill(words, _WIDEST)]


_LARGE_FUSE = 2.0
"""Rated current of a fuse over that of the transformer from which it is large (from memory)."""

_LIMITS = (
    "Two limits in place of ±: 95 % of the supplies within the tolerances lie between them. In some of these the "
    "regulator runs out of headroom, or the choke's current ceases for a while, and in others not."
)


def _not_given(prediction: Prediction) -> list[str]:
    """Return a line for each thing that the bench file leaves out, with the quantities whose ± it widens most."""
    widened: dict[str, list[str]] = {}
    for quantity, labels in prediction.unspecified.items():
        widened.setdefault(labels[0], []).append(quantity)
    if not widened:
        return []
    lines = ["", "What the bench file leaves out widens these most:"]
    for label, quantities in widened.items():
        shown = ", ".join(quantities[:_MOST_WIDENED]) + (", …" if len(quantities) > _MOST_WIDENED else "")
        lines.append(fill(f"- {label}: {shown}", _WIDEST, subsequent_indent="  "))
    if any(label.startswith("mains harmonics") for label in widened):
        words = "Give mains.harmonics, or measure mains.voltage.thd or mains.voltage.crest_factor."
        lines.append(fill(words, _WIDEST, initial_indent="  ", subsequent_indent="  "))
    return lines


_MOST_WIDENED = 6


def _harmonics(pairs: Sequence[tuple[int, float]]) -> str:
    fundamental = pairs[0][1]
    strong = [pair for pair in pairs if pair[0] <= 15 and pair[1] > 0.005 * fundamental]
    parts = ", ".join(f"{order}:\u00a0{1000 * size:.4g}" for order, size in strong)
    words = fill(f"Harmonics of the line current, mA rms: {parts or 'none'}", _WIDEST, subsequent_indent="  ")
    return words.replace("\u00a0", " ")


def ratings_as_dict(ratings: Ratings) -> dict[str, Any]:
    """Return ratings in the form of the contract."""
    return {"margins": [asdict(margin) for margin in ratings.margins], "cautions": list(ratings.cautions)}


def ratings_as_text(bench: Bench, ratings: Ratings) -> str:
    """Return margins as a table, the smallest first, and the cautions, in 80 columns; see `verdict_as_text`."""
    rows = [
        (
            "ok" if margin.ok else "EXCEEDED",
            margin.name,
            format_value(margin.value, margin.unit),
            format_value(margin.limit, margin.unit),
            f"{100 * margin.margin:.0f} %",
        )
        for margin in sorted(ratings.margins, key=lambda margin: margin.margin)
    ]
    lines = [one_line(bench.title)]
    if rows:
        lines += ["", table(("", "what", "worst case", "limit", "margin"), rows, right=(2, 3, 4))]
    lines += ["", "Cautions:"]
    for caution in ratings.cautions:
        lines.append(fill(one_line(caution, 1000), _WIDEST, initial_indent="- ", subsequent_indent="  "))
    return "\n".join(lines)


def verdict_as_text(ratings: Ratings, tried: Mapping[str, Sequence[Tried]]) -> str:
    """Return the verdict of a check: its last line."""
    exceeded = [margin.name for margin in ratings.margins if not margin.ok]
    failed = [f"{row.instrument} {row.channel}".strip() for rows in tried.values() for row in rows if not row.ok]
    problems = [f"exceeded: {', '.join(exceeded)}"] if exceeded else []
    problems += [f"failed: {', '.join(dict.fromkeys(failed))}"] if failed else []
    if problems:
        return fill(one_line(f"NOT READY FOR POWER. {'; '.join(problems).capitalize()}.", 1000), _WIDEST)
    if not ratings.margins:
        return "The bench file gives no rating to check against."
    return "Every rating in the bench file is kept."


def assessment_as_text(bench: Bench, answer: dict[str, Any]) -> str:
    """Return the watch's answer to logged readings: channels, what happened, and likely causes."""
    channels = {channel.name: channel for channel in bench.channel}
    rows = []
    for name, result in answer["channels"].items():
        final, left = result["final"], result["time_to_limit_s"]
        rows.append(
            (
                one_line(name),
                value_words(channels[name], result["value"]),
                value_words(channels[name], result["expected"]),
                en_as_text(result["en"]),
                ", ".join(
                    [result["verdict"], *flag_words(map(Flag, result["flags"]), channels[name], result["value"])]
                ),
                "–" if final is None else expected_words(channels[name], final["value"], final["uncertainty"]),
                "–" if left is None else f"{left:.0f} s",
            )
        )
    lines = [table(("channel", "last", "expected", "En", "verdict", "settles at", "limit in"), rows, right=(1, 2, 3))]
    if answer["events"]:
        lines += ["", "What happened:"]
        lines += [f"{event['time_s']:10.1f} s  {one_line(event['message'], 1000)}" for event in answer["events"]]
    if answer["explanations"]:
        lines += ["", "Likely causes:"]
        lines += [
            f"{likelihood_in_words(one['likelihood']):>11}  {one_line(one['message'], 1000)}"
            for one in answer["explanations"]
        ]
    return "\n".join(lines)


def tried_as_dict(tried: Mapping[str, Sequence[Tried]]) -> dict[str, Any]:
    """Return the results of trying instruments and switch, a list each."""
    return {what.replace(" ", "_"): [asdict(row) for row in rows] for what, rows in tried.items()}


def tried_as_text(tried: Mapping[str, Sequence[Tried]]) -> str:
    """Return the results of trying instruments and switch, as tables with an empty line before each.

    What is said of a row stands beside it where there is room, else below it.
    """
    return "".join(f"\n\n{_tried_table(what, rows)}" for what, rows in tried.items())


def _tried_table(what: str, rows: Sequence[Tried]) -> str:
    head, *lines = table(("", what, "channel", "reads"), map(_row_of, rows)).splitlines()
    width, shown = max(map(len, (head, *lines))), [head]
    for line, row in zip(lines, rows, strict=True):
        words = one_line(row.words, 200)
        beside = f"{line:<{width}}  {words}".rstrip()
        below = [line, *wrap(words, _WIDEST, initial_indent="    ", subsequent_indent="    ", break_on_hyphens=False)]
        shown += [beside] if len(beside) <= _WIDEST else below
    return "\n".join(shown)


def _row_of(row: Tried) -> tuple[str, ...]:
    reads = "" if row.value is None else format_value(row.value, row.unit)
    return ("ok" if row.ok else "NO", one_line(row.instrument), one_line(row.channel), reads)


def ports_as_text(ports: Sequence[Port]) -> str:
    """Return the places where instruments may be as a table."""
    if not ports:
        return "No serial port and no VISA resource found."
    rows = [(port.driver, one_line(port.address, 80), one_line(port.words, 80)) for port in ports]
    return table(("driver", "address", "what is there"), rows)


def transformer_as_text(found: IncomingTransformer) -> str:
    """Return what the tests give, with uncertainties, and how they agree with each other."""
    lines = [f"{one.agreement.sign} {one.words}" for one in found.findings]
    rows = []
    for name, known in found.parts.items():
        if name.startswith("core."):
            label = {"core.current": "current without load", "core.loss": "loss without load"}[name]
            rows.append((label, f"as measured, ± {100 * known.relative:.2g} %"))
        else:
            label = name.partition(".")[2].replace("_", " ")
            rows.append((label, with_uncertainty(known.value, known.uncertainty, unit_of_part(name))))
    remarks = "\n".join(fill(line, _WIDEST, subsequent_indent="  ") for line in lines)
    return f"{table(('what the tests give', 'value ± uncertainty (k = 2)'), rows)}\n\n{remarks}"
