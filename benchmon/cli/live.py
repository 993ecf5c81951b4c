"""The commands for a live bench: demo, run, attach, simulate, enter and benches."""

from __future__ import annotations

import time
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

import click

from benchmon.cli.options import (
    ASCII,
    BENCH,
    DURATION_OPTION,
    EFFECTS,
    FAULT,
    GUESS,
    HEADLESS,
    OPERATOR,
    PATH,
    PUBLISH,
    SERIAL,
    SESSION,
    has_terminal,
    require_terminal,
)
from benchmon.errors import EXIT_ANSWER_IS_NO, EXIT_DONE, BadInput, SessionFileError
from benchmon.text import one_line

if TYPE_CHECKING:
    from benchmon.bench import Bench
    from benchmon.recorder import RecorderProcess
    from benchmon.session.records import SessionView


_LONGEST_FACT = 100
_SERIAL_DRIVERS = ("serial_lines", "serial_frames")
"""Drivers of which opening the line lets the power come."""


def check_power_return(bench: Bench, *, yes: bool) -> None:
    """Ask whether the power may come, where opening a serial line lets it come and the last recording tripped.

    `yes` answers beforehand. Raises `BadInput` where the answer is no, or where nobody can be asked.
    """
    from benchmon.cli.session_files import sessions_of
    from benchmon.session.reader import has_tripped

    switch = bench.switch_off
    if switch is None or yes:
        return
    driver = next((each.driver for each in bench.instrument if each.name == switch.instrument), "")
    if driver not in _SERIAL_DRIVERS:
        return
    last = next(iter(sessions_of(bench.title)), None)
    if last is None:
        return
    with suppress(SessionFileError):
        if has_tripped(last):
            _ask(one_line(last.name, 200), one_line(switch.instrument, 40))


def _ask(session: str, instrument: str) -> None:
    words = f"{session}, the last recording of this bench, tripped; starting one lets {instrument} switch the power on"
    if not has_terminal():
        raise BadInput(f"{words}: add --yes once the cause is found")
    if not click.confirm(f"{words}. Start?", err=True):
        raise BadInput("nothing was started; the power was not switched on by benchmon")


@click.command()
@click.argument("scenario", default="reservoir")
@click.option("--list", "list_them", is_flag=True, help="List the scenarios and faults, and exit.")
@FAULT
@EFFECTS
@HEADLESS
@DURATION_OPTION
@SESSION
@SERIAL
@OPERATOR
@GUESS
@ASCII
def demo(
    scenario: str,
    list_them: bool,
    faults: tuple[str, ...],
    effects: str,
    headless: bool,
    duration: float | None,
    session: Path | None,
    serial: str | None,
    operator: str | None,
    is_guessed_first: bool,
    ascii_only: bool,
) -> int:
    """Watch a simulated bench: an invented supply and meters behind real sockets and serial lines.

    `demo transformer` shows the tests of a transformer as it comes in.
    """
    if list_them:
        from benchmon.cli.simulate import scenarios_as_text

        click.echo(scenarios_as_text())
        return EXIT_DONE
    if scenario == "transformer":
        from benchmon.cli.new_bench import show_transformer_demo

        return show_transformer_demo()

    from benchmon.cli.demo_bench import START_LIMIT, DemoBench
    from benchmon.recorder import start_recorder

    facts = _facts(serial, operator, is_guessed_first=is_guessed_first)
    _check_guesses_can_be_typed(headless=headless, is_guessed_first=is_guessed_first)
    with DemoBench(scenario, session) as bench:
        recorder = None
        # The recorder has most to load, so it begins first.
        if has_terminal() and not headless:
            recorder = start_recorder(
                bench.bench_file, bench.session, duration=duration, wait=START_LIMIT, like=bench.like, facts=facts
            )
        bench.start(faults, effects)
        load_in_background("benchmon.recorder.recording" if recorder is None else "benchmon.screen.app")
        bench.until_ready()
        if recorder is None:
            return _record(bench.bench_file, bench.session, headless, duration, ascii_only, facts=facts)
        return _watch(recorder.until_ready(), ascii_only)


