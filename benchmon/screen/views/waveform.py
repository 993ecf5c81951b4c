"""Waves: measured over expected, and the harmonics of the line current."""

from __future__ import annotations

from collections.abc import Iterable

from textual import work
from textual.widget import Widget
from textual.worker import get_current_worker

from benchmon.errors import DataFileError
from benchmon.screen.keys import WAVEFORM
from benchmon.screen.lines.text import Line
from benchmon.screen.lines.waveform import (
    Folded,
    FoldedWave,
    WavePage,
    expected_wave,
    fold_waveform,
    harmonic_lines,
    trace_of,
    wave_lines,
)
from benchmon.screen.session_state import ChannelState, SessionState
from benchmon.screen.views.base import View, ViewContext
from benchmon.screen.widgets.lines import Canvas
from benchmon.session.records import StoredPrediction
from benchmon.watch.records import Waveform

_STEP = 1 / 64
_LINE_CURRENT = "mains.current"
_UNITS = {"voltage": "V", "current": "A"}


class WaveView(View, record=WAVEFORM):
    """One trace at a time, over one mains period; h turns to the harmonics of the line current.

    It begins with the wave that the channel `chosen` is measured on.
    """

    def __init__(self, context: ViewContext) -> None:
        super().__init__(context)
        channel = self.state.channel(context.chosen)
        self._trace = "" if channel is None else trace_of(channel.channel.quantity)
        self._cursor = 0.25
        self._shows_harmonics = False
        self._drawing = Canvas(self._draw, self._dependencies)
        self._key: tuple[str, int, int] | None = None
        self._folded_wave: Waveform | None = None
        self._captured_wave: FoldedWave | None = None
        self._problem = ""

    def body(self) -> Iterable[Widget]:
        """Return the drawing."""
        yield self._drawing

    def show(self, state: SessionState) -> None:
        """Show the latest wave."""
        super().show(state)
        self._drawing.show()

    def action_choose(self, steps: int) -> None:
        """Turn to another wave."""
        traces = self._traces(self._prediction)
        if traces:
            at = traces.index(self._trace) if self._trace in traces else 0
            self._trace, self._shows_harmonics = traces[(at + steps) % len(traces)], False
        self.show(self.state)

    def action_move(self, steps: int) -> None:
        """Move the cursor along the period."""
        self._cursor = min(1.0, max(0.0, self._cursor + steps * _STEP))
        self.show(self.state)

    def action_harmonics(self) -> None:
        """Turn to the harmonics of the line current, or back."""
        self._shows_harmonics = not self._shows_harmonics
        self._trace = _LINE_CURRENT if self._shows_harmonics else self._trace
        self.show(self.state)

    @property
    def _prediction(self) -> StoredPrediction | None:
        """Return what is expected, None while a channel that is measured on one of its waves is still to be guessed."""
        state = self.state
        hidden = (trace_of(each.channel.quantity) for each in state.channels if each.is_hidden)
        return None if any(trace.rpartition(".")[2] in _UNITS for trace in hidden) else state.settled

    def _traces(self, prediction: StoredPrediction | None) -> list[str]:
        """Return the waves there are: those measured first."""
        measured = [trace_of(channel.channel.quantity) for channel in self._captured()]
        expected = list(prediction.waveforms.traces) if prediction is not None else []
        named = [trace for trace in expected if trace.rpartition(".")[2] in _UNITS]
        return list(dict.fromkeys([*measured, *named]))

    def _all_are_known(self, prediction: StoredPrediction | None) -> bool:
        """Return whether no wave is still to come; until then the chosen one is not left for another."""
        return not self._trace or prediction is not None or bool(self.state.settled_problem) or not self.state.live

    def _captured(self) -> list[ChannelState]:
        return [channel for channel in self.state.channels if channel.channel.name in self.state.waveforms]

    def _wave(self, trace: str) -> Waveform | None:
        names = [each.channel.name for each in self._captured() if trace_of(each.channel.quantity) == trace]
        return self.state.waveforms[names[0]] if names else None

    def _dependencies(self) -> tuple[object, ...]:
        """Return what goes into the drawing; where the chosen wave turns out not to be there, another is chosen."""
        prediction = self._prediction
        traces = self._traces(prediction)
        if self._trace not in traces and traces and self._all_are_known(prediction):
            self._trace = _LINE_CURRENT if _LINE_CURRENT in traces else traces[0]
        problem = self.state.why_not_settled
        what = (self._trace, self._shows_harmonics, self._cursor, problem, self._problem)
        return *what, prediction, self._wave(self._trace), self._folded_wave, self._captured_wave

    def _draw(self, width: int, height: int) -> list[Line]:
        prediction = self._prediction
        page = self._page(prediction, self._wave(self._trace))
        if self._shows_harmonics and self._trace == _LINE_CURRENT:
            there = page.measured is not None and self._captured_wave is not None
            harmonics = self._captured_wave.harmonics if there and self._captured_wave is not None else ()
            expected = prediction.harmonics.get(_LINE_CURRENT, []) if prediction is not None else []
            return harmonic_lines(harmonics, expected, width, height, self.symbols)
        return wave_lines(page, self._cursor, width, height, self.symbols)

    def _page(self, prediction: StoredPrediction | None, wave: Waveform | None) -> WavePage:
        """Return what to show; a wave or prediction that is new is looked into beside the screen."""
        expected = expected_wave(prediction, self._trace)
        key = (self._trace, id(prediction), id(wave))
        if wave is not None and self._key != key:
            self._key = key
            self._fold(wave, expected)
        unit = wave.unit if wave is not None else _UNITS.get(self._trace.rpartition(".")[2], "")
        problem = "" if expected else self.state.why_not_settled
        if wave is None or wave is not self._folded_wave:
            return WavePage(self._trace, unit, None, expected, None if wave is None else wave.time, problem)
        measured = self._captured_wave.folded if self._captured_wave is not None else None
        return WavePage(self._trace, unit, measured, expected, wave.time, self._problem or problem)

    @work(thread=True, exclusive=True)
    def _fold(self, wave: Waveform, expected: Folded | None) -> None:
        captured, problem = None, ""
        try:
            captured = fold_waveform(wave, self.state.info.bench.mains.frequency, expected)
        except DataFileError as reason:
            problem = f"the captured wave cannot be shown: {reason}"
        if not get_current_worker().is_cancelled:
            self.app.call_from_thread(self._take, wave, captured, problem)

    def _take(self, wave: Waveform, captured: FoldedWave | None, problem: str) -> None:
        self._folded_wave, self._captured_wave, self._problem = wave, captured, problem
        self._drawing.show()
