"""What the tests of a transformer as it comes in give: its values with their uncertainties, and whether they agree.

The open-circuit and the short-circuit test are those of every textbook on machines (Chapman, Electric Machinery
Fundamentals, chapter 2; Fitzgerald, Electric Machinery, chapter 2): watts over squared amperes is the resistance of
all windings, and what the impedance has beyond it is the leakage reactance; squared volts over watts without load is
the resistance that stands for the core's loss. Uncertainties are those of the meters' accuracies, expanded (k = 2), in
first order (JCGM 100:2008, 5.1.2), all inputs independent. What counts as usual is from memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from benchmon.bench import read_bench
from benchmon.errors import BadInput
from benchmon.new_bench.bench_maker import BenchMaker
from benchmon.new_bench.bench_text import BenchText
from benchmon.new_bench.supply_questions import (
    BY_MEASUREMENT,
    IN_PARALLEL,
    IN_SERIES,
    NOT_MEASURED,
    ONE_WINDING,
    TAPPED,
)
from benchmon.quantities import FRACTION, Accuracy, format_value, parse_value
from benchmon.standards import COPPER_ZERO, USUAL_REGULATION
from benchmon.text import one_line

Point = tuple[float, float, float]
"""Volts, amperes and watts at the primary."""

SATURATES = 6.0
"""How steeply a usual core's current grows with volts near its rating, as a power (from memory)."""
_SHARE = (0.5, 2.0)
"""Copper loss of the primary over that of the secondaries; equal in a transformer designed for least loss."""
_REGULATION = (0.5, 2.0)
"""Regulation over the usual one of the rating."""
_STRAY = 1.15
"""Resistance to alternating current over that to direct current, at most, in a small transformer at mains frequency."""
_ALIKE = 1.25
"""Resistance of one secondary over that of the other, at most: the outer one has longer turns."""
_NO_LOAD = (0.01, 0.7)
"""Current without load over rated current."""
_LABEL, _FAR_OFF = 0.05, 0.10
"""Part by which the voltage at full load may miss the label (IEC 61558-1, clause 12, from memory), and twice that."""
_CIRCULATING = 0.05
"""Part of the rated current that may circulate in two windings in parallel."""
_LEAST_UNCERTAINTY = 1e-4
_DIGITS = 5
USES = {"in series": IN_SERIES, "in parallel": IN_PARALLEL, "with a tap between them": TAPPED}
"""How two windings are used, and the answer to the question of a new bench file."""


class Agreement(StrEnum):
    """How a test agrees with the others."""

    YES = "agrees"
    DOUBT = "unusual"
    NO = "contradicts"

    @property
    def sign(self) -> str:
        """The sign that shows it in a list."""
        return {Agreement.YES: "✓", Agreement.DOUBT: "?", Agreement.NO: "✗"}[self]


@dataclass(frozen=True, slots=True)
class TransformerRemark:
    """How one test agrees with the others, in words."""

    agreement: Agreement
    words: str


@dataclass(frozen=True, slots=True)
class KnownValue:
    """A value and its expanded uncertainty (k = 2), in SI."""

    value: float
    uncertainty: float

    @property
    def relative(self) -> float:
        """The uncertainty as a part of the value, never quite zero."""
        return max(_LEAST_UNCERTAINTY, abs(self.uncertainty / self.value)) if self.value else 1.0


@dataclass(frozen=True, slots=True)
class MeterAccuracies:
    """Accuracies of the meters of the tests: volts, amperes, watts, ohms."""

    volts: Accuracy
    amperes: Accuracy
    watts: Accuracy
    ohms: Accuracy


@dataclass(frozen=True, slots=True)
class OpenCircuit:
    """A point of the open-circuit test: `primary` volts, amperes and watts, and the `secondaries` in volts."""

    primary: Point
    secondaries: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class SeriesTest:
    """Two windings with one end of each joined, at any primary voltage: volts of each, and of both together."""

    first: float
    second: float
    together: float

    def is_aiding(self, volts: Accuracy) -> bool:
        """Return whether the voltages add. Raises `BadInput` where `together` is neither their sum nor difference."""
        total, difference = self.first + self.second, abs(self.first - self.second)
        spread = math.hypot(volts.of(self.first), volts.of(self.second), volts.of(self.together))
        for wanted, answer in ((total, True), (difference, False)):
            if abs(self.together - wanted) <= 1.5 * spread + 0.02 * total:
                return answer
        raise BadInput(
            f"{self.together:.4g} V over both windings is neither their sum, {total:.4g} V, nor their difference, "
            f"{difference:.3g} V: look at what is joined and at the clips"
        )


