"""What the watch returns: a judgement for every reading, and events. The session stores them, the screen shows them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from benchmon.event_kinds import EventKind, UnknownKind

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MOST_SAMPLES = 200_000
"""Samples of a captured wave that is kept."""


class Verdict(StrEnum):
    """How a reading compares with its expected value (En of ISO 13528)."""

    AGREES = "agrees"
    QUESTIONABLE = "questionable"
    DISAGREES = "disagrees"
    UNPREDICTED = "unpredicted"


class Flag(StrEnum):
    """What else is to be known of a channel."""

    DRIFTING = "drifting"
    HOT = "hot"
    TRIPPED = "tripped"
    STALE = "stale"
    OVERRANGE = "overrange"
    IMPLAUSIBLE = "implausible"


NO_FLAGS: frozenset[Flag] = frozenset()


@dataclass(frozen=True, slots=True)
class LoggedReading:
    """A reading of a log: `time` in seconds, `channel`, and `value` in its quantity's unit (±inf where over range)."""

    time: float
    channel: str
    value: float


@dataclass(frozen=True, slots=True)
class Judgement:
    """What is known of a channel at `time` (session seconds): its reading beside what was expected.

    `value` is None where there is none; `uncertainty` is the expanded one of the reading, `expected_uncertainty` that
    of the prediction, all in the quantity's unit.
    """

    channel: str
    time: float
    value: float | None
    uncertainty: float | None
    expected: float | None
    expected_uncertainty: float | None
    en: float | None
    verdict: Verdict
    flags: frozenset[Flag] = frozenset()


@dataclass(frozen=True, slots=True)
class EventDetails:
    """The facts of an event that a program needs, so that no message is parsed; None where the event has no such fact.

    `request` is the number of the operator's request that the event answers, 0 for one that came by a signal. `step` is
    the number of a step of the plan, from 1, and `note` what the operator noted of it or the reason given. `seen_off`
    is whether a meter showed that the power is gone. `entry` is the name of what a person recorded in a step, `shows`
    its value as typed ("" where `note` says why there is none), `met` whether it keeps its limits, `meter`,
    `calibrated` (a date) and `who` by what and whom it was measured. `zero` is a zero that was taken, in the channel's
    unit. `guess` is what a learner guessed that the channel settles at and `read` what it read then, in its unit.
    `sweep` is the name of a sweep and `point` the number of its value, from 1; `swept` is that value or where it stands
    (SI; None for infinite ohms), and `readings` the JSON of what was read or predicted there (see
    `watch.plan.settled_points`). Every field is a plain number, text or truth value: the session stores the fields by
    their names.
    """

    request: int | None = None
    step: int | None = None
    note: str | None = None
    seen_off: bool | None = None
    entry: str | None = None
    shows: str | None = None
    met: bool | None = None
    meter: str | None = None
    calibrated: str | None = None
    who: str | None = None
    zero: float | None = None
    guess: float | None = None
    read: float | None = None
    sweep: str | None = None
    point: int | None = None
    swept: float | None = None
    readings: str | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened at `time` (session seconds), in words. `channel` is "" where it concerns none.

    `details` are its facts for programs, None where it has none.
    """

    time: float
    channel: str
    kind: EventKind | UnknownKind
    message: str
    details: EventDetails | None = None


@dataclass(frozen=True, slots=True)
class Explanation:
    """A cause with its likelihood (of all causes that are known here, 0 to 1) and one line on what to do.

    `channels` are those that the cause concerns, none where it concerns the circuit. `evidence` is the channel whose
    reading is farthest from what is expected, with which `message` begins, and `advice` is the rest of the message:
    what a row of that channel need not repeat is left out. Both are "" where the message names no reading.
    """

    cause: str
    likelihood: float
    message: str
    channels: tuple[str, ...] = ()
    evidence: str = ""
    advice: str = ""


@dataclass(frozen=True, slots=True)
class Explanations:
    """The causes of what is read, the likeliest first, valid from `time` (session seconds) on."""

    time: float
    ranked: tuple[Explanation, ...]


@dataclass(frozen=True, slots=True)
class Forecast:
    """Where a channel is heading, as known from `time` (session seconds) on; None is what is not known.

    `final` is the value it settles at and `uncertainty` the expanded one of that, `rate` what it changes by a second,
    in the quantity's unit. `to_limit` is how many seconds after `time` it passes its trip limit, at the earliest
    `earliest` and at the latest `latest`, which is infinite where some course it may take never passes. `state` says
    in a word what it does.
    """

    channel: str
    time: float
    state: str
    rate: float | None = None
    final: float | None = None
    uncertainty: float | None = None
    to_limit: float | None = None
    earliest: float | None = None
    latest: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Waveform:
    """A wave captured on a channel at `time` (session seconds): `times` (n,) in s that rise, `values` (n,) in `unit`.

    At most `MOST_SAMPLES` samples. Raises `ValueError` where the arrays do not fit together.
    """

    channel: str
    time: float
    times: NDArray[np.float64]
    values: NDArray[np.float64]
    unit: str

    def __post_init__(self) -> None:
        if self.times.ndim != 1 or self.times.shape != self.values.shape:
            raise ValueError(f"times {self.times.shape} and values {self.values.shape} do not fit together")
        if not 2 <= len(self.times) <= MOST_SAMPLES:
            raise ValueError(f"a waveform has 2 to {MOST_SAMPLES} samples, not {len(self.times)}")