@click.command()
@BENCH
@HEADLESS
@DURATION_OPTION
@SESSION
@SERIAL
@OPERATOR
@GUESS
@PUBLISH
@click.option("--yes", is_flag=True, help="Start without asking, though the last recording of the bench tripped.")
@ASCII
def run(
    bench: Path,
    headless: bool,
    duration: float | None,
    session: Path | None,
    serial: str | None,
    operator: str | None,
    is_guessed_first: bool,
    publish: str | None,
    yes: bool,
    ascii_only: bool,
) -> int:
    """Record and watch a bench: a recorder as a process of its own, and a screen that follows it."""
    from benchmon.bench import load_bench

    _check_guesses_can_be_typed(headless=headless, is_guessed_first=is_guessed_first)
    check_power_return(load_bench(bench), yes=yes)
    facts = _facts(serial, operator, is_guessed_first=is_guessed_first)
    return _record(bench, session, headless, duration, ascii_only, publish, facts)


def _check_guesses_can_be_typed(*, headless: bool, is_guessed_first: bool) -> None:
    """Raise `BadInput` where guesses are asked for and there is no screen to type them on."""
    if is_guessed_first and (headless or not has_terminal()):
        raise BadInput(
            "--guess hides expected values on the screen until a guess is typed there; without a screen nobody can "
            "guess, and nothing is hidden: use a terminal without --headless, or leave out --guess"
        )


def _facts(serial: str | None, operator: str | None, *, is_guessed_first: bool = False) -> dict[str, str]:
    """Return what is stored of a test beside its readings: which unit, who tests it, and whether values are guessed.

    Raises `BadInput`.
    """
    given = {"serial": serial, "operator": operator}
    for name, text in given.items():
        if text is not None and (not text.strip() or len(text) > _LONGEST_FACT or one_line(text) != text):
            raise BadInput(
                f"--{name} {one_line(text, 60)!r}: give a text of 1 to {_LONGEST_FACT} characters in one line"
            )
    guess = {"guess": "yes"} if is_guessed_first else {}
    return {name: text for name, text in given.items() if text is not None} | guess


def _record(
    bench_file: Path,
    session: Path | None,
    headless: bool,
    duration: float | None,
    ascii_only: bool,
    publish: str | None = None,
    facts: dict[str, str] | None = None,
) -> int:
    from benchmon.bench import load_bench
    from benchmon.cli.session_files import new_session_path
    from benchmon.publish.publisher import check_broker, start_publisher
    from benchmon.recorder import record, spawn_recorder, summary_text

    bench = load_bench(bench_file)
    if not bench.channel:
        raise BadInput(
            f"{bench_file}: has no [[channel]], so there is nothing to read; add an instrument and a channel"
        )
    if publish is not None:
        check_broker(publish)
    path = session or new_session_path(bench.title)
    if headless:
        summary = record(
            bench, path, duration=duration, on_ready=lambda: publish and start_publisher(path, publish), facts=facts
        )
        click.echo(summary_text(summary))
        return EXIT_ANSWER_IS_NO if summary.trips else EXIT_DONE
    require_terminal()
    load_in_background("benchmon.screen.app")
    recorder = spawn_recorder(bench_file, path, duration=duration, facts=facts)
    if publish is not None:
        start_publisher(path, publish)
    return _watch(recorder, ascii_only)


def _watch(recorder: RecorderProcess, ascii_only: bool) -> int:
    """Open a screen on a recorder that was started here; return its exit status if it has ended, else 0."""
    goes_on = _show(recorder.path, ascii_only)
    return EXIT_DONE if goes_on else recorder.wait(10.0)


@click.command()
@click.argument("session", type=PATH, required=False)
@click.option("--read-only", is_flag=True, help="Only watch: no notes, no stopping.")
@ASCII
def attach(session: Path | None, read_only: bool, ascii_only: bool) -> int:
    """Open a screen on a running recorder: that of SESSION, or the latest."""
    from benchmon.cli.session_files import latest_session

    require_terminal()
    _show(session or latest_session(), ascii_only, read_only)
    return EXIT_DONE


