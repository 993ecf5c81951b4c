"""What the operator asks of the recorder, from any view."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from benchmon.bench import Channel, RecordEntry
from benchmon.errors import BenchmonError
from benchmon.event_kinds import EventKind
from benchmon.screen.background_job import BackgroundJob, derive, export, run_monte_carlo
from benchmon.screen.session_state import SessionState
from benchmon.screen.symbols import SymbolSet
from benchmon.screen.terminal.key_queue import KeyQueue
from benchmon.screen.views.base import View
from benchmon.screen.views.dialogs import (
    ExitChoice,
    ExitDialog,
    GuessDialog,
    LoadDialog,
    ReadingDialog,
    RecordDialog,
    SwitchOffDialog,
    TextDialog,
)
from benchmon.session.records import SessionView
from benchmon.session.requests import (
    BY_SIGNAL,
    Acknowledge,
    LoadBench,
    Note,
    OperatorRequest,
    StopRecording,
    SwitchPowerOff,
    TypedReading,
)
from benchmon.text import clock
from benchmon.watch.guess import NOT_GUESSED, GuessRequest
from benchmon.watch.plan import Action, RecordRequest, StepRequest, SweepAction, SweepRequest, SweepRun, SweepState
from benchmon.watch.records import Event

if TYPE_CHECKING:
    from benchmon.prediction.explained.derivation import Derivation
    from benchmon.prediction.monte_carlo import Distribution


ANSWERS_WITHIN = 1.0
"""Seconds within which the recorder answers; the same again after a signal."""
UNHEARD = "Switch off by hand: no recorder has answered the request to switch off"


class SwitchOffRequest:
    """The request that was sent through `view` with `number`, None if by a signal, at session time `asked`."""

    def __init__(
        self, view: SessionView, number: int | None, asked: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._view, self._number, self._asked, self._clock = view, number, asked, clock
        self._sent = clock()
        self._is_signalled = self._is_signal_sent = number is None
        self.is_answered = False

    @property
    def is_unheard(self) -> bool:
        """Whether neither the file nor a signal has brought an answer in time."""
        return not self.is_answered and self._is_signalled and self._clock() - self._sent > ANSWERS_WITHIN

    def follow(self, events: Iterable[Event]) -> None:
        """Take the events of a poll; send the request by a signal if they do not answer it in time.

        A recorder whose signs of life fail for a moment cannot be signalled: each further poll tries again, and until
        one is answered the request counts as unheard.
        """
        self.is_answered = self.is_answered or any(map(self._answers, events))
        if self.is_answered or self._is_signal_sent or self._clock() - self._sent <= ANSWERS_WITHIN:
            return
        is_first, self._is_signalled = not self._is_signalled, True
        self._is_signal_sent = self._view.request_by_signal(SwitchPowerOff("by the operator"))
        if self._is_signal_sent and is_first:
            self._sent = self._clock()

    def _answers(self, event: Event) -> bool:
        """Return whether an event answers this request.

        A command for another request or for a trip may have been carried out before this one was made, although its
        event comes later: it is an answer only once nobody else has given one.
        """
        if event.time < self._asked:
            return False
        answered = None if event.details is None else event.details.request
        is_own = answered is not None and (answered == self._number or (answered == BY_SIGNAL and self._is_signalled))
        return is_own or (self.is_unheard and event.kind == EventKind.SWITCHING_OFF)


_LONGEST_POLL = 2.0


class OperatorActions(KeyQueue[ExitChoice]):
    """The requests of the operator. One that cannot be made is refused above the keys, with the reason."""

    state: SessionState
    view: SessionView
    symbols: SymbolSet
    job: BackgroundJob | None = None
    """What runs in the background just now."""
    asked: int | None = None
    """The number of the last request."""
    off_request: SwitchOffRequest | None = None
    """The request to switch off that the recorder has not answered yet."""
    polled: float = 0.0
    """The monotonic time of the last poll."""

    @property
    def chosen(self) -> str:
        """Return the name of the selected channel of the main view, "" if there is none. The app implements it."""
        raise NotImplementedError

    def show_all(self) -> None:
        """Show the present state in every visible view. The app implements it."""
        raise NotImplementedError

    def ask(self, request: OperatorRequest, otherwise: str) -> bool:
        """Send a request to the recorder and return whether that worked; if not, show `otherwise` and the reason."""
        try:
            self.asked = self.view.request(request)
        except BenchmonError as problem:
            self.show_message(f"{otherwise}: {problem}")
            return False
        return True

    def show_message(self, words: str) -> None:
        """Show `words` above the keys of the view in sight."""
        views = [screen for screen in self.screen_stack if isinstance(screen, View)]
        if views:
            views[-1].show_message(words)

    def can_request(self, what: str) -> bool:
        """Return whether a recorder can be asked; if not, show that `what` needs one."""
        if self.view.live and not self.state.read_only:
            return True
        self.show_message(f"{what} needs a running recorder; this session is only read.")
        return False

    def action_note(self) -> None:
        """Write a note; its time is now, at the key."""
        if not self.can_request("A note"):
            return
        began = clock(self.state.now)

        def accept(text: str | None) -> None:
            if text:
                self.ask(Note(f"[{began}] {text}"), "The note was not written")

        title = f"note at {began}: what do you see, hear or smell?"
        self.push_screen(TextDialog(self.state, self.symbols, title, "Enter writes it, Esc cancels"), accept)

    @property
    def now(self) -> float:
        """Return the session time at this moment: that of the last poll and what has passed since."""
        passed = time.monotonic() - self.polled
        return self.state.now + (min(passed, _LONGEST_POLL) if self.view.live else 0.0)

    def action_acknowledge(self) -> None:
        """Acknowledge every alarm that stands: the bell ends, the words stay."""
        waiting = self.state.alarms.unacknowledged
        if not waiting:
            self.show_message("There is no alarm to acknowledge.")
        for channel in sorted({alarm.channel for alarm in waiting}):
            self.state.alarms.acknowledge(channel, math.inf if self.state.old else self.now)
            if self.view.live and not self.state.read_only:
                self.ask(Acknowledge(channel), "Acknowledged on this screen only")
        self.show_all()

    def action_mute(self) -> None:
        """Turn the bell off or on; alarms are seen all the same."""
        self.state.bell = not self.state.bell
        self.show_message("The bell rings at alarms." if self.state.bell else "The bell is off: alarms are only shown.")

    def action_switch_off(self) -> None:
        """Switch off, where the bench has something that does; a word must be typed first."""
        if isinstance(self.screen, SwitchOffDialog):
            return
        if self.state.info.bench.switch_off is None:
            self.show_message("This bench has no [switch_off]: use the switch at the bench.")
        elif self.can_request("Switching off"):
            self.push_screen(SwitchOffDialog(self.state, self.symbols), self._switch_off)

    def _switch_off(self, typed: bool | None) -> None:
        if typed and self.ask(SwitchPowerOff("by the operator"), "NOT switched off, use the switch at the bench"):
            self.off_request = SwitchOffRequest(self.view, self.asked, self.state.now)
            self.show_message("Asked to switch off. Look at the mains and at the events, and at the switch itself.")

    def follow_off_request(self, events: Sequence[Event]) -> None:
        """See that a request to switch off is answered; where nobody does, that is the first line and rings."""
        request = self.off_request
        if request is None:
            return
        request.follow(events)
        if request.is_unheard and not self.state.unheard:
            self.bell()
            self.show_message(f"{UNHEARD}.")
        self.state.unheard = UNHEARD if request.is_unheard else ""
        if request.is_answered:
            self.off_request = None

    def action_reading(self) -> None:
        """Type in what displays show: those that are due, one after the other, that under the cursor first."""
        channels = self.state.info.bench.typed_channels
        if not channels:
            self.show_message(
                'No channel of this bench is read by hand: that takes an instrument with driver = "hand".'
            )
        elif self.can_request("A reading"):
            due = [each.channel for each in self.state.due]
            chosen = [channel for channel in channels if channel.name == self.chosen]
            asked = [*chosen, *(each for each in due if each not in chosen)] or [self._most_overdue(channels)]
            rest = [channel for channel in channels if channel not in asked]
            self.push_screen(
                ReadingDialog(self.state, self.symbols, [*asked, *rest], len(asked), lambda: self.now, self._enter)
            )

    def _enter(self, reading: TypedReading) -> bool:
        return self.ask(reading, "The reading was not entered")

    def action_guess(self) -> None:
        """Guess what channels settle at: that under the cursor first, then those that are not guessed yet."""
        state = self.state
        channels = [each.channel for each in state.channels if each.channel.quantity not in NOT_GUESSED]
        if not state.info.is_guessed_first:
            self.show_message("Expected values are shown; with `run --guess` they are hidden until they are guessed.")
        elif channels and self.can_request("A guess"):
            asked = [each for each in channels if each.name == self.chosen]
            asked += [each for each in channels if state.guesses.hides(each.quantity) and each not in asked]
            rest = [each for each in channels if each not in asked]
            dialog = GuessDialog(state, self.symbols, [*asked, *rest], len(asked), lambda: self.now, self._guess)
            self.push_screen(dialog)

    def _guess(self, typed: TypedReading) -> bool:
        return self.ask(GuessRequest(typed.channel, typed.shows), "The guess was not recorded")

    def _most_overdue(self, channels: Sequence[Channel]) -> Channel:
        def due(channel: Channel) -> float:
            known = self.state.channel(channel.name)
            judgement = None if known is None else known.judgement
            return -math.inf if judgement is None else judgement.time + channel.period

        return min(channels, key=due)

    def action_confirm_step(self) -> None:
        """Begin the plan, or confirm the step that stands."""
        plan = self.state.plan
        if not plan.steps or not self.can_request("The plan"):
            return
        if plan.step_number is None:
            self.ask(StepRequest(Action.BEGIN, 1), "The plan was not started")
        elif plan.current_step is not None and plan.current_step.still_to_record:
            self._record(plan.step_number, plan.current_step.still_to_record)
        elif self.state.blocking_reasons:
            self.show_message(
                f"Not yet: {'; '.join(self.state.blocking_reasons)}. To go on anyway, skip the step with a reason."
            )
        else:
            self._request_step(Action.CONFIRM, "is done: anything to note?", may_be_empty=True)

    def _record(self, step: int, entries: Sequence[RecordEntry]) -> None:
        """Ask for what is to be recorded in a step."""

        def enter(request: RecordRequest) -> bool:
            return self.ask(request, "It was not recorded")

        who = self.state.info.operator
        self.push_screen(RecordDialog(self.state, self.symbols, step, entries, who, enter))

    def action_skip_step(self) -> None:
        """Skip the step that stands, with a reason."""
        self._request_step(Action.SKIP, "is skipped: why?")

    def action_stop_plan(self) -> None:
        """Stop the plan at the step that stands."""
        self._request_step(Action.STOP, "and the plan stop here: why? This switches nothing off.", may_be_empty=True)

    def _request_step(self, action: Action, question: str, *, may_be_empty: bool = False) -> None:
        place = self.state.plan.step_number
        if place is None:
            self.show_message("No step of the plan is active.")
            return
        if not self.can_request("The plan"):
            return

        def accept(words: str | None) -> None:
            if words is not None:
                self.ask(StepRequest(action, place, words), "The plan does not move")

        hint = "Enter confirms, Esc leaves the plan where it is"
        title = f"step {place} {question}"
        self.push_screen(TextDialog(self.state, self.symbols, title, hint, may_be_empty=may_be_empty), accept)

    def _sweep_run(self) -> SweepRun | None:
        """Return the sweep that runs, else the one that is looked at; None where the bench has none."""
        sweeps = self.state.plan.sweeps
        return sweeps.current or sweeps.runs.get(self.state.sweep) or sweeps.latest

    def action_confirm_sweep(self) -> None:
        """Begin the sweep that is looked at, or say that the value that is asked for is set."""
        run = self._sweep_run()
        if run is None or not self.can_request("A sweep"):
            return
        if run.is_running:
            self._request_sweep(run, SweepAction.CONFIRM)
            return
        by = run.sweep.instrument or "you"
        left = len(run.sweep.values) - len(run.points) if run.state is not SweepState.DONE else len(run.sweep.values)
        title = f"begin {run.sweep.name}: {by} set{'s' if run.sweep.instrument else ''} {left} values, one by one?"

        def accept(words: str | None) -> None:
            if words is not None:
                self._request_sweep(run, SweepAction.BEGIN)

        hint = "Enter begins, Esc leaves it"
        self.push_screen(TextDialog(self.state, self.symbols, title, hint, may_be_empty=True), accept)

    def action_skip_value(self) -> None:
        """Skip the value that a sweep asks for, with a reason."""
        self._ask_of_sweep(SweepAction.SKIP, "skip this value: why?")

    def action_stop_sweep(self) -> None:
        """Stop the sweep that runs; it may go on later where it was."""
        self._ask_of_sweep(SweepAction.STOP, "stop the sweep: why? It may go on later.", may_be_empty=True)

    def _ask_of_sweep(self, action: SweepAction, title: str, *, may_be_empty: bool = False) -> None:
        run = self.state.plan.sweeps.current
        if run is None:
            self.show_message("No sweep runs.")
        elif self.can_request("A sweep"):

            def accept(words: str | None) -> None:
                if words is not None:
                    self._request_sweep(run, action, words)

            hint = "Enter confirms, Esc leaves it"
            self.push_screen(TextDialog(self.state, self.symbols, title, hint, may_be_empty=may_be_empty), accept)

    def _request_sweep(self, run: SweepRun, action: SweepAction, words: str = "") -> None:
        self.ask(SweepRequest(action, run.sweep.name, words), "The sweep does not move")

    def action_load(self) -> None:
        """Load the edited bench file, after a look at what changes."""
        edit = self.state.edit
        if edit is None or not self.view.live:
            self.show_message("The bench file has not been edited since it was loaded.")
        elif edit.kind != EventKind.BENCH_EDITED:
            self.show_message(self.state.edit_in_words)
        elif self.can_request("Loading a bench file"):

            def load(agreed: bool | None) -> None:
                if agreed:
                    self.ask(LoadBench(edit.time), "The bench file in force stays")

            self.push_screen(LoadDialog(self.state, self.symbols, edit.message), load)

    def action_export(self) -> None:
        """Export the readings to a file in the background, in the format of its ending."""
        if self._is_busy():
            return
        session = self.state.info.path

        def write(name: str | None) -> None:
            if name:
                self.job = export(session, Path(name).expanduser().absolute())
                self.show_progress()

        title, hint = (
            "write the readings to which file?",
            "the ending gives the format: .csv, .json, .sqlite or .parquet; Esc cancels",
        )
        usual = f"{Path(session).stem}.csv"
        self.push_screen(TextDialog(self.state, self.symbols, title, hint, usual=usual), write)

    def action_monte_carlo(self) -> None:
        """Draw many supplies within the tolerances, in the background."""
        if not self._is_busy():
            bench = self.state.info.bench

            def take(spreads: dict[str, Distribution]) -> None:
                if self.state.info.bench is bench:
                    self.state.distributions = spreads

            settled = self.state.settled
            self.job = run_monte_carlo(bench, None if settled is None else settled.mains_voltage, take)
            self.show_progress()

    def action_explain(self) -> None:
        """Work out where the expected value of the selected channel comes from, in the background."""
        state, channel = self.state, self.state.channel(self.chosen)
        if channel is None or self._is_busy():
            return
        if channel.is_hidden:
            self.show_message(f"{channel.channel.name} has not been guessed yet: g asks for a guess.")
            return
        bench = state.info.bench

        def take(derivation: Derivation) -> None:
            if self.state.info.bench is bench:
                self.state.derivations[derivation.quantity] = derivation

        latest = {each.channel.quantity: each.value for each in state.channels}
        settled = state.settled if latest.get("mains.voltage.rms") is not None else None
        place = state.plan.step_number
        self.job = derive(
            bench,
            channel.channel.quantity,
            take,
            mains_voltage=None if settled is None else settled.mains_voltage,
            ambient=latest.get("ambient.temperature"),
            load=None if place is None else state.plan.load_at(place),
        )
        self.show_progress()

    def action_cancel_job(self) -> None:
        """Cancel what runs in the background."""
        if self.job is None:
            self.show_message("Nothing runs that could be cancelled.")
        else:
            self.job.cancel()
            self.show_progress()

    def _is_busy(self) -> bool:
        if self.job is not None:
            self.show_message(f"Please wait: {self.job.in_words}")
        return self.job is not None

    def show_progress(self) -> None:
        """Show the progress of the background job, and its answer once."""
        self.state.progress = "" if self.job is None or self.job.answer is not None else self.job.in_words
        if self.job is not None and self.job.answer is not None:
            answer, self.job = self.job.answer, None
            self.show_message(answer)

    def action_leave(self) -> None:
        """Leave; if a recorder runs, ask first whether it goes on."""
        if not self.view.live or self.state.read_only:
            self.exit(ExitChoice.NOTHING)
        elif not isinstance(self.screen, ExitDialog):
            self.push_screen(ExitDialog(self.state, self.symbols), self._leave)

    def _leave(self, choice: ExitChoice | None) -> None:
        stops = choice is ExitChoice.STOP_RECORDER
        if choice is not None and (not stops or self.ask(StopRecording(), "The recorder cannot be stopped")):
            self.exit(choice)
