"""What a screen, a report or an export may know of a session: the reader's side, live or afterwards."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Protocol

from benchmon.bench import Bench
from benchmon.quantities import Expected
from benchmon.session.predictions import SettledPrediction, StepPrediction
from benchmon.watch.records import Event, Explanations, Forecast, Judgement, Waveform
from benchmon.watch.status import BenchStatus

RECENT_SECONDS = 330.0
"""Seconds of readings that a screen takes of a session before it; what is older it takes from trends."""


@dataclass(frozen=True, slots=True)
class Part:
    """A part of a trend, from `start` to `end` in session seconds: its usable readings, None where it has none."""

    start: float
    end: float
    count: int = 0
    lowest: float | None = None
    highest: float | None = None
    mean: float | None = None


class RecorderState(StrEnum):
    """Whether the recorder of a session still writes."""

    RECORDING = "recording"
    FINISHED = "finished"
    GONE = "gone"


@dataclass(frozen=True)
class SessionInfo:
    """What does not change while a session runs. `started` is wall time, in seconds since 1970 (UTC).

    `layout` is the version of the file's layout: an old one has no explanations, forecasts or waves.
    """

    path: str
    bench: Bench
    started: float
    program_version: str
    layout: int = 2


@dataclass(frozen=True)
class Update:
    """What came since the last poll. Judgements are in the order of their times, as are events.

    `now` is the session time, in seconds since its start, up to which this update tells. `explanations` are the ranked
    causes that now stand, None where they have not changed since the last update. `forecasts` and `waveforms` are those
    that came, in the order of their times; a later one of a channel takes the place of the former. `trouble` is what
    keeps the recorder from writing just now, in words, "" where all is well. `events_before` is how many earlier events
    have been passed over. `bench` is an edited bench file that came into force, None where none did. `status` is how
    the bench stands by its recorder's word, None where the session holds none. `settled` is what the bench settles at
    as it is measured, None where that has not changed, and `steps` is what came of what it settles at in steps of the
    plan.
    """

    now: float
    state: RecorderState
    judgements: tuple[Judgement, ...] = ()
    events: tuple[Event, ...] = ()
    identities: dict[str, str] = field(default_factory=dict)
    explanations: Explanations | None = None
    forecasts: tuple[Forecast, ...] = ()
    waveforms: tuple[Waveform, ...] = ()
    trouble: str = ""
    events_before: int = 0
    bench: Bench | None = None
    status: BenchStatus | None = None
    settled: SettledPrediction | None = None
    steps: tuple[StepPrediction, ...] = ()


class SessionView(Protocol):
    """A session as a screen follows it: live, or played again from the file by the same code."""

    @property
    def info(self) -> SessionInfo:
        """Return what does not change."""
        ...

    @property
    def live(self) -> bool:
        """Return whether requests can reach a recorder."""
        ...

    def poll(self) -> Update:
        """Return what came since the last poll."""
        ...

    def trend(self, channel: str, since: float, until: float, parts: int) -> tuple[Part, ...]:
        """Return what `channel` read from `since` to `until` (session seconds) in `parts` parts of the same length."""
        ...

    def band(self, channel: str, since: float, until: float, parts: int) -> tuple[Expected | None, ...]:
        """Return what `channel` was expected to read in the middle of each of such parts, None where nothing was."""
        ...

    def request(self, kind: str, text: str = "") -> None:
        """Ask the recorder for something.

        That is `acknowledge`, `note`, `reading` (see `typed_reading`), `step`, `switch off`, `stop`, or `load bench`,
        whose text is the time of the event that offered it.

        Raises `RecorderError` if none runs, `BadInput` where it is nothing a recorder can be asked.
        """
        ...

    def close(self) -> None:
        """Let go of the file."""
        ...
