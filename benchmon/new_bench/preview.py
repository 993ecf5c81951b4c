"""What follows from the answers: what the main meters would read, and how near each part is to its rating."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace

from benchmon.bench import Bench
from benchmon.errors import BenchmonError
from benchmon.findings import wording_of
from benchmon.new_bench.bench_maker import BenchMaker
from benchmon.quantities import format_value
from benchmon.text import one_line

_SHOWN = (
    ("output.voltage.mean", "output"),
    ("output.voltage.ripple", "ripple p-p"),
    ("output_2.voltage.mean", "output 2"),
    ("output_2.voltage.ripple", "its ripple p-p"),
    ("secondary.current.rms", "winding"),
    ("diode.current.mean", "diode mean"),
    ("mains.current.rms", "line"),
    ("diode.temperature.junction", "junction"),
    ("regulator.voltage.headroom", "headroom"),
    ("regulator_2.voltage.headroom", "headroom 2"),
)


@dataclass(frozen=True, slots=True)
class Consequence:
    """One line of what follows: its name, its value in words, and whether it is a problem."""

    name: str
    words: str
    is_problem: bool = False


@dataclass(frozen=True, slots=True)
class Preview:
    """What follows from the answers: expected `readings`, `margins` with the least first, and `by_channel` in words.

    `problem` is what does not fit together, "" where all does; of a problem of the supply nothing follows.
    """

    readings: tuple[Consequence, ...] = ()
    margins: tuple[Consequence, ...] = ()
    by_channel: Mapping[str, str] = field(default_factory=dict)
    problem: str = ""


def previews_of(maker: BenchMaker) -> Iterator[Preview]:
    """Give what follows from the answers so far: without the margins, then with them.

    The margins take half a second, and ten with a reservoir of farads, so a form asks for them in a thread.
    """
    problem = maker.problem()
    try:
        # What a driver refuses does not keep the supply from being predicted.
        bench = maker.supply()
        first = replace(_readings(bench), problem=problem)
        yield first
        yield replace(first, margins=_margins(bench))
    except BenchmonError as found:
        yield Preview(problem=problem or one_line(found))


def _readings(bench: Bench) -> Preview:
    from benchmon.prediction import predict  # noqa: PLC0415 - long to load, and a form is to be there before
    from benchmon.prediction.circuit.meter_response import response_of  # noqa: PLC0415
    from benchmon.watch.wording import expected_in_words  # noqa: PLC0415

    prediction = predict(bench)
    readings = [
        Consequence(words, expected_in_words(prediction.quantities[name], name))
        for name, words in _SHOWN
        if name in prediction.quantities
    ]
    findings = [Consequence("!", wording_of(finding), is_problem=True) for finding in prediction.findings]
    by_channel = {}
    for channel in bench.channel:
        expected = prediction.at(channel.quantity, meter=response_of(channel))
        by_channel[channel.name] = (
            f"should read {expected_in_words(expected, channel.quantity)}" if expected else "is not predicted"
        )
    return Preview((*readings, *findings), by_channel=by_channel)


def _margins(bench: Bench) -> tuple[Consequence, ...]:
    from benchmon.prediction.ratings.check import check  # noqa: PLC0415

    return tuple(
        Consequence(
            each.name,
            f"{format_value(each.value, each.unit, 3)} of {format_value(each.limit, each.unit, 3)}, "
            f"{'exceeded' if not each.ok else f'{100 * each.margin:.0f} % left'}",
            is_problem=not each.ok,
        )
        for each in sorted(check(bench).margins, key=lambda margin: margin.margin)
    )
