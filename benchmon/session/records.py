"""The records of a session: what the recorder stores beside the watch's own records, and what readers get back.

A reader, be it a screen, a report or an export, follows a session through a `SessionView`, live or replayed.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, Protocol

from benchmon.bench import Bench
from benchmon.quantities import Expected
from benchmon.session.requests import OperatorRequest
from benchmon.watch.records import Event, Explanations, Forecast, Judgement, Waveform
from benchmon.watch.status import BenchStatus

if TYPE_CHECKING:
    from benchmon.prediction.result import Waveforms


@dataclass(frozen=True)
class StoredPrediction:
    """The settled state of a bench: `mains_voltage` in V, `mains_frequency` in Hz, `quantities` by name.

    `harmonics` maps `mains.current` to pairs of order and rms amperes. `traces` are the names of its waveforms, and
    `packed` their deflated samples, `count` of each. `unspecified` maps a quantity whose uncertainty comes mostly from
    what the bench file does not give to what that is, each with its share of the variance, the largest first.
    """

    mains_voltage: float
    mains_frequency: float
    quantities: Mapping[str, Expected]
    harmonics: Mapping[str, list[tuple[int, float]]] = field(default_factory=dict)
    traces: tuple[str, ...] = ()
    count: int = 0
    packed: bytes = b""
    unspecified: Mapping[str, tuple[tuple[str, float], ...]] = field(default_factory=dict)

    @cached_property
    def waveforms(self) -> Waveforms:
        """Return the waveforms over one period; none if they cannot be unpacked."""
        import numpy as np  # noqa: PLC0415 - a screen is there sooner without it

        from benchmon.prediction.result import Waveforms  # noqa: PLC0415 - the same

        rows = 1 + len(self.traces)
        length = rows * self.count * 4
        try:
            inflated = zlib.decompressobj().decompress(self.packed, length + 1) if length else b""
        except zlib.error:
            inflated = b""
        if not inflated or len(inflated) != length:
            return Waveforms(np.zeros(0), {})
        values = np.frombuffer(inflated, "<f4").astype(np.float64).reshape(rows, self.count)
        return Waveforms(values[0], dict(zip(self.traces, values[1:], strict=True)))


@dataclass(frozen=True)
class SettledPrediction:
    """The settled state of the bench under the conditions measured at `time` (session seconds).

    `problem` is the reason if there is no prediction, else "".
    """

    time: float
    prediction: StoredPrediction | None = None
    problem: str = ""


@dataclass(frozen=True)
class StepPrediction:
    """The settled state of the bench in step `step` (from 1) of its plan, predicted at `time` (session seconds)."""

    time: float
    step: int
    prediction: StoredPrediction | None = None
    problem: str = ""


class Timed(Protocol):
    """A record with a time, in session seconds."""

    @property
    def time(self) -> float:
        """Return the time."""
        ...


@dataclass(frozen=True, slots=True)
class Identity:
    """The identification that an instrument gave when it was connected, at `time` (session seconds)."""

    instrument: str
    text: str
    time: float = 0.0


@dataclass(frozen=True, slots=True)
class Settings:
    """The driver settings of an instrument or a channel, defaults included. `settings` must be valid JSON."""

    kind: Literal["instrument", "channel"]
    name: str
    settings: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """The recording loop was alive at this session time and this time of the machine's monotonic clock."""

    time: float
    monotonic: float


@dataclass(frozen=True, slots=True)
class Anchor:
    """The machine's clocks at `time` (session seconds): monotonic, and wall (seconds since 1970, UTC).

    `jump` is the seconds that the wall clock has gained on the monotonic one since the last anchor.
    """

    time: float
    monotonic: float
    wall: float
    jump: float = 0.0


@dataclass(frozen=True, slots=True)
class BenchChange:
    """An edited bench file came into force at `time` (session seconds)."""

    time: float
    bench: Bench


@dataclass(frozen=True, slots=True)
class Request:
    """An operator's request as it is stored: its kind, and its fields as JSON (as plain text by older versions).

    `number` is its row in the session; what the recorder answers carries that number.
    """

    kind: str
    text: str
    number: int = 0


Record = (
    Judgement
    | Event
    | Explanations
    | Forecast
    | Waveform
    | Identity
    | Settings
    | Heartbeat
    | Anchor
    | BenchChange
    | BenchStatus
    | SettledPrediction
    | StepPrediction
)


RECENT_SECONDS = 330.0
"""Seconds of earlier readings that a screen loads when it opens a session; older ones come as trends."""


@dataclass(frozen=True, slots=True)
class TrendBin:
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
    """The facts that do not change during a session. `started` is wall time, in seconds since 1970 (UTC).

    `layout` is the version of the file's layout: an old one has no explanations, forecasts or waves.
    `holds_predictions` is whether updates carry settled predictions; if not, a reader works them out. `serial` is the
    serial number of the unit tested, and `operator` who tested it, "" where nobody gave one.
    `is_guessed_first` is whether expected values are hidden on a screen until they have been guessed.
    """

    path: str
    bench: Bench
    started: float
    program_version: str
    layout: int = 2
    holds_predictions: bool = True
    serial: str = ""
    operator: str = ""
    is_guessed_first: bool = False

    @property
    def title(self) -> str:
        """The bench's title, with the unit's serial number where there is one."""
        return f"{self.bench.title}, {self.serial}" if self.serial else self.bench.title


@dataclass(frozen=True)
class Update:
    """The news since the last poll. Judgements are in the order of their times, as are events.

    `now` is the session time, in seconds since its start, up to which it reaches. `explanations` are the ranked
    causes now, None if they have not changed since the last update. `forecasts` and `waveforms` are those
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
    """A session as a screen follows it: live, or replayed from the file."""

    @property
    def info(self) -> SessionInfo:
        """Return the facts that do not change."""
        ...

    @property
    def live(self) -> bool:
        """Return whether requests can reach a recorder."""
        ...

    def poll(self) -> Update:
        """Return the news since the last poll."""
        ...

    def trend(self, channel: str, since: float, until: float, parts: int) -> tuple[TrendBin, ...]:
        """Return what `channel` read from `since` to `until` (session seconds) in `parts` parts of the same length."""
        ...

    def band(self, channel: str, since: float, until: float, parts: int) -> tuple[Expected | None, ...]:
        """Return what `channel` was expected to read in the middle of each of such parts, None where nothing was."""
        ...

    def request(self, request: OperatorRequest) -> int | None:
        """Send a request to the recorder: see `benchmon.session.requests`.

        Return its number, which the details of every event that answers it carry; None where it went by a signal.
        Raises `RecorderError` if none runs or it cannot be reached.
        """
        ...

    def request_by_signal(self, request: OperatorRequest) -> bool:
        """Send a request past the file, where that is possible for it; return whether it was sent."""
        ...

    def close(self) -> None:
        """Close the file."""
        ...
