"""What an operator may ask of a running recorder, as typed requests.

A request is stored in the table `requests` of the session file: its kind, and its fields as a JSON object. The recorder
reads it back in `benchmon.recorder.operator_requests`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass

from benchmon.text import one_line
from benchmon.watch.guess import GuessRequest
from benchmon.watch.plan import RecordRequest, StepRequest, SweepRequest

LONGEST_TEXT = 1000
"""Characters of a field that are kept."""
BY_SIGNAL = 0
"""The number of a request that came by a signal; those of a session file begin at 1."""


@dataclass(frozen=True, slots=True)
class Note:
    """A note to be recorded as an event."""

    text: str


@dataclass(frozen=True, slots=True)
class TypedReading:
    """A reading entered by hand: the display of `channel` `shows` a number with its unit.

    `time` is when it was read, in session seconds; None for now.
    """

    channel: str
    shows: str
    time: float | None = None


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """The alarm of `channel` was seen; "" for an alarm of no channel."""

    channel: str = ""


@dataclass(frozen=True, slots=True)
class LoadBench:
    """Put the edited bench file into force that the event at `offered_at` (session seconds) offered."""

    offered_at: float


@dataclass(frozen=True, slots=True)
class SwitchPowerOff:
    """Switch the supply off; `reason` follows the words "asked for" in the event."""

    reason: str = ""


@dataclass(frozen=True, slots=True)
class StopRecording:
    """End the recording."""


OperatorRequest = (
    Note
    | TypedReading
    | GuessRequest
    | Acknowledge
    | StepRequest
    | RecordRequest
    | SweepRequest
    | LoadBench
    | SwitchPowerOff
    | StopRecording
)

KINDS: Mapping[type[OperatorRequest], str] = {
    Note: "note",
    TypedReading: "reading",
    GuessRequest: "guess",
    Acknowledge: "acknowledge",
    StepRequest: "step",
    RecordRequest: "record",
    SweepRequest: "sweep",
    LoadBench: "load bench",
    SwitchPowerOff: "switch off",
    StopRecording: "stop",
}
"""The kind under which each request is stored."""


def encode_request(request: OperatorRequest) -> tuple[str, str]:
    """Return a request as its kind and the JSON of its fields, in one printable line.

    >>> encode_request(TypedReading("vout", "22.14 V", 12.5))
    ('reading', '{"channel": "vout", "shows": "22.14 V", "time": 12.5}')
    """
    fields = {
        name: one_line(value, LONGEST_TEXT) if isinstance(value, str) else value
        for name, value in asdict(request).items()
    }
    return KINDS[type(request)], json.dumps(fields, ensure_ascii=False)