@dataclass(frozen=True)
class TransformerTests:
    """Everything that was measured, and what the label says; SI, temperatures in °C.

    `secondary_resistances` has one entry a winding. `temperature` is that of the windings when resistances were
    measured, `shorted_at` that at the short-circuit test. `rating` is in VA of all windings, `rated_voltage` of one
    winding at full load; None is what the label does not say or nobody has measured.
    """

    primary_voltage: float
    frequency: float
    rating: float | None
    rated_voltage: float | None
    in_parallel: bool
    meters: MeterAccuracies
    primary_resistance: float
    secondary_resistances: tuple[float, ...]
    temperature: float
    open_circuit: tuple[OpenCircuit, ...]
    short_circuit: Point | None = None
    shorted_at: float | None = None
    series: SeriesTest | None = None

    @property
    def windings(self) -> int:
        """How many equal secondary windings there are."""
        return len(self.secondary_resistances)

    @property
    def nearest(self) -> OpenCircuit:
        """The point of the open-circuit test nearest to the rated voltage."""
        return min(self.open_circuit, key=lambda point: abs(point.primary[0] - self.primary_voltage))


def short_circuit_of(point: Point, meters: MeterAccuracies) -> tuple[KnownValue, KnownValue]:
    """Return resistance and leakage reactance of all windings, in ohms referred to the side that is measured.

    R = W/I² and X² = (V/I)² − R². Raises `BadInput` where the watts are more than volts times amperes.
    """
    volts, amperes, watts = point
    impedance, resistance = volts / amperes, watts / amperes**2
    if resistance > 1.001 * impedance:
        raise BadInput(f"{watts:.3g} W are more than {volts * amperes:.3g} VA; look at the meters' ranges")
    reactance = math.sqrt(max(impedance**2 - resistance**2, 0.0))
    of_volts, of_amperes, of_watts = _relative(point, meters)
    moved = math.hypot(
        impedance**2 * of_volts, resistance**2 * of_watts, (2.0 * resistance**2 - impedance**2) * of_amperes
    )
    # Where hardly anything is left beside the resistance, all that is known is how large it may be.
    spread = moved / reactance if reactance**2 > moved else math.sqrt(moved)
    return (
        KnownValue(resistance, resistance * math.hypot(of_watts, 2.0 * of_amperes)),
        KnownValue(reactance, spread),
    )


def open_circuit_of(point: Point, meters: MeterAccuracies) -> tuple[KnownValue, KnownValue]:
    """Return the resistance that stands for the core's loss and the magnetising reactance, in ohms, side by side.

    Rc = V²/W, and Xm = V/√(I² − (W/V)²). Raises `BadInput` where the watts are more than volts times amperes.
    """
    volts, amperes, watts = point
    in_phase = watts / volts
    if in_phase > 1.001 * amperes or watts <= 0.0:
        raise BadInput(f"{watts:.3g} W at {volts * amperes:.3g} VA cannot be; look at the meters' ranges")
    magnetising = math.sqrt(max(amperes**2 - in_phase**2, 1e-12 * amperes**2))
    of_volts, of_amperes, of_watts = _relative(point, meters)
    moved = math.hypot(amperes**2 * of_amperes, in_phase**2 * of_watts, in_phase**2 * of_volts) / magnetising**2
    return (
        KnownValue(volts**2 / watts, volts**2 / watts * math.hypot(2.0 * of_volts, of_watts)),
        KnownValue(volts / magnetising, volts / magnetising * math.hypot(of_volts, moved)),
    )


def _relative(point: Point, meters: MeterAccuracies) -> tuple[float, float, float]:
    """Return the relative expanded uncertainties of volts, amperes and watts."""
    volts, amperes, watts = point
    return (
        meters.volts.of(volts) / volts,
        meters.amperes.of(amperes) / amperes,
        meters.watts.of(watts) / watts if watts > 0.0 else 0.0,
    )


@dataclass(frozen=True)
class IncomingTransformer:
    """What the tests give: `open_circuit_voltage` and `secondary_resistance` of one winding, `ratio` unloaded.

    `parts` are the values that a bench file may hold, with their uncertainties, by the names of the parts.
    """

    tests: TransformerTests
    open_circuit_voltage: KnownValue
    primary_resistance: KnownValue
    secondary_resistance: KnownValue
    parts: dict[str, KnownValue]
    findings: tuple[TransformerRemark, ...]

    @property
    def contradicts_itself(self) -> bool:
        """Whether some test contradicts the others."""
        return any(one.agreement is Agreement.NO for one in self.findings)


