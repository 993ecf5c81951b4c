"""The commands. Each imports what it needs when it runs, so that `--help` and completion stay quick."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING

import click

from benchmon import __version__
from benchmon.cli import keys, live, manual, sessions
from benchmon.cli.new_bench import command as new
from benchmon.cli.options import ASCII, JSON, QuantityParam
from benchmon.errors import EXIT_ANSWER_IS_NO, EXIT_BAD_INPUT, EXIT_DONE, BadInput, BenchmonError
from benchmon.quantities import DURATION, TEMPERATURE, VOLTAGE
from benchmon.text import one_line

if TYPE_CHECKING:
    from benchmon.recorder import RecorderProcess
    from benchmon.session.records import SessionView

EPILOG = (
    "Mains voltage kills and reservoirs stay charged. benchmon only watches; it is no protective device. "
    "Local rules and licensed practice go first."
)


BENCH = click.argument("bench", type=click.Path(path_type=Path))
HEADLESS = click.option("--headless", is_flag=True, help="Without a screen; prints a summary at the end.")
DURATION_OPTION = click.option(
    "--for",
    "duration",
    type=QuantityParam(DURATION, above_zero=True),
    metavar="SECONDS",
    help="End by itself after this time: 90, 10s, 5min.",
)
SESSION = click.option(
    "--session", "session", type=click.Path(path_type=Path), metavar="FILE", help="Where to write the session."
)


FAULT = click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME[:WHERE][@TIME]",
    help="Let this go wrong, from the start, at 30s, or during 10s..20s.",
)
PUBLISH = click.option("--publish", metavar="URL", help="Tell a broker how the bench stands: mqtt://host/lab.")


@click.group(epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="benchmon")
def commands() -> None:
    """Predict, watch and record the power-on test of a mains-transformer linear power supply."""


@commands.command()
@click.argument("scenario", default="reservoir")
@click.option("--list", "list_them", is_flag=True, help="Name the scenarios and faults, and end.")
@FAULT
@HEADLESS
@DURATION_OPTION
@SESSION
@ASCII
def demo(
    scenario: str,
    list_them: bool,
    faults: tuple[str, ...],
    headless: bool,
    duration: float | None,
    session: Path | None,
    ascii_only: bool,
) -> int:
    """Watch a simulated bench: invented supply and meters, real sockets and serial lines."""
    if list_them:
        from benchmon.cli.simulate import scenarios_as_text

        click.echo(scenarios_as_text())
        return EXIT_DONE

    from benchmon.cli.live import START_LIMIT, DemoBench
    from benchmon.recorder import start_recorder

    with DemoBench(scenario, session) as bench:
        recorder = None
        # The recorder has most to load, so it begins first.
        if _has_terminal() and not headless:
            recorder = start_recorder(
                bench.bench_file, bench.session, duration=duration, wait=START_LIMIT, like=bench.like
            )
        bench.start(faults)
        load_in_background("benchmon.recorder.recording" if recorder is None else "benchmon.screen.app")
        bench.until_ready()
        if recorder is None:
            return _record(bench.bench_file, bench.session, headless, duration, ascii_only)
        return _watch(recorder.until_ready(), ascii_only)


@commands.command()
@BENCH
@HEADLESS
@DURATION_OPTION
@SESSION
@PUBLISH
@ASCII
def run(
    bench: Path, headless: bool, duration: float | None, session: Path | None, publish: str | None, ascii_only: bool
) -> int:
    """Record a bench and watch it: a recorder of its own, and a screen that follows it."""
    return _record(bench, session, headless, duration, ascii_only, publish)


def _record(
    bench_file: Path,
    session: Path | None,
    headless: bool,
    duration: float | None,
    ascii_only: bool,
    publish: str | None = None,
) -> int:
    from benchmon.bench import load_bench
    from benchmon.publish.publisher import check_broker, start_publisher
    from benchmon.recorder import record, spawn_recorder, summary_text
    from benchmon.session.session_files import new_session_path

    bench = load_bench(bench_file)
    if not bench.channel:
        raise BadInput(
            f"{bench_file}: has no [[channel]], so there is nothing to read; add an instrument and a channel"
        )
    if publish is not None:
        check_broker(publish)
    path = session or new_session_path(bench)
    if headless:
        summary = record(bench, path, duration=duration, on_ready=lambda: publish and start_publisher(path, publish))
        click.echo(summary_text(summary))
        return EXIT_ANSWER_IS_NO if summary.trips else EXIT_DONE
    _needs_a_terminal()
    load_in_background("benchmon.screen.app")
    recorder = spawn_recorder(bench_file, path, duration=duration)
    if publish is not None:
        start_publisher(path, publish)
    return _watch(recorder, ascii_only)


def _watch(recorder: RecorderProcess, ascii_only: bool) -> int:
    """Open a screen on a recorder that was started here; return what became of it, as far as it has ended."""
    goes_on = _show(recorder.path, ascii_only)
    return EXIT_DONE if goes_on else recorder.wait(10.0)


@commands.command()
@click.argument("session", type=click.Path(path_type=Path), required=False)
@click.option("--read-only", is_flag=True, help="Only look: no notes, no stopping.")
@ASCII
def attach(session: Path | None, read_only: bool, ascii_only: bool) -> int:
    """Open a screen on a recorder that runs: SESSION, or the latest one."""
    from benchmon.session.session_files import latest_session

    _needs_a_terminal()
    _show(session or latest_session(), ascii_only, read_only)
    return EXIT_DONE


def _show(session: Path, ascii_only: bool, read_only: bool = False) -> bool:
    """Open a screen on a session; return whether its recorder goes on afterwards."""
    from benchmon.session.follower import open_session_view
    from benchmon.session.records import RECENT_SECONDS

    load_in_background("benchmon.screen.app")
    view = open_session_view(session, read_only=read_only, recent=RECENT_SECONDS)
    return _follow(view, ascii_only, read_only)


def _follow(view: SessionView, ascii_only: bool, read_only: bool = False) -> bool:
    from benchmon.screen.app import run_screen
    from benchmon.screen.views.dialogues import ExitChoice

    try:
        choice = run_screen(view, ascii_only=ascii_only, read_only=read_only)
    finally:
        view.close()
    click.echo(f"{choice} Session: {one_line(view.info.path, 1000)}")
    return choice is ExitChoice.RECORDER_GOES_ON


def load_in_background(module: str) -> None:
    """Load a module in a thread; returns at once. An import of it waits for that, and raises what failed."""

    def load() -> None:
        with suppress(Exception):
            import_module(module)

    Thread(target=load, name=f"loading {module}", daemon=True).start()


def _has_terminal() -> bool:
    return sys.stdin.isatty() and sys.stdout.isatty()


def _needs_a_terminal() -> None:
    if not _has_terminal():
        raise BadInput("the screen needs a terminal; use --headless where there is none")


@commands.command()
@BENCH
@click.option(
    "--save-bench", type=click.Path(path_type=Path), metavar="FILE", help="Write a bench file with the addresses."
)
@click.option("--until-finished", type=click.Path(path_type=Path), metavar="SESSION", help="End when SESSION is over.")
@click.option("--seed", type=int, default=1, help="Draws the parts' values and the meters' errors.")
@FAULT
def simulate(
    bench: Path, save_bench: Path | None, until_finished: Path | None, seed: int, faults: tuple[str, ...]
) -> int:
    """Start only the simulated instruments of BENCH and print each one's address.

    While they run, lines on standard input change the bench: "fault open-diode", "clear all", "mains 180 V", "list".
    """
    from benchmon.cli.simulate import run_simulator

    run_simulator(bench, save_bench, until_finished, seed, faults)
    return EXIT_DONE


@commands.command()
@BENCH
@click.option(
    "--mains", type=QuantityParam(VOLTAGE), metavar="VOLTS", help='A measured mains voltage, such as "241 V".'
)
@click.option("--ambient", type=QuantityParam(TEMPERATURE), metavar="TEMPERATURE", help='The air, such as "31 °C".')
@JSON
def predict(bench: Path, mains: float | None, ambient: float | None, as_json: bool) -> int:
    """Print what every meter should read."""
    from benchmon.bench import load_bench
    from benchmon.cli import output
    from benchmon.prediction import predict as predict_bench

    if mains is not None and not 0 < mains <= 1000:
        raise BadInput(f"--mains {mains:g} V: must be above 0 and at most 1000 V rms")
    loaded = load_bench(bench)
    prediction = predict_bench(loaded, mains_voltage=mains, ambient=ambient)
    if as_json:
        click.echo(output.as_json(output.prediction_as_dict(loaded, prediction)))
    else:
        click.echo(output.prediction_as_text(loaded, prediction))
    return EXIT_DONE


@commands.command()
@BENCH
@click.option("--connect", is_flag=True, help="Also open each instrument and read each channel once.")
@click.option("--exercise", is_flag=True, help="Also switch off as a trip would, and verify it by a reading.")
@click.option("--yes", is_flag=True, help="Yes, --exercise may switch off.")
@JSON
def check(bench: Path, connect: bool, exercise: bool, yes: bool, as_json: bool) -> int:
    """Check ratings before power: margins in the worst state, and cautions."""
    from benchmon.bench import load_bench
    from benchmon.cli import output
    from benchmon.cli.checks import check_may_exercise, tried
    from benchmon.prediction.ratings.check import check as check_bench

    loaded = load_bench(bench)
    if exercise:
        check_may_exercise(loaded, yes=yes)
    ratings = check_bench(loaded)
    came = tried(loaded, connect=connect, switch=exercise)
    if as_json:
        click.echo(output.as_json(output.ratings_as_dict(ratings) | output.tried_as_dict(came)))
    else:
        click.echo(output.ratings_as_text(loaded, ratings) + output.tried_as_text(came))
    ok = ratings.ok and all(row.ok for rows in came.values() for row in rows)
    return EXIT_DONE if ok else EXIT_ANSWER_IS_NO


@commands.command()
@BENCH
@click.argument("readings", type=click.Path(path_type=Path))
@JSON
def assess(bench: Path, readings: Path, as_json: bool) -> int:
    """Judge readings logged by hand: a CSV with the columns time_s, channel and value (SI)."""
    from benchmon.bench import load_bench
    from benchmon.cli import output
    from benchmon.report.logged_readings import read_readings
    from benchmon.report.reevaluate import assess as assess_readings

    loaded = load_bench(bench)
    answer = assess_readings(loaded, read_readings(readings, [channel.name for channel in loaded.channel]))
    click.echo(output.as_json(answer) if as_json else output.assessment_as_text(loaded, answer))
    return EXIT_ANSWER_IS_NO if any("tripped" in said["flags"] for said in answer["channels"].values()) else EXIT_DONE


@commands.command()
@click.option("--ask-serial", is_flag=True, help="Also send *IDN? to serial ports, which may upset what hangs there.")
@click.option(
    "--within",
    type=QuantityParam(DURATION, above_zero=True),
    default="5",
    metavar="SECONDS",
    help="How long to look; 5 s.",
)
def ports(ask_serial: bool, within: float) -> int:
    """List serial ports and VISA resources, with what answers."""
    from benchmon.cli import output
    from benchmon.instruments.registry import find_ports

    click.echo(output.ports_as_text(find_ports(within, ask_serial=ask_serial)))
    return EXIT_DONE


for command in (
    *new.COMMANDS,
    *sessions.COMMANDS,
    *live.HAND_COMMANDS,
    *live.LAB_COMMANDS,
    *manual.COMMANDS,
    *keys.COMMANDS,
):
    commands.add_command(command)


def main(arguments: Sequence[str] | None = None) -> None:
    """Run a command and leave with its exit status; whatever goes wrong is said in one line."""
    # Pydantic would look for plugins in everything that is installed; a bench file is read without any.
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    try:
        status = commands.main(arguments, prog_name="benchmon", standalone_mode=False)
    except click.exceptions.Abort:
        sys.exit(130)
    except click.UsageError as problem:
        _complain(f"{problem.format_message()} (benchmon --help tells more)")
    except click.ClickException as problem:
        _complain(problem.format_message())
    except BenchmonError as problem:
        _complain(str(problem))
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(EXIT_DONE)
    else:
        sys.exit(status if isinstance(status, int) else EXIT_DONE)


def _complain(text: str) -> None:
    click.echo(f"benchmon: {one_line(text, 500)}", err=True)
    sys.exit(EXIT_BAD_INPUT)
