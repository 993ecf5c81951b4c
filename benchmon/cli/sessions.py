"""Commands for after the test: analyse, replay, report, compare, batch, fit and export."""

from __future__ import annotations

import json
import math
import shutil
import sys
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import click

from benchmon.cli.options import (
    ASCII,
    FORCE,
    JSON,
    MAINS_VOLTAGE,
    OUT,
    PACE,
    PATH,
    SESSION_PATH,
    QuantityParam,
    may_write_over,
)
from benchmon.errors import EXIT_ANSWER_IS_NO, EXIT_DONE, BadInput
from benchmon.quantities import DURATION, FREQUENCY
from benchmon.text import line_end_of, one_line

if TYPE_CHECKING:
    from benchmon.analyse import Analysis
    from benchmon.bench import Bench

_PROGRESS_EVERY = 0.1


@click.command()
@click.argument("wave", type=PATH)
@click.option(
    "--quantity",
    "quantities",
    multiple=True,
    metavar="Q",
    help="What a column measures: mains.current, output.voltage, … With several columns: CH2=mains.current.",
)
@click.option("--bench", type=PATH, metavar="BENCH", help="Compare with what is expected by this bench file.")
@click.option(
    "--probe",
    "probes",
    multiple=True,
    metavar="RATIO",
    help='The ratio of a probe or clamp: 10, 10:1, "100 mV/A", CH2=10.',
)
@click.option("--mains", type=MAINS_VOLTAGE, metavar="VOLTS", help="The mains voltage measured at the time.")
@click.option(
    "--frequency",
    type=QuantityParam(FREQUENCY, above_zero=True, at_most=1e9),
    metavar="HZ",
    help="The fundamental frequency, if known.",
)
@click.option(
    "--accuracy", default="", metavar="ACCURACY", help='The accuracy of the scope, such as "3 %" or "3 % + 20 mV".'
)
@click.option("--draw", is_flag=True, help="Draw two periods of the waveform and of the expected one in the terminal.")
@click.option(
    "--picture", type=PATH, metavar="FILE", help="Write a picture of the waveform: .svg; needs the extra `report`."
)
@FORCE
@ASCII
@JSON
def analyse(
    wave: Path,
    quantities: tuple[str, ...],
    bench: Path | None,
    probes: tuple[str, ...],
    mains: float | None,
    frequency: float | None,
    accuracy: str,
    draw: bool,
    picture: Path | None,
    force: bool,
    ascii_only: bool,
    as_json: bool,
) -> int:
    """Measure a captured waveform.

    WAVE is a CSV file with times and one or more columns of values.
    """
    from benchmon.analyse import AnalysisRequest, analysis_as_dict, analysis_as_text
    from benchmon.analyse import analyse as analyse_capture
    from benchmon.bench import load_bench
    from benchmon.cli import output

    question = AnalysisRequest(quantities, probes, mains, frequency, accuracy)
    found = analyse_capture(wave, question, None if bench is None else load_bench(bench))
    if picture is not None:
        from benchmon.report.figures import write_wave

        write_wave(found, picture, force=may_write_over(picture, force=force))
    if draw and not as_json:
        click.echo(_wave_as_text(found, ascii_only=ascii_only))
    click.echo(output.as_json(analysis_as_dict(found)) if as_json else analysis_as_text(found))
    return EXIT_DONE


@click.command()
@click.argument("session", type=SESSION_PATH)
@OUT
@click.option(
    "--wide", is_flag=True, help="Write CSV with a column for each channel instead of a line for each reading."
)
@click.option(
    "--every", type=QuantityParam(DURATION), metavar="SECONDS", help="The time between two lines of --wide; 1 s."
)
@click.option("--sweeps", is_flag=True, help="Write the points of sweeps alone as CSV, measured beside expected.")
@click.option("--progress", is_flag=True, help="Print the progress, one JSON object a line.")
@FORCE
def export(session: Path, out: Path, wide: bool, every: float | None, sweeps: bool, progress: bool, force: bool) -> int:
    """Write the readings to .csv, .json, .parquet or .sqlite."""
    from benchmon.report.export import export as export_session
    from benchmon.report.session_reader import RecordedSession

    if every is not None and not wide:
        raise BadInput("--every needs --wide")
    force = may_write_over(out, force=force)
    count = export_session(
        RecordedSession(session).with_data(),
        out,
        force=force,
        wide=wide,
        every=1.0 if every is None else every,
        sweeps=sweeps,
        progress=_print_done() if progress else None,
    )
    if progress:
        click.echo(json.dumps({"written": count}))
    else:
        click.echo(f"{count} {'lines' if wide or sweeps else 'readings'} in {one_line(out, 1000)}")
    return EXIT_DONE


