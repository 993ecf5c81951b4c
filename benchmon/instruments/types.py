"""Types shared by drivers and acquisition: readings, captured waves, instrument news, settings, channels and ports.

A driver extends the settings models by keys of its own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Generic, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from benchmon.bench.fields import Seconds
from benchmon.event_kinds import EventKind

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_ERROR_NUMBERS = re.compile(
    r"(?:VI_)?ERROR_[A-Z_]+ \(-?\d+\):?\s*|VI_ERROR_[A-Z_]+:?\s*|\[Errno -?\d+\]\s*|\(-\d{6,}\)"
)
MOST_SAMPLES = 200_000
"""The most samples of a captured wave, which is also the most that a session keeps."""


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one channel, in the quantity's SI unit, at a monotonic time in seconds.

    `value` is None where the instrument answered without a usable number; `problem` is then the reason. An overrange
    display has the value ±inf.
    """

    channel: str
    time: float
    value: float | None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class InstrumentNews:
    """A change in an instrument's state: connected (with its identity), lost, or a complaint of its own."""

    instrument: str
    time: float
    kind: Literal[EventKind.CONNECTED, EventKind.LOST, EventKind.COMPLAINT]
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class CapturedWave:
    """A wave captured on `channel` at a monotonic time: rising `times` (n,) in s and `values` (n,) in `unit`."""

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
        description="How often an unanswered question is repeated, on a connection opened again, before the "
        "instrument counts as lost.",
    )


class ChannelSettings(BaseModel):
    """Keys of a channel that belong to its driver."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class SwitchSettings(BaseModel):
    """Keys of [switch_off] that belong to the driver."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class LoadSettings(BaseModel):
    """How a sweep sets a load: keys of [[sweep]] that belong to the driver of its instrument."""

    model_config = ConfigDict(extra="forbid", frozen=True)


@dataclass(frozen=True, slots=True)
class Limits:
    """The limits of a channel, of warnings and trips alike, in its quantity's unit."""

    below: tuple[float, ...] = ()
    above: tuple[float, ...] = ()

    def passed(self, value: float | None) -> frozenset[float]:
        """Return the limits that `value` exceeds, none for None.

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
    """A channel for its driver: `period` in seconds, `quantity` and its unit, and the driver's `settings` of it.

    A reading is (shown × `scale` − `zero`) × `gain`.
    """

    name: str
    unit: str
    period: float
    scale: float
    settings: C
    limits: Limits = Limits()
    quantity: str = ""
    zero: float = 0.0
    gain: float = 1.0


@dataclass(frozen=True, slots=True)
class Port:
    """A port where an instrument may be connected: `driver` and `address` as in a bench file.

    `description` is the system's, `identity` is the reply of the instrument; `problem` is why there was none.
    """

    driver: str
    address: str
    description: str = ""
    identity: str = ""
    problem: str = ""

    @property
    def is_instrument(self) -> bool:
        """Whether an instrument may be there: an interface (VISA's INTFC) leads to instruments and is none itself."""
        return bool(self.address) and not self.address.upper().endswith("::INTFC")

    @property
    def words(self) -> str:
        """What is there, in words without the numbers of a library's errors."""
        if self.identity:
            return f"answers: {self.identity}"
        if self.problem:
            return _ERROR_NUMBERS.sub("", self.problem).strip(" :") or "does not answer"
        if not self.is_instrument:
            return "an interface that leads to instruments"
        return self.description if self.description not in ("", "n/a") else "no answer yet; nothing more is known"
