"""The kinds of events: each with how grave it is, which alarm it raises, and where it is shown.

A kind is one line of `EventKind`; what emits it names it, and everything else asks `traits_of`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import Flag, IntEnum, StrEnum, auto
from typing import Literal, NewType, Self

StyleRole = Literal["plain", "strong", "good", "doubt", "bad", "danger"]
"""How a piece of text looks on the screen, by what it means."""


class Severity(IntEnum):
    """How grave an event is. A report shows serious ones and worse first."""

    INFO = 0
    WARNING = 1
    SERIOUS = 2
    DANGER = 3


class AlarmKind(StrEnum):
    """What an alarm is about, the gravest first."""

    SWITCH_OFF_FAILED = "switch-off failed"
    TRIPPED = "tripped"
    RECORDER_GONE = "recorder gone"
    LOAD_NOT_RELEASED = "load not released"
    HEADING_FOR_LIMIT = "heading for its limit"
    HOT = "hot"
    NOT_WATCHED = "not watched"


class EventGroup(StrEnum):
    """The subject that the kinds of a group share; the latest event of a group gives its state."""

    PLAN = "plan"
    SWEEP = "sweep"
    BENCH_FILE = "bench file"
    SWITCHING_OFF = "switching off"


class ReportPart(Flag):
    """Where a report lists an event: among the events, or among what was done during the test."""

    EVENTS = auto()
    ACTIONS = auto()


_STYLES: dict[Severity, StyleRole] = {
    Severity.INFO: "plain",
    Severity.WARNING: "doubt",
    Severity.SERIOUS: "bad",
    Severity.DANGER: "danger",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class EventTraits:
    """What is to be known of a kind of event.

    `alarm` is the alarm it raises, if any. `kept` is whether it records what was done (by the
    operator, an instrument, the recorder or the switch), so that it stays when a session is judged again by another
    bench; what the watch concluded does not. `lasts` is whether it still counts however long ago it was. `mark`
    is its sign on a trend, "" for none. `shown` is the word that a person reads for it, "" where that is the kind.
    """

    severity: Severity = Severity.INFO
    alarm: AlarmKind | None = None
    kept: bool = False
    lasts: bool = False
    group: EventGroup | None = None
    report: ReportPart = ReportPart.EVENTS
    role: StyleRole | None = None
    mark: str = "!"
    shown: str = ""

    @property
    def style_role(self) -> StyleRole:
        """Return the style role: its own, else that of its severity."""
        return self.role or _STYLES[self.severity]


_INFO, _WARNING, _SERIOUS, _DANGER = Severity
_EVENTS, _ACTIONS = ReportPart
_T = EventTraits
_ORDINARY = _T()
_STEP = _T(kept=True, lasts=True, group=EventGroup.PLAN, report=_ACTIONS, mark="s")
_SWEEP = _T(kept=True, lasts=True, group=EventGroup.SWEEP, report=_ACTIONS, mark="s")
_EDIT = _T(lasts=True, group=EventGroup.BENCH_FILE)
_SWITCHED = _T(kept=True, lasts=True, group=EventGroup.SWITCHING_OFF, report=_EVENTS | _ACTIONS)


class EventKind(StrEnum):
    """Every kind of event that is emitted. The strings are in session files and never change."""

    traits: EventTraits

    def __new__(cls, word: str, traits: EventTraits = _ORDINARY) -> Self:
        """Make a kind from its string and its traits."""
        kind = str.__new__(cls, word)
        kind._value_ = word
        kind.traits = traits
        return kind

    # The watch: limits, readings and verdicts.
    TRIPPED = "tripped", _T(severity=_DANGER, alarm=AlarmKind.TRIPPED)
    HOT = "hot", _T(severity=_WARNING, alarm=AlarmKind.HOT, role="bad", shown="warning")
    STALE = "stale", _T(severity=_WARNING, alarm=AlarmKind.NOT_WATCHED)
    NO_READING = "no reading", _T(severity=_WARNING)
    OVERRANGE = "overrange", _T(severity=_WARNING)
    CLEARED = "cleared", _T(mark="")
    AGREES = "agrees", _T(mark="")
    QUESTIONABLE = "questionable", _T(severity=_WARNING)
    DISAGREES = "disagrees", _T(severity=_SERIOUS)

    # The watch: the mains.
    MAINS_GONE = "mains gone", _T(severity=_WARNING)
    MAINS_BACK = "mains back"
    MAINS_DIP = "mains dip", _T(severity=_WARNING)

    # The watch: what the history of channels shows, and what explains it.
    DRIFTING = "drifting", _T(severity=_WARNING, mark="d")
    SLOW_DRIFT = "slow drift", _T(mark="d")
    IMPLAUSIBLE = "implausible", _T(severity=_SERIOUS, role="doubt")
    FORECAST = "forecast", _T(alarm=AlarmKind.HEADING_FOR_LIMIT)
    RUNAWAY = "runaway", _T(severity=_SERIOUS, alarm=AlarmKind.HEADING_FOR_LIMIT)
    JUNCTION = "junction"
    CAUSE = "cause"

    # The plan of steps.
    STEP_BEGUN = "step begun", _STEP
    STEP_DONE = "step done", _STEP
    STEP_SKIPPED = "step skipped", _STEP
    PLAN_STOPPED = "plan stopped", _STEP

    # Sweeps.
    SWEEP_ASKS = "sweep asks", replace(_SWEEP, mark="")
    SWEEP_SET = "sweep set", replace(_SWEEP, mark="")
    SWEEP_TAKEN = "sweep taken", replace(_SWEEP, role="good")
    SWEEP_SKIPPED = "sweep skipped", _SWEEP
    SWEEP_STOPPED = "sweep stopped", replace(_SWEEP, severity=_WARNING)
    SWEEP_DONE = "sweep done", replace(_SWEEP, role="good")
    SWEEP_PREDICTED = "sweep predicted", replace(_SWEEP, mark="")
    LOAD_RELEASED = "load released", replace(_SWEEP, role="strong")
    LOAD_NOT_RELEASED = (
        "load not released",
        replace(_SWEEP, severity=_DANGER, report=_EVENTS | _ACTIONS, alarm=AlarmKind.LOAD_NOT_RELEASED),
    )

    RECORDED = "recorded", _T(kept=True, lasts=True, report=_ACTIONS, role="good", mark="r")
    NOT_MET = "not met", _T(severity=_SERIOUS, kept=True, lasts=True, report=_ACTIONS, mark="r")
    GUESSED = "guessed", _T(kept=True, lasts=True, report=_ACTIONS, role="good", mark="g")
    ZERO_TAKEN = "zero taken", _T(kept=True, lasts=True, report=_ACTIONS, mark="z")

    # An edited bench file.
    BENCH_EDITED = "bench edited", _EDIT
    BENCH_NOT_LOADABLE = "bench not loadable", _EDIT
    BENCH_AS_BEFORE = "bench as before", _EDIT
    BENCH_LOADED = "bench loaded", _EDIT

    # Switching off.
    SWITCH = "switch", _T(kept=True, mark="")
    SWITCHING_OFF = "switching off", replace(_SWITCHED, role="bad")
    SWITCHED_OFF = "switched off", replace(_SWITCHED, role="strong")
    SWITCH_OFF_FAILED = "switch-off failed", replace(_SWITCHED, severity=_DANGER, alarm=AlarmKind.SWITCH_OFF_FAILED)
    POWER_IS_BACK = "power is back", replace(_SWITCHED, severity=_DANGER)

    # The operator, and the recording itself.
    STARTED = "started", _T(kept=True, report=_ACTIONS, mark="")
    STOPPED = "stopped", _T(kept=True, report=_ACTIONS, mark="")
    NOTE = "note", _T(kept=True, report=_ACTIONS, role="good", mark="n")
    TYPED = "typed", _T(kept=True, report=_ACTIONS, mark="h")
    ACKNOWLEDGED = "acknowledged", _T(kept=True, lasts=True, report=_ACTIONS, mark="a")
    REFUSED = "refused", _T(kept=True, report=_ACTIONS)

    # Instruments.
    CONNECTED = "connected", _T(kept=True, mark="")
    LOST = "lost", _T(severity=_WARNING, kept=True, role="bad")
    COMPLAINT = "complaint", _T(severity=_WARNING, kept=True)
    LATE = "late", _T(kept=True)

    # The recorder, its clock and its file.
    PREDICTION = "prediction", _T(mark="")
    BEACON = "beacon", _T(kept=True, mark="")
    CLOCK = "clock", _T(kept=True)
    GAP = "gap", _T(kept=True)
    FAULT = "fault"
    UNWRITTEN = "unwritten"
    WRITTEN = "written"


UnknownKind = NewType("UnknownKind", str)
"""A kind that this version does not know: a session file of another version may hold some."""


def read_kind(text: str) -> EventKind | UnknownKind:
    """Return the kind that a session file names."""
    try:
        return EventKind(text)
    except ValueError:
        return UnknownKind(text)


def traits_of(kind: str) -> EventTraits:
    """Return what is to be known of a kind; of one that is unknown, that it is ordinary."""
    known = read_kind(kind)
    return known.traits if isinstance(known, EventKind) else _ORDINARY


LASTING_KINDS = tuple(kind for kind in EventKind if kind.traits.lasts)
"""The kinds that still count however long ago the event was."""
