"""Commands that print an answer and end: check, choose, predict, assess and ports."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from benchmon.cli.options import AMBIENT, BENCH, JSON, MAINS_VOLTAGE, PATH, QuantityParam
from benchmon.errors import EXIT_ANSWER_IS_NO, EXIT_DONE, BadInput
from benchmon.quantities import DURATION, RESISTANCE, VOLTAGE, parse_value
from benchmon.text import one_line

if TYPE_CHECKING:
    from benchmon.bench import Bench, SetLoad
    from benchmon.instruments.connection_test import Tried
    from benchmon.watch.conditions import Conditions


@click.command()
@BENCH
@click.option("--mains", type=MAINS_VOLTAGE, metavar="VOLTS", help='The measured mains voltage, such as "241 V".')
@click.option("--ambient", type=AMBIENT, metavar="TEMPERATURE", help='The ambient temperature, such as "31 °C".')
@click.option(
    "--load", metavar="OHMS", help='Another load than the bench file\'s: a resistance, such as "10 Ω", or "open".'
)
@click.option("--step", "step", metavar="NAME", help="At the mains voltage and the load of this step of the plan.")
@click.option("--sweep", "sweep", metavar="NAME", help="Every value of this [[sweep]], as a table and a plot.")
@click.option(
    "--quantity",
    "quantities",
    multiple=True,
    metavar="QUANTITY",
    help="With --sweep: a quantity to print; the first one given is plotted. May be repeated.",
)
@click.option(
    "--why",
    "why",
    metavar="QUANTITY",
    help="Where one value comes from: the handbook's formula, what each effect changes, the uncertainty budget. "
    'Or "wiring": what this and every other wiring of the windings costs.',
)
@JSON
def predict(
    bench: Path,
    mains: float | None,
    ambient: float | None,
    load: str | None,
    step: str | None,
    sweep: str | None,
    quantities: tuple[str, ...],
    why: str | None,
    as_json: bool,
) -> int:
    """Print what every meter should read, also along a sweep, or why."""
    from benchmon.bench import load_bench, with_first
    from benchmon.cli import output
    from benchmon.prediction import predict as predict_bench
    from benchmon.watch.conditions import Conditions

    loaded = load_bench(bench)
    if sweep is not None:
        if why is not None or step is not None or load is not None:
            raise BadInput("--sweep sets the load or the mains itself; leave out --why, --step and --load")
        return _swept(loaded, sweep, Conditions(mains, ambient), quantities, as_json=as_json)
    if quantities:
        raise BadInput("--quantity chooses what --sweep prints; give --sweep NAME too")
    of_step = (None, None) if step is None else _setting_of(loaded, step)
    mains = of_step[0] if mains is None else mains
    at_load = of_step[1] if load is None else with_first(of_step[1], _load(load))
    if why is not None:
        return _explained(loaded, why, Conditions(mains, ambient, at_load), as_json=as_json)
    prediction = predict_bench(loaded, mains_voltage=mains, ambient=ambient, load=at_load)
    if as_json:
        click.echo(output.as_json(output.prediction_as_dict(loaded, prediction)))
    else:
        click.echo(output.prediction_as_text(loaded, prediction, at_load))
    return EXIT_DONE


def _swept(bench: Bench, name: str, at: Conditions, quantities: tuple[str, ...], *, as_json: bool) -> int:
    """Print what every quantity should be at each value of a sweep."""
    from benchmon.cli import output
    from benchmon.prediction.curves.sweep import predict_sweep
    from benchmon.quantities import UNITS

    sweep = next((sweep for sweep in bench.sweep if sweep.name == name), None)
    if sweep is None:
        known = ", ".join(repr(each.name) for each in bench.sweep) or "none"
        raise BadInput(
            f"--sweep {one_line(name, 60)!r}: is not a [[sweep]] of this file; there is {one_line(known, 400)}"
        )
    for quantity in quantities:
        if quantity not in UNITS:
            raise BadInput(f"--quantity {one_line(quantity, 60)!r}: is not a quantity, such as output.voltage.mean")
    if at.mains_voltage is not None and sweep.over == "mains.voltage":
        raise BadInput("--mains: this sweep sets the mains voltage itself; leave it out")
    found = predict_sweep(bench, sweep.over, sweep.values, mains_voltage=at.mains_voltage, ambient=at.ambient)
    if as_json:
        click.echo(output.as_json(output.sweep_as_dict(bench, sweep.name, found)))
    else:
        click.echo(output.sweep_as_text(bench, sweep.name, found, quantities))
    return EXIT_DONE


def _explained(bench: Bench, quantity: str, at: Conditions, *, as_json: bool) -> int:
    """Print where the value of a quantity comes from."""
    from benchmon.cli import output
    from benchmon.prediction.explained.derivation import explain
    from benchmon.prediction.explained.wirings import wiring_costs, wirings_as_list, wirings_as_text
    from benchmon.prediction.explained.wording import derivation_as_dict, derivation_as_text
    from benchmon.quantities import UNITS

    if quantity == "wiring":
        from benchmon.prediction.predict import at_step

        bench = at_step(bench, at.load, at.mains_voltage)
        if at.ambient is not None:
            bench = bench.model_copy(update={"ambient": bench.ambient.model_copy(update={"temperature": at.ambient})})
        costs = wiring_costs(bench)
        as_object = {"title": bench.title, "wirings": wirings_as_list(costs)}
        click.echo(output.as_json(as_object) if as_json else f"{one_line(bench.title)}\n{wirings_as_text(costs)}")
        return EXIT_DONE
    if quantity not in UNITS:
        raise BadInput(
            f"--why {one_line(quantity, 60)!r}: is not a quantity; `benchmon manual bench-file` lists them, "
            "such as output.voltage.mean"
        )
    found = explain(bench, quantity, mains_voltage=at.mains_voltage, ambient=at.ambient, load=at.load)
    if as_json:
        click.echo(output.as_json({"title": bench.title} | derivation_as_dict(found)))
    else:
        click.echo(f"{one_line(bench.title)}\n{derivation_as_text(found)}")
    return EXIT_DONE


def _setting_of(bench: Bench, name: str) -> tuple[float | None, SetLoad]:
    """Return the mains voltage, V, and the load of a step, each None where the bench file's own holds."""
    from benchmon.watch.plan import Plan

    plan = Plan(bench.step)
    number = next((number for number, step in enumerate(bench.step, 1) if step.name == name), None)
    if number is None:
        known = ", ".join(repr(step.name) for step in bench.step) or "none"
        raise BadInput(f"--step {one_line(name, 60)!r}: is not a step of this plan; there is {one_line(known, 400)}")
    return plan.mains_at(number), plan.load_at(number)


