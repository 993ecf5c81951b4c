"""The commands for a live bench: demo, run, attach, simulate, enter, plan, sweep and benches."""

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
    RECORDED,
    SERIAL,
    SESSION,
    SESSION_PATH,
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
    """Watch a simulated bench.

    Its supply is invented; its meters answer behind real sockets and serial lines.

    `demo transformer` shows the tests of a transformer as it comes in, `demo batch` ten units of one design.
    """
    if list_them:
        from benchmon.cli.simulate import scenarios_as_text

        click.echo(scenarios_as_text())
        return EXIT_DONE
    if scenario == "transformer":
        from benchmon.cli.new_bench import show_transformer_demo

        return show_transformer_demo()
    if scenario == "batch":
        from benchmon.cli.demo_bench import show_batch_demo

        return show_batch_demo(session)

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
@click.option(
    "--continue",
    "former",
    type=PATH,
    metavar="SESSION",
    help="Take over the points of a sweep that SESSION left unfinished; it goes on when somebody begins it.",
)
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
    former: Path | None,
    yes: bool,
    ascii_only: bool,
) -> int:
    """Record and watch a bench.

    The recorder is a process of its own, and the screen follows it.
    """
    from benchmon.bench import load_bench

    _check_guesses_can_be_typed(headless=headless, is_guessed_first=is_guessed_first)
    check_power_return(load_bench(bench), yes=yes)
    facts = _facts(serial, operator, is_guessed_first=is_guessed_first)
    return _record(bench, session, headless, duration, ascii_only, publish, facts, former)


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
    former: Path | None = None,
) -> int:
    from benchmon.bench import load_bench
    from benchmon.cli.session_files import new_session_path
    from benchmon.publish.publisher import check_broker, start_publisher
    from benchmon.recorder import record, spawn_recorder, summary_text
    from benchmon.recorder.sweep_control import unfinished_in

    bench = load_bench(bench_file)
    if not bench.channel:
        raise BadInput(
            f"{bench_file}: has no [[channel]], so there is nothing to read; add an instrument and a channel"
        )
    if publish is not None:
        check_broker(publish)
    path = session or new_session_path(bench.title)
    if headless:

        def when_ready() -> None:
            if publish is not None:
                start_publisher(path, publish)
            if bench.step:
                shown = one_line(path, 1000)
                click.echo(f"The plan waits: benchmon plan begin --session {shown}, or benchmon attach.", err=True)

        summary = record(
            bench,
            path,
            duration=duration,
            on_ready=when_ready,
            facts=facts,
            unfinished=() if former is None else unfinished_in(former, bench),
        )
        click.echo(summary_text(summary))
        return EXIT_ANSWER_IS_NO if summary.trips else EXIT_DONE
    require_terminal("use --headless where there is none")
    load_in_background("benchmon.screen.app")
    recorder = spawn_recorder(bench_file, path, duration=duration, facts=facts, former=former)
    if publish is not None:
        start_publisher(path, publish)
    return _watch(recorder, ascii_only)


def _watch(recorder: RecorderProcess, ascii_only: bool) -> int:
    """Open a screen on a recorder that was started here; return its exit status if it has ended, else 0."""
    goes_on = _show(recorder.path, ascii_only)
    return EXIT_DONE if goes_on else recorder.wait(10.0)


@click.command()
@click.argument("session", type=SESSION_PATH, required=False)
@click.option("--read-only", is_flag=True, help="Only watch: no notes, no stopping.")
@ASCII
def attach(session: Path | None, read_only: bool, ascii_only: bool) -> int:
    """Open a screen on a running recorder.

    It is that of SESSION, or the latest one.
    """
    from benchmon.cli.session_files import latest_session

    require_terminal("`benchmon plan` and `benchmon replay --headless` print where there is none")
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
    """Simulate the instruments of a bench file.

    It prints the address of each. While they run, lines on standard input change the bench: "fault open-diode",
    "clear all", "mains 180 V", "list".
    """
    from benchmon.cli.simulate import run_simulator

    run_simulator(bench, save_bench, until_finished, seed, faults, effects)
    return EXIT_DONE


# A value may be negative, and "-5 V" is no option.
@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("channel")
@click.argument("value")
@RECORDED
def enter(channel: str, value: str, session: Path | None) -> int:
    """Enter a reading of a meter without an interface.

    The running recorder takes what the display shows: enter vout "22.14 V".
    """
    from benchmon.cli.session_files import session_to_change
    from benchmon.session.follower import enter_reading

    click.echo(enter_reading(session or session_to_change(), channel, value))
    return EXIT_DONE


_DONE_BY_PLAN = ("show", "begin", "go-on", "skip", "stop", "record")


