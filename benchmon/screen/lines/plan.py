"""The plan as lines: every step with how it stands, and one of them in full."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence

from benchmon.bench import TwoLoads, load_in_words
from benchmon.event_kinds import EventKind
from benchmon.quantities import Expected, format_value
from benchmon.screen.guessing import GUESS_FIRST
from benchmon.screen.lines.text import Cell, Line, fit, fit_name, rule, wrap
from benchmon.screen.session_state import ChannelState, SessionState
from benchmon.screen.styles import StyleRole
from benchmon.screen.symbols import SymbolSet
from benchmon.text import clock, countdown
from benchmon.watch.guess import NOT_GUESSED
from benchmon.watch.plan import Outcome, Plan, PlanState, PlanStep, recorded_in_words, step_cautions
from benchmon.watch.records import Verdict
from benchmon.watch.wording import shown_unit, value_in_words, value_with_uncertainty

_TITLES = 15
_ROLES = {
    Outcome.AHEAD: StyleRole.PLAIN,
    Outcome.RUNNING: StyleRole.STRONG,
    Outcome.DONE: StyleRole.GOOD,
    Outcome.SKIPPED: StyleRole.DOUBT,
    Outcome.STOPPED: StyleRole.BAD,
}
_LEAST_NAME, _MOST_NAME = 12, 40
_COLUMNS = 80


def steps_lines(state: SessionState, chosen: int, width: int, height: int, symbols: SymbolSet) -> list[Line]:
    """Return the heading and a line a step, at most `height` lines with the step `chosen` (from 1) among them."""
    plan = state.plan
    names = [len(symbols.plain(stage.step.name)) for stage in plan.steps]
    loads = max([9, *(len(load_words(plan, place)) + 2 for place in range(1, len(plan.steps) + 1))])
    name = max(_LEAST_NAME, min(max(names, default=0), _MOST_NAME, width - 41 - loads))
    room = max(1, height - 1)
    top = max(0, min(chosen - 1 - room // 2, len(plan.steps) - room))
    shown = list(enumerate(plan.steps, 1))[top : top + room]
    titles = f"    step{' ' * name}   mains{'load':>{loads}}     hold"
    lines = [rule(titles, width, symbols, f"plan {plan.state}")]
    columns = name, loads
    return lines + [_step_line(place, stage, state, columns, place == chosen, width, symbols) for place, stage in shown]


def _step_line(  # noqa: PLR0917 - a line of a table
    place: int,
    stage: PlanStep,
    state: SessionState,
    columns: tuple[int, int],
    chosen: bool,
    width: int,
    symbols: SymbolSet,
) -> Line:
    plan, (name, loads) = state.plan, columns
    signs = {Outcome.DONE: symbols.agrees, Outcome.SKIPPED: symbols.questionable, Outcome.STOPPED: symbols.disagrees}
    sign = signs.get(stage.outcome, symbols.cursor if stage.outcome is Outcome.RUNNING else symbols.unpredicted)
    mains = plan.mains_at(place)
    volts = "as is" if mains is None else format_value(mains, "V", 3)
    hold = countdown(stage.step.hold) if stage.step.hold else symbols.plain("–")
    words = f"{volts:>9}{load_words(plan, place):>{loads}}{hold:>9}  "
    role = _ROLES[stage.outcome]
    title = f"{place:>2} {fit_name(symbols.plain(stage.step.name), name, symbols)}"
    words = symbols.plain(words)
    taken = 3 + len(title) + len(words)
    return (
        Cell(f" {sign} ", role),
        Cell(title, StyleRole.CHOSEN if chosen else role),
        Cell(words, StyleRole.PLAIN if stage.outcome is Outcome.RUNNING else StyleRole.QUIET),
        Cell(fit(symbols.plain(_outcome_words(stage, state)), max(0, width - taken), symbols), role),
    )


def plan_as_text(state: SessionState, symbols: SymbolSet) -> str:
    """Return all steps, what to do in the one that stands or comes first, and what it lacks: text of 80 columns."""
    plan = state.plan
    lines = [
        "".join(cell.text for cell in line) for line in steps_lines(state, 0, _COLUMNS, len(plan.steps) + 1, symbols)
    ]
    if plan.step_number is not None or plan.state is PlanState.WAITING:
        for words in _orders(state, plan.step_number or 1):
            lines += textwrap.wrap(symbols.plain(words, 1000), _COLUMNS, subsequent_indent="  ")
    return "\n".join(line.rstrip() for line in lines)


def _orders(state: SessionState, place: int) -> list[str]:
    """Return what to do at a step, numbered from 1, and what it lacks."""
    stage = state.plan.steps[place - 1]
    sentences = [f"step {place}, {stage.step.name}: {to_do(state.plan, place)}"]
    if stage.step.zero:
        sentences.append(f"short the leads of {', '.join(stage.step.zero)}: what they read then is their zero")
    for entry in stage.still_to_record:
        asked = ", ".join(part for part in (entry.name, entry.limits_in_words, entry.note) if part)
        sentences.append(f"record: {asked}")
    if state.turn_in_words:
        sentences.append(f"read now: {state.turn_in_words}; `benchmon enter CHANNEL VALUE` sends it")
    if state.plan.step_number is not None:
        lacks = "; ".join(state.blocking_reasons)
        sentences.append(f"lacking: {lacks or 'nothing, `benchmon plan go-on` confirms the step'}")
    return sentences


def load_words(plan: Plan, place: int) -> str:
    """Return the load at a step in words; those of two outputs as `10.0 Ω, 22.0 Ω`."""
    load = plan.load_at(place)
    each = (load.first, load.second) if isinstance(load, TwoLoads) else (load,)
    return ", ".join(load_in_words(one, 3, own="as is", nothing="open") for one in each)


def _outcome_words(stage: PlanStep, state: SessionState) -> str:
    if stage.outcome is Outcome.RUNNING:
        left = stage.left(state.now)
        return f"hold {countdown(left)}" if left > 0 else f"stands {countdown(stage.held(state.now))}"
    words = f": {stage.words}" if stage.words else ""
    at = f" {clock(stage.ended)}" if stage.ended is not None else ""
    return f"{stage.outcome}{at}{words}"


def step_page(state: SessionState, place: int, width: int, symbols: SymbolSet) -> list[Line]:
    """Return the lines on one step, numbered from 1: what to do, what is lacking, what to expect, and the cautions."""
    prediction, problem = state.step_expected(place)
    expected: Mapping[str, Expected] = {} if prediction is None else prediction.quantities
    plan = state.plan
    stage = plan.steps[place - 1]
    lines = [rule(f" {symbols.plain(f'step {place}: {stage.step.name}')}", width, symbols)]
    lines += _entry("do", to_do(plan, place), width, symbols)
    if plan.step_number == place:
        lines += _progress(stage, state, width, symbols)
    elif plan.state is PlanState.WAITING:
        lines += _entry(
            "begin", "Enter begins the plan; before that nothing follows it", width, symbols, StyleRole.STRONG
        )
    lines += _records(stage, width, symbols)
    lines += _needs(stage, state, width, symbols)
    cautions = step_cautions(plan, place, state.info.bench, expected)
    for index, caution in enumerate(cautions):
        lines += _entry("" if index else f"take care {symbols.warning}", caution, width, symbols, StyleRole.DOUBT)
    return [*lines, *_expected(state, expected, problem, width, symbols)]


def to_do(plan: Plan, place: int) -> str:
    """Return what to set at a step, numbered from 1."""
    stage = plan.steps[place - 1]
    mains, load = plan.mains_at(place), plan.load_at(place)
    if stage.step.record and mains is None and load is None:
        return "record what is asked for below; mains and load stay as they are"
    loaded = load_in_words(load, 3, own="the load in the bench file", of="a load of ")
    volts = "the mains in the bench file" if mains is None else f"set the mains to {format_value(mains, 'V', 3)}"
    parts = [volts, loaded]
    if stage.step.hold:
        parts.append(f"hold for {countdown(stage.step.hold)}")
    return ", ".join(parts)


def _progress(stage: PlanStep, state: SessionState, width: int, symbols: SymbolSet) -> list[Line]:
    lines: list[Line] = []
    if stage.step.hold:
        part = min(1.0, stage.held(state.now) / stage.step.hold)
        room = max(3, min(40, width - _TITLES - 24))
        filled = int(part * room)
        bar = symbols.bar_full * filled + symbols.bar_room * (room - filled)
        left = stage.left(state.now)
        words = f" {countdown(left)} left" if left > 0 else " held long enough"
        bar = f"{symbols.bar_start}{bar}{symbols.bar_end}"
        lines.append((_title("hold"), Cell(bar), Cell(words, StyleRole.STRONG)))
    lacks = state.blocking_reasons
    if stage.still_to_record:
        to_ask = {stage.lacking_record(entry) for entry in stage.step.record if entry.name not in stage.recorded}
        others = [words for words in lacks if words not in to_ask]
        words = "; ".join(["Enter asks for what is to be recorded", *others])
        return lines + _entry("lacking", words, width, symbols, StyleRole.DOUBT)
    if lacks:
        return lines + _entry("lacking", "; ".join(lacks), width, symbols, StyleRole.DOUBT)
    return lines + _entry("lacking", "nothing: Enter confirms the step and goes on", width, symbols, StyleRole.GOOD)


def _records(stage: PlanStep, width: int, symbols: SymbolSet) -> list[Line]:
    """Return what is to be recorded in a step, each with its limits, and what was."""
    lines: list[Line] = []
    for index, entry in enumerate(stage.step.record):
        event = stage.recorded.get(entry.name)
        if event is not None and event.details is not None:
            words = recorded_in_words(event.details, entry.limits_in_words)
            if event.details.note:
                role, sign = StyleRole.DOUBT, symbols.questionable
            elif event.kind == EventKind.RECORDED:
                role, sign = StyleRole.GOOD, symbols.agrees
            else:
                role, sign = StyleRole.BAD, symbols.disagrees
        else:
            asked = (entry.name, entry.limits_in_words, entry.note)
            words, role, sign = ", ".join(part for part in asked if part), StyleRole.PLAIN, symbols.unpredicted
        lines += _entry("" if index else "record", f"{sign} {words}", width, symbols, role)
    if stage.step.zero:
        short = f"short the leads of {', '.join(stage.step.zero)}: what they read then is their zero"
        lines += _entry("zero", short, width, symbols)
    return lines


def _needs(stage: PlanStep, state: SessionState, width: int, symbols: SymbolSet) -> list[Line]:
    if not stage.step.needs:
        return _entry("must agree", "nothing is named; your own eyes decide", width, symbols)
    channels = []
    for name in stage.step.needs:
        channel = state.channel(name)
        judgement = None if channel is None else channel.shown
        agrees = judgement is not None and judgement.verdict is Verdict.AGREES
        is_old = agrees and channel is not None and channel.by_hand and state.is_old(channel)
        sign = symbols.old if is_old else symbols.agrees if agrees else symbols.disagrees
        channels.append(f"{sign} {name}")
    return _entry("must agree", "   ".join(channels), width, symbols)


def _expected(
    state: SessionState, expected: Mapping[str, Expected], problem: str, width: int, symbols: SymbolSet
) -> list[Line]:
    """Return what every channel should settle at, beside what it reads now, in as many columns as fit."""
    heading = rule(" expected at this step, settled; and read now", width, symbols)
    if not expected:
        return [heading, *_entry("", problem, width, symbols, StyleRole.QUIET)]
    rows = [row for channel in state.channels if (row := _expected_row(channel, expected, symbols))]
    across = max(1, (width - 1) // (_EXPECTED + _APART))
    return [heading, *(_side_by_side(rows[start : start + across]) for start in range(0, len(rows), across))]


_NAME, _VALUE, _NOW, _APART = 16, 19, 11, 3
_EXPECTED = 1 + _NAME + _VALUE + _NOW


def _expected_row(channel: ChannelState, quantities: Mapping[str, Expected], symbols: SymbolSet) -> Line:
    quantity, judgement = channel.channel.quantity, channel.judgement
    expected = quantities.get(quantity)
    if expected is None or quantity in NOT_GUESSED:
        return ()
    unit = shown_unit(quantity, expected.unit)
    value = symbols.plain(value_with_uncertainty(expected.value, expected.uncertainty, unit))
    if channel.is_hidden:
        value = GUESS_FIRST
    now = symbols.plain("–" if judgement is None else value_in_words(judgement.value, unit))
    return (
        Cell(" " + fit_name(symbols.plain(channel.channel.name), _NAME, symbols), StyleRole.QUIET),
        Cell(fit(value, _VALUE, symbols, "right"), StyleRole.STRONG),
        Cell(fit(now, _NOW, symbols, "right")),
    )


def _side_by_side(rows: Sequence[Line]) -> Line:
    return tuple(cell for row in rows for cell in (*row, Cell(" " * _APART)))


def _title(text: str) -> Cell:
    return Cell(f" {text:<{_TITLES}} ", StyleRole.QUIET)


def _entry(title: str, text: str, width: int, symbols: SymbolSet, role: StyleRole = StyleRole.PLAIN) -> list[Line]:
    pieces = wrap(symbols.plain(text, 2000), max(1, width - _TITLES - 3))
    return [(_title(title if not index else ""), Cell(piece, role)) for index, piece in enumerate(pieces)]