def _load(text: str) -> float | Literal["open"]:
    if text == "open":
        return "open"
    try:
        ohms = parse_value(text, RESISTANCE)
    except BadInput as problem:
        raise BadInput(f'--load {one_line(text, 60)!r} {problem}, or "open"') from problem
    if not ohms > 0:
        raise BadInput(f'--load {one_line(text, 60)!r} must be above 0, or "open"')
    return ohms


@click.command()
@BENCH
@click.option(
    "--ripple",
    type=QuantityParam(VOLTAGE, above_zero=True),
    metavar="VOLTS",
    help='The smallest reservoir whose ripple stays within this, peak to peak, such as "1 V".',
)
@click.option("--fuse", is_flag=True, help="The smallest fuses that carry the current and survive switch-on.")
@click.option(
    "--series",
    type=click.Choice(["E6", "E12"]),
    default="E12",
    show_default=True,
    help="The series of values in which capacitors are sold (IEC 60063).",
)
@JSON
def choose(bench: Path, ripple: float | None, fuse: bool, series: Literal["E6", "E12"], as_json: bool) -> int:
    """Choose a reservoir for a ripple, or a fuse."""
    from benchmon.bench import load_bench
    from benchmon.cli import output
    from benchmon.prediction.ratings.choosing import choose_fuse, choose_reservoir

    if ripple is None and not fuse:
        raise BadInput('say what to choose: --ripple "1 V" for a reservoir, --fuse for a fuse, or both')
    loaded = load_bench(bench)
    reservoir = None if ripple is None else choose_reservoir(loaded, ripple, series)
    fuses = choose_fuse(loaded) if fuse else None
    if as_json:
        click.echo(output.as_json(output.choices_as_dict(loaded, reservoir, fuses)))
    else:
        click.echo(output.choices_as_text(loaded, reservoir, fuses))
    found = (reservoir is None or reservoir.chosen is not None) and (fuses is None or any(fuses.chosen.values()))
    return EXIT_DONE if found else EXIT_ANSWER_IS_NO


