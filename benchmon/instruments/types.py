"""What an instrument's thread reports: readings, captured waves, and news of the instrument itself.

What a driver takes from a bench file: models that it extends by keys of its own, and a channel as it sees it.

A port.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from benchmon.bench.fields import Seconds
from benchmon.event_kinds import EventKind

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

MOST_SAMPLES = 200_000
"""Samples of a captured wave, as many as a session keeps."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one channel, in the quantity's SI unit, at a monotonic time in seconds.

    `value` is None where the instrument answered without a usable number; `problem` then says why, in words.
    An overrange display has the value ±inf.
    """

    channel: str
    time: float
    value: float | None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class InstrumentNews:
    """A change in an instrument's own state: reached (with its identity), lost, or something it complained of."""

    instrument: str
    time: float
    kind: Literal[EventKind.CONNECTED, EventKind.LOST, EventKind.COMPLAINT]
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class CapturedWave:
    """A wave captured on `channel` at a monotonic time: `times` (n,) in s, which rise, and `values` (n,) in `unit`."""

    channel: str
    time: float
    times: NDArray[np.float64]
    values: NDArray[np.float64]
    unit: str


class InstrumentSettings(BaseModel):
    """Keys of an instrument that every driver takes."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    address: str = Field("", description="Where the instrument is reached.")
    timeout: Annotated[Seconds, Field(gt=0, le=600)] | None = Field(
        None,
        description="How long to wait for an answer; by default short enough that silence is noticed within "
        "three periods.",
    )
    retries: Annotated[int, Field(ge=0, le=10)] = Field(
        1,
        description="How often an unanswered question is repeated, on a connection opened anew, before the "
        "instrument counts as lost.",
    )


class ChannelSettings(BaseModel):
    """Keys of a channel that belong to its driver."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class SwitchSettings(BaseModel):
    """Keys of [switch_off] that belong to the driver."""

    model_config = ConfigDict(extra="forbid", frozen=True)


@dataclass(frozen=True, slots=True)
class Limits:
    """What a channel must not pass, warnings and trips alike, in its quantity's unit."""

    below: tuple[float, ...] = ()
    above: tuple[float, ...] = ()

    def passed(self, value: float | None) -> frozenset[float]:
        """Return the limits that `value` is past, none where there is no value.

        >>> sorted(Limits(below=(1.0,), above=(80.0, 90.0)).passed(85.0))
        [80.0]
        """
        if value is None:
            return frozenset()
        return frozenset(limit for limit in self.above if value > limit) | frozenset(
            limit for limit in self.below if value < limit
        )


C = TypeVar("C", bound=ChannelSettings)


@dataclass(frozen=True, slots=True)
class DrivenChannel(Generic[C]):
    """A channel as its driver sees it: `period` in seconds, its `quantity` and the unit of that, and how to ask."""

    name: str
    unit: str
    period: float
    scale: float
    ask: C
    limits: Limits = Limits()
    quantity: str = ""


@dataclass(frozen=True, slots=True)
class Port:
    """A place where an instrument may be: `driver` and `address` as a bench file would have them.

    `description` is what the system says of the port, `identity` what answered; `problem` says why nothing did.
    """

    driver: str
    address: str
    description: str = ""
    identity: str = ""
    problem: str = ""
