"""The guided tests of a transformer as it comes in: `benchmon new --transformer`, and the same as a demo.

Each test says what to be careful of and what to clip where, takes typed values or reads the meters of the bench file,
and may be broken off: what was answered is kept in a draft. At the end it shows whether the tests agree with each
other, and writes the `[transformer]` section.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from textwrap import fill

import click

from benchmon.atomic_file import put_in_place, whole_file
from benchmon.bench import Bench, Transformer
from benchmon.bench.fields import parse_accuracy
from benchmon.cli.options import ask_question, ask_yes, print_title, say
from benchmon.cli.output import transformer_as_text
from benchmon.errors import EXIT_ANSWER_IS_NO, EXIT_DONE, BadInput, InstrumentError
from benchmon.instruments.connection_test import try_instruments
from benchmon.instruments.registry import prepare
from benchmon.new_bench.bench_maker import BenchMaker
from benchmon.new_bench.questions import Question, refused
from benchmon.new_bench.supply_questions import (
    NOT_MEASURED,
)
from benchmon.new_bench.transformer_tests import (
    USES,
    MeterAccuracies,
    OpenCircuit,
    Point,
    SeriesTest,
    TransformerTests,
    bench_text,
    evaluate,
    highest_short_circuit,
    open_circuit_of,
    point_as_text,
    rising,
    short_circuit_of,
)
from benchmon.quantities import (
    APPARENT_POWER,
    CURRENT,
    FREQUENCY,
    KINDS_BY_UNIT,
    POWER,
    RESISTANCE,
    TEMPERATURE,
    VOLTAGE,
    Kind,
    format_value,
    parse_value,
)
from benchmon.text import one_line

_CAUTIONS = (
    "The law of your country says who may work on mains; leave it to that person. From memory, the "
    "standards are EN 50191 for test places, IEC 61558-1 for transformers, IEC 61010 for meters and leads; benchmon "
    "has none of their limits.\n"
    "Feed the primary through an isolating and variable transformer and a fuse of the primary's rating, from zero up. "
    "Change clips only while it is switched off and seen to be dead.\n"
    "A secondary may hold a dangerous voltage; behind an isolating transformer the two ends are as dangerous as ever."
)
_OHMS_CAUTION = (
    "Nothing may be connected to any winding. Take the leads off slowly and do not touch the ends: an ohmmeter's "
    "current stores energy in the core, and the winding kicks when it is broken.\n"
    "Clip four wires to the terminals themselves where the meter has them; else short the leads first and take off "
    "what they read. Wait until the number stands."
)
_SERIES_CAUTION = (
    "Join one end of each secondary, leave the other two ends open, and give the primary a few volts only: a tenth of "
    "its rating will do. Clip a voltmeter across each winding in turn, then across both open ends."
)
_OPEN_CAUTION = (
    "All secondaries open, and isolated: they have their full voltage. Turn up from zero; stop where the current rises "
    "steeply.\n"
    "Clip the ammeter and the wattmeter's current path into the primary's lead, behind the voltage clips, so that the "
    "voltmeter's own current is not counted.\n"
    "Two or three points, such as 90, 100 and 106 % of the rating, show how the core saturates."
)
_SHORT_CAUTION = (
    "Short every secondary at its terminals with the shortest thick wire. Clip the voltages to the primary's terminals "
    "themselves, behind the ammeter.\n"
    "BEGIN AT ZERO VOLTS: at full mains the windings burn. Turn up until the primary has its rated current, read "
    "quickly, switch off: the windings warm within a minute."
)
_INSULATION = (
    "Insulation between primary, secondaries and core, and the earth bond, come before any voltage: with which test "
    "voltage and limit is a matter of the standard for the product."
)
_READS = {"volts": "mains.voltage.rms", "amperes": "mains.current.rms", "watts": "mains.power.active"}
_TEMPERATURES = ("transformer.temperature", "ambient.temperature")
_ACCURACIES = {"volts": ("V", "0.5 % + 0.1 V"), "amperes": ("A", "1 % + 0.5 mA"), "watts": ("W", "1 % + 20 mW"),
               "ohms": ("Ω", "0.5 % + 2 mΩ")}  # fmt: skip
_MOST_POINTS = 8
_WIDTH = 100
_DIGITS = 5


@dataclass
class MetersOfBench:
    """The meters of a bench file that can be read at once; those that a person reads are typed."""

    bench: Bench | None

    def channel_of(self, quantity: str) -> str:
        """Return the name of the channel that measures `quantity`, "" where none can be read."""
        if self.bench is None:
            return ""
        typed = {channel.name for channel in self.bench.typed_channels}
        return next((one.name for one in self.bench.channel if one.quantity == quantity and one.name not in typed), "")

    def read(self, quantities: Sequence[str]) -> dict[str, float]:
        """Return what the meters of `quantities` read, in their units; those that give nothing are left out."""
        names = {self.channel_of(quantity): quantity for quantity in quantities} if self.bench is not None else {}
        names.pop("", None)
        if self.bench is None or not names:
            return {}
        try:
            drivers = [one for one in prepare(self.bench) if names.keys() & one.channels.keys()]
            rows = try_instruments(self.bench, drivers)
        except (InstrumentError, BadInput) as problem:
            say(f"The meters cannot be read: {one_line(problem, 200)}")
            return {}
        for row in rows:
            if row.channel in names or not row.ok:
                say(one_line(row.in_words if row.ok else f"NO: {row.in_words}"))
        return {names[row.channel]: row.value for row in rows if row.channel in names and row.value is not None}


Asks = Callable[[Question, str], str]
Agrees = Callable[[str, str, bool], bool]


@dataclass
class TransformerConversation:
    """Goes through the tests; `asks` and `agrees` put the questions, and `given` are the answers so far, by name."""

    asks: Asks
    agrees: Agrees
    meters: MetersOfBench
    given: dict[str, str] = field(default_factory=dict)
    uses: tuple[str, ...] = tuple(USES)

    def run(self) -> TransformerTests:
        """Ask for everything. Raises `BadInput` where the tests may not begin."""
        self._begin()
        label = self._label()
        two = label.windings == "two"
        use = (
            self._choice("use", "how they are used", "It decides what the two must have in common.", self.uses)
            if two
            else ""
        )
        accuracies = self._accuracies()
        ohms, seconds, temperature = self._resistances(2 if two else 1)
        series = self._series(accuracies) if two else None
        points = self._open_circuit(2 if two else 1, accuracies)
        short, shorted_at = self._short_circuit(label.rating, label.primary_voltage, temperature, accuracies)
        return TransformerTests(
            label.primary_voltage,
            label.frequency,
            label.rating,
            label.rated_voltage,
            use == "in parallel",
            accuracies,
            ohms,
            seconds,
            temperature,
            points,
            short,
            shorted_at,
            series,
        )

    def _begin(self) -> None:
        print_title("Before anything is connected")
        _caution(_CAUTIONS)
        if not self.agrees(
            "is that so, and may the tests begin?", "n ends here; nothing was asked of any meter", False
        ):
            raise BadInput("the tests did not begin")
        _caution(_INSULATION)
        why = "What was measured, with which voltage; it stands as a comment in the file."
        self._asked(Question("insulation", "insulation and earth bond", why, NOT_MEASURED, NOT_MEASURED))

    def _label(self) -> _Label:
        print_title("The label")
        primary = self._value(
            "primary_voltage", "voltage of the primary tap", VOLTAGE, "The tap that will be used.", "230 V"
        )
        frequency = self._value("frequency", "frequency", FREQUENCY, "That of the mains in the tests.", "50 Hz")
        rating = self._value("rating", "rating of all windings together", APPARENT_POWER, "In volt-amperes.", "")
        rated = self._value(
            "rated_voltage", "one secondary, at full load", VOLTAGE, "What the label says; - if nothing.", NOT_MEASURED,
            optional=True,
        )  # fmt: skip
        windings = self._choice(
            "windings", "equal secondary windings", "Two alike count; others stay open.", ("one", "two")
        )
        return _Label(primary or 0.0, frequency or 0.0, rating or 0.0, rated, windings)

    def _accuracies(self) -> MeterAccuracies:
        print_title("The meters")
        found = {}
        for name, (unit, usual) in _ACCURACIES.items():
            channel = self.meters.channel_of(_READS.get(name, ""))
            bench = self.meters.bench
            of_file = (
                next((one.accuracy for one in bench.channel if one.name == channel), None)
                if bench and channel
                else None
            )
            if of_file is not None:
                found[name] = of_file
                continue
            why = "From its data sheet, as a part of the reading plus a fixed amount; uncertainties follow from it."
            question = Question(
                f"accuracy.{name}", f"accuracy of the meter for {name}", why, usual, check=_accuracy_check(unit)
            )
            found[name] = parse_accuracy(self._asked(question), unit)
        return MeterAccuracies(**found)

    def _resistances(self, windings: int) -> tuple[float, tuple[float, ...], float]:
        print_title("Resistances of the windings")
        _caution(_OHMS_CAUTION)
        warm = self._read_first(_TEMPERATURES, "temperature")
        temperature = self._value(
            "temperature", "temperature of the windings", TEMPERATURE,
            "That of the room, after hours without power: copper changes by 0.4 % a kelvin.", warm or "20 °C",
        )  # fmt: skip
        why = "What the shorted leads read; it is taken off. 0 with four wires, or where the meter was zeroed."
        leads = self._value("leads", "the leads alone", RESISTANCE, why, "0 Ω") or 0.0
        why = "As read, leads and all."
        primary = self._above("primary_resistance", "resistance of the primary", leads, why)
        names = [""] if windings == 1 else ["first ", "second "]
        seconds = tuple(
            self._above(f"secondary_resistance.{at}", f"resistance of the {name}secondary", leads, why)
            for at, name in enumerate(names, 1)
        )
        return primary, seconds, temperature or 0.0

    def _above(self, name: str, words: str, leads: float, why: str) -> float:
        while True:
            ohms = (self._value(name, words, RESISTANCE, why, "") or 0.0) - leads
            if ohms > 0:
                return ohms
            say(f"That is no more than the leads, {format_value(leads, 'Ω', 3)}; measure again.")
            self.given.pop(name)

    def _series(self, accuracies: MeterAccuracies) -> SeriesTest | None:
        print_title("Polarity: the two secondaries in series")
        _caution(_SERIES_CAUTION)
        if not self.agrees("is it measured?", "n leaves the polarity open", True):
            return None
        while True:
            volts = [
                self._value(f"series.{name}", f"volts across {words}", VOLTAGE, "At the same primary voltage.", "")
                or 0.0
                for name, words in (("first", "the first"), ("second", "the second"), ("together", "both open ends"))
            ]
            test = SeriesTest(volts[0], volts[1], volts[2])
            try:
                aiding = test.is_aiding(accuracies.volts)
            except BadInput as problem:
                self._again(problem, "series.")
                continue
            say("They aid: the joined ends are unlike." if aiding else "They oppose: the joined ends are alike.")
            return test

    def _open_circuit(self, windings: int, accuracies: MeterAccuracies) -> tuple[OpenCircuit, ...]:
        print_title("Open circuit")
        _caution(_OPEN_CAUTION)
        points: list[OpenCircuit] = []
        while len(points) < _MOST_POINTS:
            number = len(points) + 1
            prefix = f"open.{number}."
            point = self._point(prefix, "secondary.voltage.rms")
            try:
                open_circuit_of(point, accuracies)
                names = [""] if windings == 1 else ["first ", "second "]
                usual = self.given.get(f"{prefix}secondary.1", "")
                seconds = tuple(
                    self._value(
                        f"{prefix}secondary.{at}", f"volts across the {name}secondary", VOLTAGE,
                        "At the very same primary voltage.", usual if at == 1 else "",
                    ) or 0.0
                    for at, name in enumerate(names, 1)
                )  # fmt: skip
                new = OpenCircuit(point, seconds)
                if min(seconds) <= 0.0 or (problem_words := rising([*points, new])):
                    raise BadInput(problem_words if min(seconds) > 0 else "volts of a secondary must be above 0")
            except BadInput as problem:
                self._again(problem, prefix)
                continue
            points.append(new)
            more = f"open.{number + 1}.volts" in self.given
            if not self.agrees("another point?", f"{number} so far; two or more show how the core saturates", more):
                break
        return tuple(points)

    def _short_circuit(
        self, rating: float, primary: float, temperature: float, accuracies: MeterAccuracies
    ) -> tuple[Point | None, float | None]:
        print_title("Short circuit, at reduced voltage")
        _caution(_SHORT_CAUTION)
        amperes, volts = highest_short_circuit(rating, primary)
        say(
            f"Rated current of the primary: {format_value(amperes, 'A', 3)}. It usually takes about "
            f"{format_value(volts, 'V', 2)}; never go above {format_value(2.0 * volts, 'V', 2)}."
        )
        if not self.agrees("is it measured?", "n leaves leakage to what is usual for the rating", True):
            return None, None
        while True:
            point = self._point("short.", "")
            problem = refused(Transformer, "short_circuit", list(point_as_text(point)))
            with suppress(BadInput):
                short_circuit_of(point, accuracies)
                if not problem and point[0] < 0.5 * primary:
                    break
                problem = problem or f"{point[0]:g} V is no reduced voltage; volts at the primary are asked for"
            self._again(BadInput(problem or "the watts are more than volts times amperes"), "short.")
        why = "Just after the reading: copper of 60 °C has 16 % more resistance than of 20 °C."
        warm = self._value(
            "short.temperature", "temperature of the windings then", TEMPERATURE, why, f"{temperature:g} °C"
        )
        return point, warm

    def _again(self, problem: BadInput, prefix: str) -> None:
        say(f"That cannot be: {problem}. Once more.")
        for name in [each for each in self.given if each.startswith(prefix)]:
            del self.given[name]

    def _point(self, prefix: str, secondary: str) -> Point:
        """Ask for volts, amperes and watts at the primary; the meters of the bench are read first."""
        quantities = [*_READS.values(), *([secondary] if secondary else [])]
        there = [quantity for quantity in quantities if self.meters.channel_of(quantity)]
        if there and self.agrees(
            "is the voltage set, so that the meters may be read?", "n asks for typed values", True
        ):
            read = self.meters.read(there)
            names = {quantity: name for name, quantity in _READS.items()} | {secondary: "secondary.1"}
            for quantity, value in read.items():
                unit = KINDS_BY_UNIT[_unit_of(quantity)].unit
                self.given[f"{prefix}{names[quantity]}"] = format_value(value, unit, _DIGITS)
        why = "At the primary; Enter takes what stands in brackets."
        values = [
            self._value(f"{prefix}{name}", f"{name} at the primary", kind, why, "") or 0.0
            for name, kind in (("volts", VOLTAGE), ("amperes", CURRENT), ("watts", POWER))
        ]
        return values[0], values[1], values[2]

    def _read_first(self, quantities: Sequence[str], name: str) -> str:
        there = next((one for one in quantities if self.meters.channel_of(one)), "")
        if not there or name in self.given:
            return ""
        return next((f"{value:.1f} °C" for value in self.meters.read([there]).values()), "")

    def _value(
        self, name: str, words: str, kind: Kind, why: str, usual: str, *, optional: bool = False
    ) -> float | None:
        check = None if kind is TEMPERATURE else _above_zero(kind, allows_zero=name == "leads")
        without = NOT_MEASURED if optional else ""
        answer = self._asked(Question(name, words, why, usual, without, kind, check=check))
        return None if answer == without else parse_value(answer, kind)

    def _choice(self, name: str, words: str, why: str, choices: Sequence[str]) -> str:
        return self._asked(Question(name, words, why, choices[0], choices=tuple(choices)))

    def _asked(self, question: Question) -> str:
        kept = self.given.get(question.name, "")
        usual = kept if kept and question.holds(kept) else question.usual
        answer = self.given[question.name] = self.asks(question, usual)
        return answer


@dataclass(frozen=True, slots=True)
class _Label:
    """What the label says: volts, hertz, volt-amperes, volts of one winding, and how many windings."""

    primary_voltage: float
    frequency: float
    rating: float
    rated_voltage: float | None
    windings: str


def _caution(text: str) -> None:
    """Print what to be careful of, wrapped."""
    for line in text.splitlines():
        click.echo(fill(line, _WIDTH, initial_indent="  ! ", subsequent_indent="    "))


def _unit_of(quantity: str) -> str:
    return next(
        kind.unit for name, kind in (("voltage", VOLTAGE), ("current", CURRENT), ("power", POWER)) if name in quantity
    )


def _accuracy_check(unit: str) -> Callable[[str], str]:
    def check(text: str) -> str:
        try:
            parse_accuracy(text, unit)
        except BadInput as problem:
            return str(problem)
        return ""

    return check


def _above_zero(kind: Kind, *, allows_zero: bool) -> Callable[[str], str]:
    def check(text: str) -> str:
        value = parse_value(text, kind)
        return "" if value > 0 or (allows_zero and value == 0) else "must be above 0"

    return check


def guide_transformer_tests(path: Path, *, force: bool) -> int:
    """Guide the tests of a transformer and write them into the bench file at `path`; return the exit status.

    It is 1 where the tests contradict each other. What is in a file that is there stays, save for the transformer.
    Raises `click.Abort` where a person stops, after the answers so far are in a draft.
    """
    is_there = path.is_file() and not force
    maker = BenchMaker.of_file(path) if is_there else BenchMaker(path)
    meters = MetersOfBench(maker.supply() if is_there else None)
    draft = path.with_name(f"{path.name}.transformer.draft")
    talk = TransformerConversation(
        ask_question,
        lambda question, why, default: ask_yes(question, why, default=default),
        meters,
        _from_draft(draft),
        _uses_of(maker) if is_there else tuple(USES),
    )
    say("Enter takes the answer in brackets; Ctrl-C keeps the answers so far, and the same command goes on from there.")
    try:
        found = evaluate(talk.run())
        use = USES.get(talk.given.get("use", ""), "") if found.tests.windings == 2 else ""
        print_title("What the tests give")
        click.echo(transformer_as_text(found))
        if found.contradicts_itself and not ask_yes(
            "write it all the same?", "Some tests contradict each other; measure those again.", default=False
        ):
            raise click.Abort
        text = bench_text(maker, found, talk.given, use)
    except (click.Abort, KeyboardInterrupt, BadInput):
        _keep(draft, talk.given)
        raise
    with whole_file(path, force=True) as part:
        part.write_text(text, encoding="utf-8")
    draft.unlink(missing_ok=True)
    say(f"{path}: [transformer] is written. Next: benchmon new {path} for the rest, benchmon check {path}")
    return EXIT_ANSWER_IS_NO if found.contradicts_itself else EXIT_DONE


def _uses_of(maker: BenchMaker) -> tuple[str, ...]:
    """Return how two windings may be used with the rectifier of a bench file."""
    question = maker.asked().question("transformer.windings")
    return tuple(use for use, answer in USES.items() if answer in question.choices) or tuple(USES)


def _from_draft(draft: Path) -> dict[str, str]:
    with suppress(OSError, ValueError):
        found = json.loads(draft.read_text(encoding="utf-8"))
        if isinstance(found, dict):
            say(f"The answers of {one_line(draft.name)} are in the brackets.")
            return {str(name): one_line(str(words), 200) for name, words in found.items()}
    return {}


def _keep(draft: Path, given: Mapping[str, str]) -> None:
    if not given:
        return
    with suppress(OSError):
        with put_in_place(draft) as part:
            part.write_text(json.dumps(dict(given), ensure_ascii=False, indent=1), encoding="utf-8")
        say(f"The answers so far are kept in {one_line(draft)}.")