@click.command()
@BENCH
@click.option("--connect", is_flag=True, help="Also connect to each instrument and read each channel once.")
@click.option(
    "--exercise", is_flag=True, help="Also switch off as a trip would, and verify by a reading that the power is gone."
)
@click.option("--yes", is_flag=True, help="Confirm that --exercise may switch off.")
@JSON
def check(bench: Path, connect: bool, exercise: bool, yes: bool, as_json: bool) -> int:
    """Check ratings and cautions before power, in the worst case."""
    from benchmon.bench import calibration_cautions, load_bench
    from benchmon.cli import output
    from benchmon.instruments.registry import prepare
    from benchmon.prediction.ratings.check import check as check_bench

    loaded = load_bench(bench)
    prepare(loaded)  # Refuses a key that its driver does not take, before the meters are connected.
    if exercise:
        check_may_exercise(loaded, yes=yes)
    ratings = check_bench(loaded)
    due = calibration_cautions(loaded.channel, date.today())  # noqa: DTZ011 - a calibration is due by the calendar here
    ratings = replace(ratings, cautions=(*ratings.cautions, *due))
    results = tried(loaded, connect=connect, switch=exercise)
    if as_json:
        click.echo(output.as_json(output.ratings_as_dict(ratings) | output.tried_as_dict(results)))
    else:
        click.echo(output.ratings_as_text(loaded, ratings) + output.tried_as_text(results))
        click.echo(f"\n{output.verdict_as_text(ratings, results)}")
    ok = ratings.ok and all(row.ok for rows in results.values() for row in rows)
    return EXIT_DONE if ok else EXIT_ANSWER_IS_NO


@click.command()
@BENCH
@click.argument("readings", type=PATH)
@JSON
def assess(bench: Path, readings: Path, as_json: bool) -> int:
    """Judge readings logged by hand.

    READINGS is a CSV with the columns time_s, channel and value (SI).
    """
    from benchmon.bench import load_bench
    from benchmon.cli import output
    from benchmon.report.logged_readings import read_readings
    from benchmon.report.reevaluate import assess as assess_readings

    loaded = load_bench(bench)
    answer = assess_readings(loaded, read_readings(readings, [channel.name for channel in loaded.channel]))
    click.echo(output.as_json(answer) if as_json else output.assessment_as_text(loaded, answer))
    return EXIT_ANSWER_IS_NO if any("tripped" in each["flags"] for each in answer["channels"].values()) else EXIT_DONE


@click.command()
@click.option(
    "--ask-serial", is_flag=True, help="Also send *IDN? to serial ports, which may confuse the devices there."
)
@click.option(
    "--within",
    type=QuantityParam(DURATION, above_zero=True),
    default="5",
    metavar="SECONDS",
    help="How long to search; 5 s.",
)
def ports(ask_serial: bool, within: float) -> int:
    """List serial ports and VISA resources, and what answers there."""
    from benchmon.cli import output
    from benchmon.instruments.registry import find_ports

    click.echo(output.ports_as_text(find_ports(within, ask_serial=ask_serial)))
    return EXIT_DONE


def check_may_exercise(bench: Bench, *, yes: bool) -> None:
    """Raise `BadInput` if nothing switches off, or if --yes was not given."""
    if bench.switch_off is None:
        raise BadInput(f"{bench.origin}: has no [switch_off], so there is nothing to exercise")
    if not yes:
        raise BadInput(
            f"{bench.origin}: --exercise switches off by {bench.switch_off.instrument}; "
            "add --yes when nobody and nothing is harmed by that"
        )


def tried(bench: Bench, *, connect: bool, switch: bool) -> dict[str, list[Tried]]:
    """Return the results of opening the instruments (`connect`) and of switching off (`switch`), by their title.

    Raises `BenchFileError` if a driver refuses its keys.
    """
    from benchmon.instruments.connection_test import try_instruments
    from benchmon.instruments.registry import prepare
    from benchmon.recorder.switch_off import exercise

    found = {}
    if connect:
        found["instruments"] = try_instruments(bench, prepare(bench))
    if switch:
        found["switch off"] = exercise(bench, prepare(bench))
    return found


COMMANDS = (check, choose, predict, assess, ports)