def _show(session: Path, ascii_only: bool, read_only: bool = False) -> bool:
    """Open a screen on a session; return whether its recorder goes on afterwards."""
    from benchmon.session.follower import open_session_view
    from benchmon.session.records import RECENT_SECONDS

    load_in_background("benchmon.screen.app")
    view = open_session_view(session, read_only=read_only, recent=RECENT_SECONDS)
    # A demo goes on as long as somebody looks, who has its file open; the view opens it only for a moment at a time.
    with session.open("rb"):
        return _follow(view, ascii_only, read_only)


def _follow(view: SessionView, ascii_only: bool, read_only: bool = False) -> bool:
    from benchmon.screen.app import run_screen
    from benchmon.screen.views.dialogs import ExitChoice

    try:
        choice = run_screen(view, ascii_only=ascii_only, read_only=read_only)
    finally:
        view.close()
    click.echo(f"{choice} Session: {one_line(view.info.path, 1000)}")
    return choice is ExitChoice.RECORDER_GOES_ON


def load_in_background(module: str) -> None:
    """Load a module in a thread and return at once. A later import waits for the thread, and raises what failed."""

    def load() -> None:
        with suppress(Exception):
            import_module(module)

    Thread(target=load, name=f"loading {module}", daemon=True).start()


@click.command()
@BENCH
@click.option("--save-bench", type=PATH, metavar="FILE", help="Write a bench file with the addresses filled in.")
@click.option("--until-finished", type=PATH, metavar="SESSION", help="Stop when SESSION has ended.")
@click.option("--seed", type=int, default=1, help="Seed for the values of the parts and the errors of the meters.")
@FAULT
@EFFECTS
def simulate(
    bench: Path, save_bench: Path | None, until_finished: Path | None, seed: int, faults: tuple[str, ...], effects: str
) -> int:
    """Simulate the instruments of BENCH and print the address of each.

    While they run, lines on standard input change the bench: "fault open-diode", "clear all", "mains 180 V", "list".
    """
    from benchmon.cli.simulate import run_simulator

    run_simulator(bench, save_bench, until_finished, seed, faults, effects)
    return EXIT_DONE


# A value may be negative, and "-5 V" is no option.
@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("channel")
@click.argument("value")
@click.option("--session", type=PATH, metavar="FILE", help="The session; by default the latest that is being recorded.")
def enter(channel: str, value: str, session: Path | None) -> int:
    """Enter into a running recorder what the display of a `hand` instrument shows: enter vout "22.14 V"."""
    from benchmon.cli.session_files import latest_session
    from benchmon.session.follower import enter_reading

    click.echo(enter_reading(session or latest_session(), channel, value))
    return EXIT_DONE


_BROKER_WITHIN = 5.0
_LISTEN = 2.0
"""Seconds in which every running bench publishes at least once."""


@click.command()
@click.argument("url")
@click.option(
    "--once", is_flag=True, help="Print the present status of the benches and exit, with status 1 if one is in danger."
)
@ASCII
def benches(url: str, once: bool, ascii_only: bool) -> int:
    """Show all benches that are published to a broker: URL is mqtt://host/lab."""
    from benchmon.publish.broker import read_broker
    from benchmon.publish.lab import Overview, overview_as_text
    from benchmon.watch.status import Level

    overview = Overview(read_broker(url))
    if not once and not has_terminal():
        raise BadInput("the screen needs a terminal; use --once where there is none")
    overview.start()
    try:
        overview.wait_for_broker(_BROKER_WITHIN)
        if not once:
            from benchmon.screen.lab_app import show_lab

            show_lab(overview, ascii_only=ascii_only)
            return EXIT_DONE
        time.sleep(_LISTEN)
        found = overview.benches()
    finally:
        overview.stop()
    click.echo(overview_as_text(found, overview.left_out))
    return EXIT_ANSWER_IS_NO if any(bench.level is Level.DANGER for bench in found) else EXIT_DONE


COMMANDS = (demo, run, attach, simulate, enter, benches)
