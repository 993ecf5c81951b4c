"""What a prediction finds out about a supply besides its readings: a regulator that starves, a choke that runs dry.

It stands beside the quantities' names, since code that shows a finding must not load the prediction.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import TYPE_CHECKING

from benchmon.quantities import Expected, at_first_output, format_value
from benchmon.standards import INSULATION_STANDS

if TYPE_CHECKING:
    from benchmon.bench import Bench, OutputLoad

_MISSING = 0.02
"""Part of a load's current that may be missing, for it does not fall at once."""


class FindingKind(StrEnum):
    """What is found."""

    REGULATOR_STARVED = "regulator starved"
    LOAD_NOT_MET = "load not met"
    CHOKE_DISCONTINUOUS = "choke discontinuous"
    CORE_SATURATED = "core saturated"
    WINDINGS_OVERHEATED = "windings overheated"


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding: the `value` that shows it and the `limit` that it passes, both in `unit`."""

    kind: FindingKind
    value: float
    limit: float
    unit: str
    where: str = ""
    """Which output it is of, as " of output 2"; "" where there is one, or it is of the first."""


def findings_of_readings(
    bench: Bench, expected: Mapping[str, Expected], loads: tuple[OutputLoad, OutputLoad] = (None, None)
) -> list[Finding]:
    """Return what the expected readings show; `loads` are others than the bench file's, of both outputs."""
    first, second = loads
    found = _at_first_output(bench, expected, first)
    if bench.outputs_apart and bench.rectifier.loads == "each":
        at_second = {at_first_output(name): value for name, value in expected.items() if "_2." in name}
        others = _at_first_output(bench.seen_from_output_2(), at_second, second)
        found += [replace(finding, where=" of output 2") for finding in others]
    return found


def _at_first_output(bench: Bench, expected: Mapping[str, Expected], load: OutputLoad) -> list[Finding]:
    found = []
    headroom, mean = expected.get("regulator.voltage.headroom"), expected.get("output.current.mean")
    if headroom is not None and bench.regulator is not None and bench.regulator.dropout > 0.0:
        dropout = bench.regulator.dropout
        if headroom.value < 1.001 * dropout and _sags(bench, expected):
            lowest = expected["output.voltage.valley"].value
            found.append(Finding(FindingKind.REGULATOR_STARVED, lowest, bench.regulator.output_voltage, "V"))
    if mean is not None and load is None and bench.load.kind == "current":
        wanted = bench.load.current
        if mean.value < (1.0 - _MISSING) * wanted:
            found.append(Finding(FindingKind.LOAD_NOT_MET, mean.value, wanted, "A"))
    windings = expected.get("transformer.temperature")
    if windings is not None and windings.value > INSULATION_STANDS:
        found.append(Finding(FindingKind.WINDINGS_OVERHEATED, windings.value, INSULATION_STANDS, "°C"))
    return found


def _sags(bench: Bench, expected: Mapping[str, Expected]) -> bool:
    valley = expected.get("output.voltage.valley")
    return bench.regulator is not None and valley is not None and valley.value < 0.998 * bench.regulator.output_voltage


def wording_of(finding: Finding) -> str:
    """Return the finding as a sentence."""
    value, limit = (format_value(number, finding.unit, 3) for number in (finding.value, finding.limit))
    match finding.kind:
        case FindingKind.REGULATOR_STARVED:
            return (
                f"The regulator{finding.where} starves: its output falls to {value} in the valleys of the ripple, "
                f"instead of {limit}. It needs more volts, a larger reservoir or less load."
            )
        case FindingKind.LOAD_NOT_MET:
            return f"The supply cannot give the load{finding.where} its current: {value} on average of {limit}."
        case FindingKind.CHOKE_DISCONTINUOUS:
            return (
                f"The choke's current falls to zero for {100.0 * finding.value:.0f} % of the time: the load is below "
                "the critical current, and the output rises towards the peak."
            )
        case FindingKind.CORE_SATURATED:
            return (
                f"The core saturates: its flux reaches {finding.value:.2f} times that at rated voltage. The line "
                "current has tall peaks, and the primary heats up."
            )
        case FindingKind.WINDINGS_OVERHEATED:
            return (
                f"The transformer is overloaded: its windings would settle above {finding.limit:.0f} °C, more than "
                "insulation stands. Do not run it like this."
            )