def _print_done() -> Callable[[float], None]:
    """Return a function that prints the progress, from 0 to 1, at most ten times a second."""
    last = -math.inf

    def show(done: float) -> None:
        nonlocal last
        if time.monotonic() >= last + _PROGRESS_EVERY:
            last = time.monotonic()
            # The screen that asked for it may have been left: the export goes on.
            with suppress(BrokenPipeError):
                click.echo(json.dumps({"done": round(done, 3)}))

    return show


@click.command()
@click.argument("session", type=SESSION_PATH)
@OUT
@FORCE
def report(session: Path, out: Path, force: bool) -> int:
    """Write a report of SESSION: self-contained .html, .pdf or .md."""
    from benchmon.report.sections.report import report as report_session
    from benchmon.report.session_reader import RecordedSession

    found = report_session(RecordedSession(session).with_data(), out, force=may_write_over(out, force=force))
    click.echo(f"Report in {one_line(out, 1000)}")
    if found.tripped:
        click.echo(f"Past its limit: {one_line(', '.join(found.tripped), 300)}")
    return EXIT_ANSWER_IS_NO if found.tripped else EXIT_DONE


@click.command()
@click.argument("sessions", type=SESSION_PATH, nargs=-1, required=True)
@click.option("--mains", type=MAINS_VOLTAGE, metavar="VOLTS", help="The mains voltage to compare at.")
@click.option(
    "-o", "--out", "out", type=PATH, metavar="FILE", help="Write a page, .html, .pdf or .md, instead of printing."
)
@FORCE
@JSON
def compare(sessions: tuple[Path, ...], mains: float | None, out: Path | None, force: bool, as_json: bool) -> int:
    """Compare sessions at a common mains voltage.

    Measured differences stand beside expected ones.
    """
    from benchmon.cli import output
    from benchmon.report.comparison.comparison import compare as compare_sessions
    from benchmon.report.comparison.output import comparison_as_dict, comparison_as_text, comparison_document
    from benchmon.report.sections.report import write_document
    from benchmon.report.session_reader import RecordedSession

    found = compare_sessions([RecordedSession(session).with_data() for session in sessions], mains)
    if out is not None:
        force = may_write_over(out, force=force)
        write_document(lambda pictured: comparison_document(found, with_pictures=pictured), out, force=force)
    if as_json:
        click.echo(output.as_json(comparison_as_dict(found)))
    else:
        click.echo(comparison_as_text(found) if out is None else f"Comparison in {one_line(out, 1000)}")
    return EXIT_DONE


@click.command()
@click.argument("sessions", type=SESSION_PATH, nargs=-1, required=True)
@click.option(
    "-o", "--out", "out", type=PATH, metavar="FILE", help="Write a page, .html, .pdf or .md, besides printing."
)
@click.option(
    "--reference", type=PATH, metavar="SESSION", help="The session of a reference unit, with which all are compared."
)
@FORCE
@JSON
def batch(sessions: tuple[Path, ...], out: Path | None, reference: Path | None, force: bool, as_json: bool) -> int:
    """Set units of one design side by side.

    SESSIONS are session files, or folders of them.

    Exit status 1 if a unit failed: a limit tripped, or a channel disagreed with what was expected.
    """
    from benchmon.batch import batch_as_dict, batch_as_text, batch_document
    from benchmon.batch.units import read_batch
    from benchmon.cli import output
    from benchmon.cli.session_files import sessions_named
    from benchmon.report.sections.report import write_document, writer_for

    if out is not None:
        writer_for(out)
    found = read_batch(sessions_named(sessions), reference)
    if out is not None:
        write_document(lambda _: batch_document(found), out, force=may_write_over(out, force=force))
    click.echo(output.as_json(batch_as_dict(found)) if as_json else batch_as_text(found))
    if out is not None and not as_json:
        click.echo(f"Page in {one_line(out, 1000)}")
    return EXIT_ANSWER_IS_NO if found.failed else EXIT_DONE