def evaluate(tests: TransformerTests) -> IncomingTransformer:
    """Return what the tests give and how they agree. Raises `BadInput` where one of them cannot be as it was read."""
    meters, nearest = tests.meters, tests.nearest
    volts = nearest.primary[0]
    mean = math.fsum(nearest.secondaries) / len(nearest.secondaries)
    scale = tests.primary_voltage / volts
    open_volts = KnownValue(
        mean * scale, mean * scale * math.hypot(meters.volts.of(mean) / mean, meters.volts.of(volts) / volts)
    )
    primary = KnownValue(tests.primary_resistance, meters.ohms.of(tests.primary_resistance))
    ohms = math.fsum(tests.secondary_resistances) / tests.windings
    secondary = KnownValue(ohms, meters.ohms.of(ohms))
    of_volts, of_amperes, of_watts = _relative(nearest.primary, meters)
    parts = {
        "transformer.open_circuit_voltage": open_volts,
        "transformer.primary_resistance": primary,
        "transformer.secondary_resistance": secondary,
        "core.current": KnownValue(1.0, math.hypot(of_amperes, SATURATES * of_volts)),
        "core.loss": KnownValue(1.0, math.hypot(of_watts, 2.0 * of_volts)),
    }
    if tests.short_circuit is not None:
        _, reactance = short_circuit_of(tests.short_circuit, meters)
        square = (open_volts.value / tests.primary_voltage) ** 2 * tests.windings
        henries = square / (2.0 * math.pi * tests.frequency)
        parts["transformer.leakage_inductance"] = KnownValue(reactance.value * henries, reactance.uncertainty * henries)
    found = IncomingTransformer(tests, open_volts, primary, secondary, parts, ())
    return IncomingTransformer(tests, open_volts, primary, secondary, parts, tuple(_findings(found)))


def _findings(found: IncomingTransformer) -> Iterator[TransformerRemark]:
    yield from _two_windings(found)
    yield _copper(found)
    yield from _label(found)
    yield from _shorted(found)
    yield from _idle(found)


def _two_windings(found: IncomingTransformer) -> Iterator[TransformerRemark]:
    tests = found.tests
    if tests.windings < 2:
        return
    first, second = tests.nearest.secondaries
    spread = math.hypot(tests.meters.volts.of(first), tests.meters.volts.of(second))
    circulating = abs(first - second) / math.fsum(tests.secondary_resistances)
    words = f"the two secondaries have {_volts(first)} and {_volts(second)}"
    if tests.in_parallel and tests.rating is not None:
        rated = tests.rating / (2.0 * found.open_circuit_voltage.value)
        words += f"; joined in parallel, {format_value(circulating, 'A', 2)} circulate"
        far = circulating > _CIRCULATING * rated and abs(first - second) > spread
        yield TransformerRemark(Agreement.NO if far else Agreement.YES, words + (": do not join them" if far else ""))
    else:
        alike = abs(first - second) <= max(spread, 0.02 * first)
        yield TransformerRemark(Agreement.YES if alike else Agreement.DOUBT, words)
    low, high = sorted(tests.secondary_resistances)
    ohms = f"their resistances are {_ohms(low)} and {_ohms(high)}"
    yield TransformerRemark(Agreement.YES if high <= _ALIKE * low else Agreement.DOUBT, ohms)
    if tests.series is None:
        yield TransformerRemark(Agreement.DOUBT, "their polarity was not tested: test it before they are joined")
        return
    aiding = tests.series.is_aiding(tests.meters.volts)
    sum_or_difference = "the sum of both, aiding" if aiding else "the difference of both, opposing"
    words = f"one end of each joined, {_volts(tests.series.together)} are {sum_or_difference}: "
    joined = "the joined ends are " + ("unlike, the start of one and the end of the other" if aiding else "alike")
    yield TransformerRemark(Agreement.YES, words + joined)


def _copper(found: IncomingTransformer) -> TransformerRemark:
    """Return whether ratio and resistances fit: in a usual transformer both sides lose about as much in copper."""
    tests = found.tests
    ratio = found.open_circuit_voltage.value / tests.primary_voltage
    share = found.primary_resistance.value * tests.windings * ratio**2 / found.secondary_resistance.value
    words = (
        f"by the ratio, {ratio:.4g}, and the resistances, the primary's copper loses {share:.2g} times what that "
        "of the secondaries does"
    )
    if _SHARE[0] <= share <= _SHARE[1]:
        return TransformerRemark(Agreement.YES, words)
    far = not _SHARE[0] / 4.0 <= share <= _SHARE[1] * 4.0
    why = "; about as much is usual: look at the tap, the windings measured and the ohmmeter's zero"
    return TransformerRemark(Agreement.NO if far else Agreement.DOUBT, words + why)


