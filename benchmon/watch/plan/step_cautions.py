"""The cautions at a step of the plan, with the numbers that are expected in it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from benchmon.bench import Bench
from benchmon.findings import findings_of_readings, wording_of
from benchmon.quantities import Expected, format_value
from benchmon.standards import METAL_HARMLESS, TOUCHABLE_DC
from benchmon.watch.plan.plan import Plan

_WARM_LOAD = 1.0


def step_cautions(plan: Plan, number: int, bench: Bench, expected: Mapping[str, Expected]) -> list[str]:
    """Return the cautions at a step, numbered from 1, with the numbers that are `expected` in it, by quantity."""
    load = plan.load_at(number)
    findings = [wording_of(finding) for finding in findings_of_readings(bench, expected, load)]
    return [
        *_before(plan, number, bench),
        *_charge(plan, number, bench, expected),
        *_heat(plan, number, expected),
        *findings,
    ]


def _before(plan: Plan, number: int, bench: Bench) -> Iterator[str]:
    step = plan.steps[number - 1].step
    if number == 1:
        yield "Fuse in, earth clips as this rectifier needs them, the switch within reach, somebody within call."
    elif step.load is not None and step.load != plan.load_at(number - 1):
        discharge = ", let the reservoir discharge, and measure that it has" if bench.reservoir is not None else ""
        yield f"Before you change the load: switch off{discharge}."
    former = plan.mains_at(number - 1) if number > 1 else 0.0
    if step.mains is not None and former is not None and step.mains > former:
        yield "Turn the mains up slowly, one hand on the switch; down again at smoke, smell, hum or a wrong reading."


def _charge(plan: Plan, number: int, bench: Bench, expected: Mapping[str, Expected]) -> Iterator[str]:
    reservoir = bench.reservoir
    volts = expected.get("reservoir.voltage.peak")
    if reservoir is None or volts is None:
        return
    energy = format_value(0.5 * reservoir.capacitance * volts.value**2, "J", 2)
    held = f"The reservoir holds {format_value(volts.value, 'V', 3)} and {energy}"
    if plan.load_at(number) == "open":
        yield f"{held}; without load it keeps them after switching off: bleed it through a resistor, then measure."
    elif volts.value > TOUCHABLE_DC:
        yield f"{held}: more than is safe to touch."


def _heat(plan: Plan, number: int, expected: Mapping[str, Expected]) -> Iterator[str]:
    case = expected.get("diode.temperature.case")
    if case is not None and case.value > METAL_HARMLESS:
        yield f"Diodes settle near {case.value:.0f} °C: they burn skin, also for a while after switching off."
    power = expected.get("output.power.mean")
    if plan.load_at(number) != "open" and power is not None and power.value > _WARM_LOAD:
        yield f"The load turns {format_value(power.value, 'W', 2)} into heat: keep skin and what can burn away from it."