@click.command()
@click.argument("sessions", type=SESSION_PATH, nargs=-1, required=True)
@click.option("-o", "--out", "out", type=PATH, metavar="FILE", help="Write a bench file with the learned values.")
@FORCE
@JSON
def fit(sessions: tuple[Path, ...], out: Path | None, force: bool, as_json: bool) -> int:
    """Estimate the parts of one supply from its readings.

    SESSIONS are session files, or folders of them.
    """
    from benchmon.atomic_file import whole_file
    from benchmon.cli import output
    from benchmon.cli.session_files import sessions_named
    from benchmon.fit import fit as fit_data
    from benchmon.fit import fit_as_dict, fit_as_text, read_data
    from benchmon.fit.learned import learned_file
    from benchmon.report.session_reader import RecordedSession

    data = read_data([RecordedSession(path).with_data() for path in sessions_named(sessions)])
    found = fit_data(data)
    if out is not None:
        with whole_file(out, force=may_write_over(out, force=force)) as part:
            text, line_end = data.bench.source, line_end_of(data.bench.source)
            part.write_text(learned_file(found, text, data.words), encoding="utf-8", newline=line_end)
    click.echo(output.as_json(fit_as_dict(found)) if as_json else fit_as_text(found))
    if out is not None and not as_json:
        click.echo(f"Bench file in {one_line(out, 1000)}")
    return EXIT_DONE


@click.command()
@click.argument("session", type=SESSION_PATH)
@click.option("--speed", type=PACE, default=1.0, metavar="TIMES", help="How many times as fast as it happened.")
@click.option("--bench", type=PATH, metavar="OTHER", help="Judge the readings by this bench file.")
@click.option(
    "--headless",
    is_flag=True,
    help="Run without a screen: print verdicts and events, as recorded or as judged by OTHER.",
)
@ASCII
def replay(session: Path, speed: float, bench: Path | None, headless: bool, ascii_only: bool) -> int:
    """Show a recorded session again.

    It comes as it happened, or as another bench file would have judged it.
    """
    from benchmon.bench import load_bench
    from benchmon.report.reevaluated_session import summarise, summary_as_text

    other = None if bench is None else load_bench(bench)
    if headless:
        click.echo(summary_as_text(summarise(session), None if other is None else summarise(session, other)))
        return EXIT_DONE
    _play(session, speed, other, ascii_only)
    return EXIT_DONE


def _play(session: Path, speed: float, other: Bench | None, ascii_only: bool) -> None:
    from benchmon.report.reevaluated_session import ReevaluatedReadings, ReevaluatedView
    from benchmon.session.follower import AT_A_LOOK
    from benchmon.session.replay import Player

    if other is None:
        player = Player(session, speed, at_once=AT_A_LOOK)
    else:
        judged = ReevaluatedReadings(session, other)
        player = Player(
            session, speed, wrap=lambda view: ReevaluatedView(view, other, judged), event_times=judged.event_times
        )
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise BadInput("the screen needs a terminal; --headless prints verdicts and events")
    from benchmon.screen.replay_app import run_replay

    try:
        run_replay(player, ascii_only=ascii_only)
    finally:
        player.close()
    click.echo(f"Session: {one_line(player.info.path, 1000)}")


COMMANDS = (analyse, replay, report, compare, batch, fit, export)


_PERIODS = 2.0
_HEIGHT = 16
_WIDEST = 120


def _wave_as_text(found: Analysis, *, ascii_only: bool = False) -> str:
    """Return two periods of the captured waveform, as wide as the terminal, and a line with units and legend."""
    from benchmon.analyse.expected import to_draw
    from benchmon.screen import symbols as sets
    from benchmon.screen.lines.plot import Axis, Curve, axis_around, draw_plot
    from benchmon.screen.styles import StyleRole

    first = found.first
    wave = to_draw(first.name, first.unit, first.wave.sampled, first.quantity, found.prediction, periods=_PERIODS)
    symbols = sets.ASCII if ascii_only or sets.needs_ascii() else sets.UNICODE
    drawn = [Curve(wave.time.tolist(), wave.values.tolist(), StyleRole.GOOD)]
    shown = [*drawn[0].y]
    beside = ""
    if wave.expected is not None and wave.expected_time is not None:
        drawn.append(Curve(wave.expected_time.tolist(), wave.expected.tolist(), StyleRole.QUIET, dotted=True))
        shown += wave.expected.tolist()
        beside = "; dotted: expected by the bench file"
    axes = (Axis(0.0, float(wave.time[-1]), "s"), axis_around(shown, wave.unit))
    width = min(shutil.get_terminal_size().columns, _WIDEST)
    lines = ["".join(cell.text for cell in line) for line in draw_plot(drawn, axes, (width, _HEIGHT), symbols).lines]
    unit = axes[1].unit_with_prefix or "units of the file"
    return "\n".join([*(line.rstrip() for line in lines), f"{unit} over {axes[0].unit_with_prefix}{beside}"])