def _label(found: IncomingTransformer) -> Iterator[TransformerRemark]:
    """Yield whether ratio and resistances fit the label: volts at full load, and regulation for the rating."""
    tests = found.tests
    if tests.rating is None:
        return
    volts = found.open_circuit_voltage.value
    ohms = found.secondary_resistance.value
    ohms += tests.windings * found.primary_resistance.value * (volts / tests.primary_voltage) ** 2
    squared = volts**2 - 4.0 * ohms * tests.rating / tests.windings
    if squared <= 0.0:
        words = (
            f"with these resistances it cannot give its {format_value(tests.rating, 'VA', 3)}: look at rating and ohms"
        )
        yield TransformerRemark(Agreement.NO, words)
        return
    loaded = (volts + math.sqrt(squared)) / 2.0
    regulation = volts / loaded - 1.0
    usual = next(parse_value(words, FRACTION) for most, words in USUAL_REGULATION if tests.rating <= most)
    fits = _REGULATION[0] * usual <= regulation <= _REGULATION[1] * usual
    words = (
        f"its regulation, by the resistances, is {100 * regulation:.2g} %; {100 * usual:.2g} % is usual at its rating"
    )
    yield TransformerRemark(Agreement.YES if fits else Agreement.DOUBT, words)
    if tests.rated_voltage is not None:
        away = loaded / tests.rated_voltage - 1.0
        words = f"at full load, cold, one winding gives {_volts(loaded)}; the label says {_volts(tests.rated_voltage)}"
        grade = Agreement.YES if abs(away) <= _LABEL else Agreement.DOUBT if abs(away) <= _FAR_OFF else Agreement.NO
        why = "" if grade is Agreement.YES else ": look at the tap, and at which windings are joined"
        yield TransformerRemark(grade, words + why)


def _shorted(found: IncomingTransformer) -> Iterator[TransformerRemark]:
    """Yield whether the short circuit's resistance is that of the windings, at its temperature."""
    tests = found.tests
    if tests.short_circuit is None:
        return
    resistance, _ = short_circuit_of(tests.short_circuit, tests.meters)
    ratio = found.open_circuit_voltage.value / tests.primary_voltage
    across = 1.0 / (ratio**2 * tests.windings)
    warmth = 1.0
    if tests.shorted_at is not None:
        warmth = (COPPER_ZERO + tests.shorted_at) / (COPPER_ZERO + tests.temperature)
    direct = (found.primary_resistance.value + found.secondary_resistance.value * across) * warmth
    spread = math.hypot(
        found.primary_resistance.uncertainty, found.secondary_resistance.uncertainty * across, resistance.uncertainty
    )
    words = f"shorted, all windings have {_ohms(resistance.value)} at the primary; by the ohmmeter {_ohms(direct)}"
    if resistance.value < direct - spread:
        why = ": less than copper can have: look at the ohmmeter's zero, the wattmeter and the windings measured"
        far = resistance.value < direct - 2.0 * spread - 0.05 * direct
        yield TransformerRemark(Agreement.NO if far else Agreement.DOUBT, words + why)
    elif resistance.value > _STRAY * direct + spread:
        why = ": more than copper explains: look at the short itself, and that all secondaries are shorted"
        far = resistance.value > 2.0 * _STRAY * direct + spread
        yield TransformerRemark(Agreement.NO if far else Agreement.DOUBT, words + why)
    else:
        yield TransformerRemark(Agreement.YES, words)


def _idle(found: IncomingTransformer) -> Iterator[TransformerRemark]:
    """Yield whether current and watts without load are those of a transformer of its rating."""
    tests = found.tests
    volts, amperes, watts = tests.nearest.primary
    open_circuit_of(tests.nearest.primary, tests.meters)
    if tests.rating is not None:
        part = amperes * tests.primary_voltage / tests.rating
        words = f"without load, at {_volts(volts)}, it takes {format_value(watts, 'W', 3)} and "
        words += f"{format_value(amperes, 'A', 3)}, {100 * part:.2g} % of its rated current"
        fits = _NO_LOAD[0] <= part <= _NO_LOAD[1]
        why = "" if fits else ": look for a shorted turn, the wrong tap, or a load that is still connected"
        yield TransformerRemark(Agreement.YES if fits else Agreement.DOUBT, words + why)
    points = sorted(point.primary for point in tests.open_circuit)
    ratios = [math.fsum(point.secondaries) / len(point.secondaries) / point.primary[0] for point in tests.open_circuit]
    spread = math.hypot(
        *(tests.meters.volts.of(one) / one for one in (volts, math.fsum(tests.nearest.secondaries) / tests.windings))
    )
    if len(points) > 1:
        fits = max(ratios) / min(ratios) - 1.0 <= 1.5 * spread + 0.01
        words = (
            f"the ratio is the same at all {len(points)} voltages, within {100 * (max(ratios) / min(ratios) - 1):.2g} %"
        )
        why = "" if fits else ": more than the meters explain; look at the points again"
        yield TransformerRemark(Agreement.YES if fits else Agreement.DOUBT, words + why)


