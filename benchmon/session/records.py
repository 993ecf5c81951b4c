"""What the recorder hands over to be written, beside the watch's own records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol

from benchmon.bench import Bench
from benchmon.session.predictions import SettledPrediction, StepPrediction
from benchmon.watch.records import Event, Explanations, Forecast, Judgement, Waveform
from benchmon.watch.status import BenchStatus


class Timed(Protocol):
    """Whatever has a time, in session seconds."""

    @property
    def time(self) -> float:
        """Return the time."""
        ...


@dataclass(frozen=True, slots=True)
class Identity:
    """What an instrument called itself when it was reached, at `time` (session seconds)."""

    instrument: str
    text: str
    time: float = 0.0


@dataclass(frozen=True, slots=True)
class Settings:
    """How an instrument or a channel is driven, the driver's defaults included. `settings` must be fit for JSON."""

    kind: Literal["instrument", "channel"]
    name: str
    settings: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """The watch was alive at this session time, and at this reading of the machine's monotonic clock."""

    time: float
    monotonic: float


@dataclass(frozen=True, slots=True)
class Anchor:
    """The machine's clocks at `time` (session seconds): monotonic, and wall (seconds since 1970, UTC).

    `jump` is by how many seconds the wall clock has gone off the monotonic one since the last anchor.
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
    """Something an operator asked of the recorder."""

    kind: str
    text: str


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
