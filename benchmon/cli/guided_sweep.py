"""A sweep guided line by line: what a running recorder asks for is printed, and what a person types goes to it."""

from __future__ import annotations

import select
import sys
import time
from collections.abc import Callable
from pathlib import Path

from benchmon.errors import BadInput, RecorderError
from benchmon.event_kinds import EventKind
from benchmon.session.follower import open_session_view
from benchmon.text import one_line
from benchmon.watch.plan import Plan, SweepAction, SweepRequest, SweepRun, SweepState
from benchmon.watch.plan.sweep import SWEEP_KINDS
from benchmon.watch.records import Event

_ANSWERS_WITHIN = 5.0
_LOOK_EVERY = 0.1
_SHOWN = (SWEEP_KINDS - {EventKind.SWEEP_PREDICTED}) | {EventKind.LOAD_RELEASED, EventKind.LOAD_NOT_RELEASED}


class SweepGuide:
    """Follows the sweep called `name` of the session at `path`; without a name the one that runs, or the first.

    Raises `BadInput` where the bench has no such sweep, `SessionFileError` where there is no such session.
    """

    def __init__(self, path: Path, name: str | None = None) -> None:
        self._view = open_session_view(path)
        self._plan = Plan.of(self._view.info.bench)
        self._events: list[Event] = []
        while self._look() and self._view.live:
            pass
        self._events.clear()
        sweeps = self._plan.sweeps
        run = sweeps.latest if name is None else sweeps.runs.get(name)
        if run is None:
            there = ", ".join(sweeps.runs) or "none"
            raise BadInput(f"the bench has no sweep {one_line(name or '', 40)!r}; it has {there}".replace("''", ""))
        self._name = run.sweep.name

    @property
    def _run(self) -> SweepRun:
        return self._plan.sweeps.runs[self._name]

    def ask(self, action: SweepAction, words: str = "") -> str:
        """Ask something of the sweep and return the recorder's answer.

        Raises `BadInput` where the recorder refuses, `RecorderError` where none runs or it does not answer.
        """
        number = self._view.request(SweepRequest(action, self._name, words))
        give_up = time.monotonic() + _ANSWERS_WITHIN
        while time.monotonic() < give_up:
            self._look()
            answers = [one for one in self._events if one.details is not None and one.details.request == number]
            if answers:
                if answers[0].kind == EventKind.REFUSED:
                    self._events.remove(answers[0])
                    raise BadInput(answers[0].message)
                return answers[0].message
            time.sleep(_LOOK_EVERY)
        raise RecorderError("the recorder does not answer; look at the session")

    def run(self, show: Callable[[str], object]) -> bool:
        """Begin the sweep, or go on with it, and guide until it is over; return whether it was done.

        `show` is given each line. Raises as `ask` does where it cannot begin.
        """
        if self._run.is_running:
            show(self._run.in_words())
        else:
            self.ask(SweepAction.BEGIN)
        while True:
            for event in self._events:
                if event.kind in _SHOWN:
                    show(event.message)
            self._events.clear()
            if not self._run.is_running or not self._view.live:
                return self._run.state is SweepState.DONE
            self._answer_typed(show)
            self._look()

    def close(self) -> None:
        """Close the session."""
        self._view.close()

    def _look(self) -> bool:
        update = self._view.poll()
        for event in update.events:
            self._plan.take(event)
        self._events += update.events
        return bool(update.judgements)

    def _answer_typed(self, show: Callable[[str], object]) -> None:
        """Pass on a line that was typed meanwhile, if any."""
        if not sys.stdin.isatty():
            time.sleep(_LOOK_EVERY)
            return
        if not select.select([sys.stdin], [], [], _LOOK_EVERY)[0]:
            return
        word, _, words = sys.stdin.readline().strip().partition(" ")
        action = {"skip": SweepAction.SKIP, "stop": SweepAction.STOP}.get(word, SweepAction.CONFIRM)
        try:
            self.ask(action, words)
        except BadInput as problem:
            show(str(problem))