def highest_short_circuit(tests_rating: float, primary_voltage: float) -> tuple[float, float]:
    """Return the rated primary current in amperes, and volts that usually drive it through shorted windings.

    About the regulation's part of the rated voltage, and leakage besides (from memory: 5 to 25 %).
    """
    usual = next(parse_value(words, FRACTION) for most, words in USUAL_REGULATION if tests_rating <= most)
    return tests_rating / primary_voltage, 1.1 * usual * primary_voltage


def rising(points: Sequence[OpenCircuit]) -> str:
    """Return what is wrong with points of the open-circuit test: more volts take more current; "" if nothing is."""
    ordered = sorted(point.primary for point in points)
    for former, later in pairwise(ordered):
        if later[0] == former[0] or later[1] <= former[1]:
            return f"{_volts(later[0])} takes no more than {_volts(former[0])}; more volts take more current"
    return ""


def _volts(value: float) -> str:
    return format_value(value, "V", 4)


def _ohms(value: float) -> str:
    return format_value(value, "Ω", 3)


def point_as_text(point: Point) -> tuple[str, str, str]:
    """Return volts, amperes and watts with their units."""
    volts, amperes, watts = point
    return format_value(volts, "V", _DIGITS), format_value(amperes, "A", _DIGITS), format_value(watts, "W", _DIGITS)


def answers_of(found: IncomingTransformer, use: str) -> dict[str, str]:
    """Return the tests as answers to the questions of `benchmon new`."""
    tests = found.tests
    points = "; ".join(", ".join(point_as_text(point.primary)) for point in tests.open_circuit)
    answers = {
        "transformer.primary_voltage": format_value(tests.primary_voltage, "V", 4),
        "transformer.windings": use or ONE_WINDING,
        "transformer.rating": format_value(tests.rating, "VA", 4),
        "transformer.known": BY_MEASUREMENT,
        "transformer.open_circuit_voltage": format_value(found.open_circuit_voltage.value, "V", _DIGITS),
        "transformer.primary_resistance": format_value(found.primary_resistance.value, "Ω", 4),
        "transformer.secondary_resistance": format_value(found.secondary_resistance.value, "Ω", 4),
        "transformer.no_load_test": points,
        "transformer.short_circuit": NOT_MEASURED,
    }
    if tests.short_circuit is not None:
        answers["transformer.short_circuit"] = ", ".join(point_as_text(tests.short_circuit))
    return answers


def bench_text(maker: BenchMaker, found: IncomingTransformer, given: Mapping[str, str], use: str) -> str:
    """Return the bench file with what the tests give. Raises `BenchFileError` where it does not fit the rest of it."""
    if maker.is_new:
        maker.given["mains.voltage"] = format_value(found.tests.primary_voltage, "V", 4)
        maker.given["mains.frequency"] = format_value(found.tests.frequency, "Hz", 3)
        if use == TAPPED:
            maker.given["rectifier.kind"] = "centre tap"
    maker.given |= answers_of(found, use)
    text = BenchText(maker.text())
    section = text.first("transformer") or text.add("transformer")
    section.set("resistance_temperature", f"{found.tests.temperature:g} °C", "of the windings when they were measured")
    if found.tests.short_circuit is not None:
        section.remove("leakage_inductance")
    if given.get("insulation", NOT_MEASURED) != NOT_MEASURED:
        section.body += f"# insulation and earth bond, as typed: {one_line(given['insulation'], 200)}\n"
    for old in [each for each in text.all("learned") if each.content.get("part") in found.parts]:
        text.remove(old)
    for part, known in found.parts.items():
        entry = text.add("learned", many=True)
        entry.set("part", part)
        entry.set(
            "uncertainty", f"{100 * known.relative:.3g} %", "of the value above, k = 2, by the meters' accuracies"
        )
        entry.set("learned_from", "tests of the transformer")
    read_bench(text.text, str(maker.path), folder=maker.path.parent)
    return text.text
