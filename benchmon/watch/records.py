"""What the watch says: one judgement a reading, and events. The session stores them, the screen shows them."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """How a reading stands to its expected value (En of ISO 13528)."""

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
class Event:
    """Something that happened at `time` (session seconds), in words. `channel` is "" where it concerns none."""

    time: float
    channel: str
    kind: str
    message: str
