"""Units of one design side by side, from their sessions.

A unit is what was tested under one serial number; where it was tested more than once, the latest session counts. Values
are those of the end of the test. Each is compared with what was expected of it then, at its own mains and temperature,
and moved by as much as that differs from what was expected of the units on average. So units that were tested at
different mains are set side by side at their mean.

The predicted spread holds what parts, mains and model may do to one supply. Parts of one lot differ less than their
tolerances, and what the model misses is alike in all units: a batch that varies less than predicted is usual, one that
varies more is not.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from benchmon.batch.methods import (
    FEWEST,
    Capability,
    OutlierKind,
    capability_of,
    deviation_limits,
    deviation_of,
    is_normal,
    mean_uncertainty,
    outlying,
    tolerance_factor,
)
from benchmon.errors import BadInput, SessionFileError
from benchmon.quantities import UNITS, Expected
from benchmon.report.comparison.comparison import CONDITIONS, OF_METER, shared_meter, supply_of
from benchmon.report.evaluation import ChannelResult, EndOfTest, end_of_test, plan_of
from benchmon.report.session_reader import RecordedSession
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE
from benchmon.text import one_line
from benchmon.watch.records import Verdict
from benchmon.watch.verdict import en_number, verdict_of

FEWEST_UNITS = 2
_BADNESS = (Verdict.UNPREDICTED, Verdict.AGREES, Verdict.QUESTIONABLE, Verdict.DISAGREES)


@dataclass(frozen=True)
class TestedUnit:
    """One unit: its serial number (its file's name where it has none), the session that counts, and how it went.

    `tests` is how many sessions there are of it. `verdict` is the worst of its channels, `disagreeing` those channels,
    `tripped` those that went past a limit. `outlying` and `straggling` are quantities in which it differs from the
    other units, `from_reference` those in which it differs from the reference unit.
    """

    serial: str
    path: Path
    tests: int
    verdict: Verdict
    disagreeing: tuple[str, ...]
    tripped: tuple[str, ...]
    outlying: tuple[str, ...] = ()
    straggling: tuple[str, ...] = ()
    from_reference: tuple[str, ...] = ()

    @property
    def passed(self) -> bool:
        """Whether nothing tripped and no channel disagreed with what was expected."""
        return not self.tripped and self.verdict is not Verdict.DISAGREES


@dataclass(frozen=True)
class AgainstReference:
    """The mean of the units less the reference unit: measured, its uncertainty, and how far two units may differ."""

    difference: float
    uncertainty: float
    predicted: float


@dataclass(frozen=True)
class BatchQuantity:
    """One quantity of all units, in its unit.

    `values` (n,) are in the order of the units, NaN where a unit did not measure it. `mean` and `deviation` are of all
    `count` values, `mean_limit` and `deviation_limits` how well they are known; `kept_deviation` and its limits are
    without outliers. `expected` is what was expected on average with its expanded uncertainty, None where nothing was.
    `tolerance` is the interval that holds `methods.CONTENT` of all units. None is what so few values do not show.
    """

    quantity: str
    unit: str
    values: Floats
    count: int
    mean: float
    mean_limit: float
    deviation: float
    deviation_limits: tuple[float, float]
    kept_deviation: float
    kept_limits: tuple[float, float]
    expected: Expected | None
    en: float | None
    normal: bool | None
    tolerance: tuple[float, float] | None
    capability: Capability | None
    outlying: dict[int, OutlierKind] = field(default_factory=dict)
    reference: AgainstReference | None = None

    @property
    def verdict(self) -> Verdict:
        """The verdict on the mean of the batch."""
        return verdict_of(self.en)

    @property
    def spread(self) -> str:
        """How the units vary beside the prediction: `as predicted`, `more` or `less`; "" where that is not known."""
        predicted = 0.0 if self.expected is None else self.expected.uncertainty / COVERAGE
        low, high = self.kept_limits
        if self.expected is None or not math.isfinite(low):
            return ""
        return "more" if low > predicted else "less" if high < predicted else "as predicted"


@dataclass(frozen=True)
class Batch:
    """Units of one design. `notes` say what was left out and why; `reference` is the file of the reference unit."""

    title: str
    units: tuple[TestedUnit, ...]
    quantities: tuple[BatchQuantity, ...]
    notes: tuple[str, ...]
    reference: Path | None = None

    @property
    def failed(self) -> tuple[TestedUnit, ...]:
        """The units that did not pass."""
        return tuple(one for one in self.units if not one.passed)


def read_batch(paths: Sequence[Path], reference: Path | None = None) -> Batch:
    """Return the units of these session files side by side.

    A file that cannot be read, has no readings or is of another design than most of the others is left out, and a note
    says so; `reference` is not counted as a unit. Raises `BadInput` for fewer than two units, `SessionFileError` where
    the reference cannot be read.
    """
    notes: list[str] = []
    ends: list[EndOfTest] = []
    known = None if reference is None else _end_of(reference)
    for path in paths:
        if reference is not None and path.resolve() == reference.resolve():
            continue
        try:
            ends.append(_end_of(path))
        except (BadInput, SessionFileError) as problem:
            notes.append(f"left out: {problem}")
    ends, of_other_design = _of_one_design(ends, known)
    notes += (f"left out: {_name(one)}: is of another design" for one in of_other_design)
    tested = _by_serial(ends)
    chosen = [tests[-1] for tests in tested.values()]
    for serial, tests in tested.items():
        if len(tests) > 1:
            notes.append(f"{one_line(serial, 100)} was tested {len(tests)} times; its latest session counts")
    if len(chosen) < FEWEST_UNITS:
        because = f" ({'; '.join(notes[:3])})" if notes else ""
        raise BadInput(f"a batch is of {FEWEST_UNITS} units or more; found {len(chosen)}{because}")
    quantities = tuple(_quantities(chosen, known))
    counts = {serial: len(tests) for serial, tests in tested.items()}
    return Batch(
        chosen[0].bench.title, tuple(_units(chosen, counts, quantities, known)), quantities, tuple(notes), reference
    )


def _end_of(path: Path) -> EndOfTest:
    session = RecordedSession(path)
    with session.held_open():
        return end_of_test(session.with_data(), plan_of(session))


def _name(one: EndOfTest) -> str:
    return one_line(one.session.path, 300)


def _of_one_design(ends: Sequence[EndOfTest], reference: EndOfTest | None) -> tuple[list[EndOfTest], list[EndOfTest]]:
    """Return the units of the reference's design, or of that which most have, and the others.

    Raises `BadInput` where a reference is of another design than all.
    """
    designs = [_design(one) for one in ends]
    common = _design(reference) if reference is not None else max(designs, key=designs.count, default="")
    ours = [one for one, design in zip(ends, designs, strict=True) if design == common]
    if reference is not None and ends and not ours:
        raise BadInput(f"{_name(reference)}: the reference unit is of another design than all sessions")
    return ours, [one for one, design in zip(ends, designs, strict=True) if design != common]


def _design(one: EndOfTest) -> str:
    return json.dumps(supply_of(one.bench), sort_keys=True, default=str)


def _by_serial(ends: Sequence[EndOfTest]) -> dict[str, list[EndOfTest]]:
    """Return the sessions of every unit, the earliest first; one without a serial number is a unit of its own."""
    found: dict[str, list[EndOfTest]] = {}
    for one in sorted(ends, key=lambda one: one.session.info.started):
        found.setdefault(one.session.info.serial or one.session.path.name, []).append(one)
    return found


def _quantities(units: Sequence[EndOfTest], reference: EndOfTest | None) -> Iterable[BatchQuantity]:
    for quantity in UNITS:
        results = [one.of(quantity) for one in units]
        if quantity not in CONDITIONS and sum(one is not None for one in results) >= FEWEST_UNITS:
            yield _quantity(quantity, units, results, reference)


def _quantity(
    quantity: str, units: Sequence[EndOfTest], results: Sequence[ChannelResult | None], reference: EndOfTest | None
) -> BatchQuantity:
    expected = _expected(results, UNITS[quantity])
    values = np.array([_corrected(one, expected) for one in results])
    places = np.flatnonzero(np.isfinite(values))
    measured = values[places]
    count, mean, deviation = len(measured), float(measured.mean()), deviation_of(measured)
    known = [(unit, one) for unit, one in zip(units, results, strict=True) if one is not None]
    accuracy = max(one.channel.accuracy.of(one.value) for _, one in known)
    is_one_meter = all(shared_meter(quantity, known[0][0], unit) is not None for unit, _ in known[1:])
    apart = (OF_METER if is_one_meter else 1.0) * accuracy
    found = {} if count < FEWEST else outlying(measured, apart)
    kept = np.array([value for at, value in enumerate(measured.tolist()) if found.get(at) is not OutlierKind.OUTLIER])
    kept_deviation = deviation_of(kept) if len(kept) > 1 else math.nan
    limits = next((given for _, one in known if (given := _limits(one)) != (None, None)), (None, None))
    factor = tolerance_factor(count)
    spread = mean_uncertainty(deviation, count)
    en = None
    if expected is not None:
        en = en_number(mean, math.hypot(spread, accuracy), expected.value, expected.uncertainty)
    return BatchQuantity(
        quantity,
        UNITS[quantity],
        values,
        count,
        mean,
        spread,
        deviation,
        deviation_limits(deviation, count),
        kept_deviation,
        deviation_limits(kept_deviation, len(kept)) if len(kept) > 1 else (math.nan, math.nan),
        expected,
        en,
        is_normal(measured),
        (mean - factor * deviation, mean + factor * deviation),
        capability_of(mean, deviation, count, limits) if limits != (None, None) and deviation > 0.0 else None,
        {int(places[at]): kind for at, kind in found.items()},
        None
        if reference is None
        else _reference(quantity, mean, spread, apart, expected=expected, reference=reference),
    )


def _expected(results: Sequence[ChannelResult | None], unit: str) -> Expected | None:
    """Return what was expected on average, None where it was not known of every unit that measured the quantity."""
    every = [one.expected for one in results if one is not None]
    known = [one for one in every if one is not None]
    if len(known) < len(every):
        return None
    value, spread = (
        float(np.mean(part)) for part in zip(*((one.value, one.uncertainty) for one in known), strict=True)
    )
    return Expected(value, spread, unit)


def _corrected(one: ChannelResult | None, mean: Expected | None) -> float:
    """Return a unit's value at the mean conditions of the batch: moved by as much as what was expected differs."""
    if one is None:
        return math.nan
    return one.value if mean is None or one.expected is None else one.value - one.expected.value + mean.value


def _limits(one: ChannelResult) -> tuple[float | None, float | None]:
    """Return the limits of a channel, lower and upper: those of a trip, else those of a warning."""
    channel = one.channel
    lower = channel.warn_below if channel.trip_below is None else channel.trip_below
    upper = channel.warn_above if channel.trip_above is None else channel.trip_above
    return lower, upper


def _reference(
    quantity: str, mean: float, spread: float, apart: float, *, expected: Expected | None, reference: EndOfTest
) -> AgainstReference | None:
    """Return the mean of the units less the reference unit, None where that did not measure the quantity."""
    one = reference.of(quantity)
    if one is None or (expected is not None and one.expected is None):
        return None
    own = math.sqrt(2.0) * apart  # of two readings
    predicted = math.nan
    if expected is not None and one.expected is not None:
        predicted = math.hypot(expected.uncertainty, one.expected.uncertainty)
    return AgainstReference(mean - _corrected(one, expected), math.hypot(spread, own), predicted)


def _units(
    chosen: Sequence[EndOfTest],
    counts: dict[str, int],
    quantities: Sequence[BatchQuantity],
    reference: EndOfTest | None,
) -> Iterable[TestedUnit]:
    for place, one in enumerate(chosen):
        serial = one.session.info.serial or one.session.path.name
        verdicts = {result.channel.name: result.verdict for result in one.channels if result.is_measured}
        yield TestedUnit(
            serial,
            one.session.path,
            counts[serial],
            max(verdicts.values(), key=_BADNESS.index, default=Verdict.UNPREDICTED),
            tuple(name for name, verdict in verdicts.items() if verdict is Verdict.DISAGREES),
            one.tripped,
            _marked(quantities, place, OutlierKind.OUTLIER),
            _marked(quantities, place, OutlierKind.STRAGGLER),
            tuple(found.quantity for found in quantities if reference is not None and _differs(found, place)),
        )


def _marked(quantities: Sequence[BatchQuantity], place: int, kind: OutlierKind) -> tuple[str, ...]:
    """Return the quantities in which a unit is of a kind."""
    return tuple(found.quantity for found in quantities if found.outlying.get(place) is kind)


def _differs(found: BatchQuantity, place: int) -> bool:
    """Return whether a unit differs from the reference unit by more than two units of this design may."""
    if found.reference is None or not math.isfinite(found.values[place]):
        return False
    difference = float(found.values[place]) - (found.mean - found.reference.difference)
    return abs(difference) > math.hypot(found.reference.predicted, found.reference.uncertainty)