# A value may be negative, and "-5 V" is no option.
@click.command(context_settings={"ignore_unknown_options": True})
@click.argument("action", type=click.Choice(_DONE_BY_PLAN), default="show")
@click.argument("words", nargs=-1)
@click.option("--reason", default="", metavar="TEXT", help="With record: why there is no value.")
@click.option("--meter", default="", metavar="NAME", help="With record: the meter that was used.")
@click.option("--calibrated", default="", metavar="DATE", help="With record: when that meter was calibrated.")
@RECORDED
@ASCII
def plan(
    action: str,
    words: tuple[str, ...],
    reason: str,
    meter: str,
    calibrated: str,
    session: Path | None,
    ascii_only: bool,
) -> int:
    """Show or move the plan of a recorder, without a screen.

    \b
    plan                            how it stands, and what is lacking
    plan begin                      begins the first step
    plan record ENTRY "5.2 MΩ"      records what the step asks for
    plan record ENTRY --reason TEXT
    plan go-on [NOTE]               confirms the step that stands
    plan skip REASON, plan stop [REASON]
    """  # noqa: D301 - the mark before lines that stay as they are
    from benchmon.cli.session_files import session_to_change
    from benchmon.event_kinds import EventKind
    from benchmon.screen.lines.plan import plan_as_text
    from benchmon.screen.session_state import SessionState
    from benchmon.screen.symbols import ASCII as ASCII_SYMBOLS
    from benchmon.screen.symbols import UNICODE, needs_ascii
    from benchmon.session.follower import ask_recorder, open_session_view
    from benchmon.session.records import RECENT_SECONDS
    from benchmon.watch.plan import Action, RecordRequest, StepRequest

    view = open_session_view(session or session_to_change(), recent=RECENT_SECONDS)
    try:
        state = SessionState(view.info, view.live)
        while True:
            update = view.poll()
            state.update(update, view.live)
            if not (update.judgements and view.live):
                break
        if not state.plan.steps:
            raise BadInput("this bench has no plan: its file has no [[step]]")
        if action == "show":
            click.echo(plan_as_text(state, ASCII_SYMBOLS if ascii_only or needs_ascii() else UNICODE))
            return EXIT_DONE
        step = state.plan.step_number
        if step is None and action != "begin":
            now = f"the plan is {state.plan.state}"
            raise BadInput(f"{now}, so there is no current step; `benchmon plan begin` begins it")
        if action == "record":
            if len(words) != (1 if reason else 2):
                raise BadInput('give the entry and its value, plan record insulation "5.2 MΩ", or --reason for none')
            who = view.info.operator
            request = RecordRequest(step or 1, words[0], "".join(words[1:]), reason, meter, calibrated, who)
            [event] = ask_recorder(view, request)
            click.echo(event.message)
            return EXIT_ANSWER_IS_NO if event.kind == EventKind.NOT_MET else EXIT_DONE
        move = Action(action.replace("-", " "))
        for event in ask_recorder(view, StepRequest(move, step or 1, " ".join(words))):
            click.echo(f"{event.kind}: {event.message}")
        return EXIT_DONE
    finally:
        view.close()


@click.command()
@click.argument("name", required=False)
@RECORDED
@click.option("--is-set", is_flag=True, help="Say that the value asked for is set, where no meter shows it.")
@click.option("--skip", metavar="REASON", help="Skip the value asked for.")
@click.option("--stop", metavar="REASON", help="Stop the sweep; it may go on later where it was.")
def sweep(name: str | None, session: Path | None, is_set: bool, skip: str | None, stop: str | None) -> int:
    """Begin a sweep in a running recorder, or go on with it.

    It guides through the sweep NAME line by line.

    Without NAME it is the one that runs, or the first of the bench. While it guides, Enter says that the value is set,
    "skip REASON" skips it, and "stop REASON" stops the sweep.
    """
    from benchmon.cli.guided_sweep import SweepGuide
    from benchmon.cli.session_files import session_to_change
    from benchmon.watch.plan import SweepAction

    guide = SweepGuide(session or session_to_change(), name)
    asked = [(SweepAction.CONFIRM, "")] if is_set else []
    asked += [(SweepAction.SKIP, skip)] if skip is not None else []
    asked += [(SweepAction.STOP, stop)] if stop is not None else []
    try:
        if asked:
            for action, words in asked:
                click.echo(guide.ask(action, words))
            return EXIT_DONE
        return EXIT_DONE if guide.run(click.echo) else EXIT_ANSWER_IS_NO
    finally:
        guide.close()


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
    """Show all benches that are published to a broker.

    URL is mqtt://host/lab.
    """
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
        found, units = overview.benches(), overview.units_today(time.time())
    finally:
        overview.stop()
    click.echo(overview_as_text(found, overview.left_out, units))
    return EXIT_ANSWER_IS_NO if any(bench.level is Level.DANGER for bench in found) else EXIT_DONE


COMMANDS = (demo, run, attach, simulate, enter, plan, sweep, benches)
