"""The driver interface of all instruments.

An instrument is either polled (it replies to a query) or streaming (it sends readings unasked). A driver implements the
hooks of its kind:

    polled:  `_open`, `_query`, `_close`          streaming:  `streams`, `_open`, `_listen`, `_close`

and optionally `_resynchronise` and `_explain`. A driver that can switch the power off has a `switch_model` and
implements `_switch_off`, and `_arm_switch` and `_is_off` where needed. The base class handles time-outs, retries, time
stamps and closing, and translates every exception of a driver or its library into the errors of `benchmon.errors`. A
driver is used by one thread at a time, except for `switch_off`, which never waits for another thread.
"""

from __future__ import annotations

import math
import time
from abc import ABC, abstractmethod
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar, Generic, TypeVar

from benchmon.errors import BadInput, BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.os_errors import explain
from benchmon.instruments.types import (
    CapturedWave,
    ChannelSettings,
    DrivenChannel,
    InstrumentSettings,
    Limits,
    LoadSettings,
    Reading,
    SwitchSettings,
)
from benchmon.quantities import is_sane
from benchmon.text import one_line

if TYPE_CHECKING:
    from benchmon.instruments.types import Port

__all__ = [
    "AnyDriver",
    "ChannelSettings",
    "DrivenChannel",
    "Driver",
    "InstrumentSettings",
    "Limits",
    "Stamped",
    "SwitchSettings",
]

_FIRST_REST, _LONGEST_REST = 5.0, 300.0
"""Seconds, doubling, before an unanswered query is repeated, so that the other channels keep their periods."""
_MOST_COMPLAINTS = 100


S = TypeVar("S", bound=InstrumentSettings)
C = TypeVar("C", bound=ChannelSettings)
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Stamped:
    """A value with the monotonic time in seconds at which it was measured, where that is not the time of arrival."""

    value: float
    time: float


@dataclass(frozen=True, slots=True)
class _Unanswered:
    """A query that the instrument does not answer though it answers others: not sent `until`, for `rest` seconds."""

    until: float
    rest: float
    why: str


class Driver(ABC, Generic[S, C]):
    """The driver of one instrument.

    Creating a driver opens nothing; it raises `BadInput` where settings do not fit together. `on_complaint` is called
    with each complaint of the instrument or the line once; `on_wave` with every captured wave.
    """

    settings_model: ClassVar[type[InstrumentSettings]] = InstrumentSettings
    channel_model: ClassVar[type[ChannelSettings]] = ChannelSettings
    switch_model: ClassVar[type[SwitchSettings] | None] = None
    """The model of its [switch_off] keys, None where it cannot switch the power off."""
    load_model: ClassVar[type[LoadSettings] | None] = None
    """The model of the keys `set` and `off` of a [[sweep]], None where it can set no load."""
    streams: bool = False
    by_hand: bool = False
    """Whether a person types in its readings."""
    decimated: bool = True
    """Whether a stream is decimated to one reading a period; readings past a limit are kept."""
    queries_together: bool = False
    """Whether all channels that are due are queried in one call of `_query_many`."""

    def __init__(self, name: str, settings: S, channels: Sequence[DrivenChannel[C]]) -> None:
        self.name = name
        self.settings = settings
        self.channels = {channel.name: channel for channel in channels}
        self.on_complaint: Callable[[str], None] = lambda _: None
        self.on_wave: Callable[[CapturedWave], object] = lambda _: None
        self.clock: Callable[[], float] = time.monotonic
        self.identity = ""
        self.switch: SwitchSettings | None = None
        """The keys of [switch_off], where this instrument switches the power off."""
        self.loads: dict[str, LoadSettings] = {}
        """How this instrument sets the load of sweeps, by the name of the sweep."""
        self.late = False
        """Whether a late reply may still arrive: the last query timed out."""
        self.ending = False
        """Whether acquisition is ending: nothing is retried then."""
        self._is_open = False
        self._last_received = 0.0
        self._unanswered: dict[str, _Unanswered] = {}
        self._complaints: set[str] = set()

    @property
    def timeout(self) -> float:
        """Seconds to wait for a reply, or for the next reading of a stream."""
        if self.settings.timeout is not None:
            return self.settings.timeout
        shortest = min((channel.period for channel in self.channels.values()), default=1.0)
        return max(0.5, 2.5 * shortest) if self.streams else min(max(0.1, shortest), 3.0)

    # Methods for acquisition

    def open(self) -> str:
        """Open the instrument; return its identity in one printable line, "" if it has none.

        Raises `InstrumentError` where it cannot be reached.
        """
        self._is_open = True
        try:
            identity = one_line(self._open().strip(), 200)
        except Exception as problem:
            self.close()
            raise self._translated(problem) from problem
        if self.identity and identity and identity != self.identity:
            self.complain(f"another instrument answers: {identity}, before it was {self.identity}")
        self.identity = identity or self.identity
        self._last_received = self.clock()
        return identity

    def read(self, channel: str) -> Reading:
        """Query one channel of a polled instrument and wait for the reply.

        A reply that is no number, or a query left unanswered while others are answered, gives a `Reading` without a
        value. Raises `InstrumentError` where the instrument is lost.
        """
        if self._unanswered:
            return self.read_together([channel])[0]
        driven = self.channels[channel]
        return self._reading_of(driven, self._answers([driven])[0], self.clock())

    def read_together(self, channels: Sequence[str]) -> list[Reading]:
        """Query channels that are due at the same time; return a reading of each, in any order.

        Raises `InstrumentError` where the instrument is lost.
        """
        queried = [self.channels[name] for name in channels if not self._unanswered or not self._is_resting(name)]
        answers = self._answers(queried) if queried else []
        now = self.clock()
        readings = [self._reading_of(channel, answer, now) for channel, answer in zip(queried, answers, strict=True)]
        if len(queried) < len(channels):
            resting = [name for name in channels if self.channels[name] not in queried]
            readings += [Reading(name, now, None, self._unanswered[name].why) for name in resting]
        return readings

    def receive(self, seconds: float) -> list[Reading]:
        """Return the readings of a streaming instrument that have arrived, waiting at most about `seconds`.

        Raises `InstrumentTimeout` after `timeout` seconds without a reading, `InstrumentError` where it is lost.
        """
        try:
            arrived = [self._received(self.channels[name], value) for name, value in self._listen(seconds)]
        except Exception as problem:
            raise self._translated(problem) from problem
        now = self.clock()
        if arrived:
            self._last_received = now
        elif now - self._last_received > self.timeout:
            raise InstrumentTimeout(self._timeout_message())
        return arrived

    def configure_switch(self, how: SwitchSettings) -> None:
        """Set the keys of [switch_off]. Raises `BadInput` where they do not fit the instrument."""
        self.switch = how

    def arm_switch(self) -> None:
        """Connect to the switch, so that it can be operated at any time, and enable the power.

        Raises `InstrumentError` where it cannot be reached.
        """
        self._is_open = True
        self._call_switch_hook(self._arm_switch)

    def switch_off(self) -> str:
        """Switch the power off at once; return a description of what was done.

        May be called repeatedly, from any thread, while another waits for a reading. Raises `InstrumentError`.
        """
        return one_line(self._call_switch_hook(self._switch_off))

    def is_off(self) -> bool | None:
        """Return whether the switch reports off, None where it reports nothing. Raises `InstrumentError`."""
        return self._call_switch_hook(self._is_off)

    def configure_load(self, sweep: str, how: LoadSettings) -> None:
        """Set the keys by which a sweep sets its load. Raises `BadInput` where they do not fit the instrument."""
        self.loads[sweep] = how

    def set_load(self, sweep: str, value: float) -> str:
        """Set the load of a sweep to a value (A or Ω) and switch it on; return a description of what was done.

        Waits until the instrument has it; not to be called from the thread that reads. Raises `InstrumentError`.
        """
        if math.isinf(value):
            return self.release_load(sweep)
        return self._call_load_hook(sweep, lambda how: self._set_load(how, value))

    def release_load(self, sweep: str) -> str:
        """Release the load of a sweep at once; return a description of what was done.

        May be called repeatedly, from any thread, while another waits for a reading. Raises `InstrumentError`.
        """
        return self._call_load_hook(sweep, self._release_load)

    def enter_manual(self, channel: str, text: str, time: float) -> None:  # noqa: ARG002
        """Enter the text of a display without an interface, read at a monotonic time.

        Raises `BadInput` where the text is no value of the channel, or the instrument is read automatically.
        """
        raise BadInput(f"{self.name} is read automatically; type in only channels of a meter without an interface")

    def close(self) -> None:
        """Close the line. May be called at any time and repeatedly; a failure becomes a complaint."""
        if not self._is_open:
            return
        self._is_open = False
        try:
            self._close()
        except Exception as problem:  # noqa: BLE001  the same boundary
            self.complain(f"did not close cleanly: {self._translated(problem)}")

    def cautions(self) -> list[str]:
        """Return what a person must know of the driver's settings before a test, in words; nothing by default."""
        return []

    def complain(self, text: str) -> None:
        """Report `text` to `on_complaint`, the same text only once."""
        line = one_line(text)
        if line not in self._complaints and len(self._complaints) < _MOST_COMPLAINTS:
            self._complaints.add(line)
            self.on_complaint(line)

    @classmethod
    def discover(cls, report: Callable[[Port], None], timeout: float, ask_serial: bool) -> None:
        """Call `report` with every port that this driver could use; by default there is none.

        `timeout` is the seconds to wait for a reply. Nothing is sent to a serial port unless `ask_serial`. A port may
        be reported again when more is known about it.
        """

    # Hooks that a driver implements

    @abstractmethod
    def _open(self) -> str:
        """Open and synchronise the line; return the instrument's identity, "" if it has none."""

    @abstractmethod
    def _close(self) -> None:
        """Close the line, also where `_open` failed part-way."""

    def _query(self, channel: DrivenChannel[C]) -> float:
        """Return a polled channel's value as the instrument sends it: ±inf for overrange, nan for "not a number".

        Raises `BadReply` where the reply is no reading, `InstrumentTimeout` where there is none.
        """
        raise NotImplementedError(f"{type(self).__name__} is no polled instrument")

    def _query_many(self, channels: Sequence[DrivenChannel[C]]) -> Sequence[float | InstrumentError]:
        """Return for each of `channels` its value, or the error that explains why it alone has none.

        Gets several channels only with `queries_together`. Raises like `_query` where the same error holds for all.
        """
        return [self._query(channel) for channel in channels]

    def _listen(self, seconds: float) -> Iterable[tuple[str, float | Stamped | BadReply]]:
        """Yield channel names with values as they arrive, for at most about `seconds`."""
        raise NotImplementedError(f"{type(self).__name__} is no streaming instrument")

    def _resynchronise(self) -> None:
        """Discard bytes that may be left on the line after a bad reply."""

    def _responds(self, identity: str, unanswered: Sequence[DrivenChannel[C]]) -> bool:  # noqa: ARG002
        """Return whether the instrument, just reopened, responds although `unanswered` got no reply; by its identity.

        If it does, only these queries rest, and the others continue.
        """
        return bool(identity)

    def _explain(self, problem: Exception) -> InstrumentError | None:  # noqa: ARG002
        """Return the instrument error for an exception of the driver's library, None for any other exception."""
        return None

    def _arm_switch(self, how: Any) -> None:
        """Open what `_switch_off` needs, and enable the power, where this must be done beforehand.

        Raise `InstrumentError` unless the switch was seen to be reached; `_require_connection` does so where the
        connection of the readings is what switches.
        """

    def _switch_off(self, how: Any) -> str:
        """Switch off by the keys `how` (of `switch_model`); return a description of what was done.

        Another thread may be in any other hook at the same time; do not wait for it.
        """
        raise NotImplementedError(f"{type(self).__name__} switches nothing off")

    def _is_off(self, how: Any) -> bool | None:  # noqa: ARG002
        """Return whether the switch reports off; by default None."""
        return None

    def _set_load(self, how: Any, value: float) -> str:
        """Set the load by the keys `how` (of `load_model`) to a value in A or Ω; return a description of it.

        Another thread may be in any other hook at the same time.
        """
        raise NotImplementedError(f"{type(self).__name__} sets no load")

    def _release_load(self, how: Any) -> str:
        """Release the load by the keys `how`; return a description. Do not wait for another thread."""
        raise NotImplementedError(f"{type(self).__name__} sets no load")

    def _timeout_message(self) -> str:
        return f"{self.settings.address}: no reading for {self.timeout:.3g} s; is it switched on?"

    # Implementation of the base class

    def _require_connection(self, is_open: bool) -> None:
        """Raise `InstrumentError` unless the connection of the readings `is_open`."""
        if not is_open:
            raise InstrumentError(f"{self.settings.address}: is not connected")

    def _received(self, channel: DrivenChannel[C], value: float | Stamped | BadReply) -> Reading:
        if isinstance(value, Stamped):
            return self._stamped(channel, value.value, value.time)
        return self._stamped(channel, value, self.clock())

    def _stamped(self, channel: DrivenChannel[C], value: float | InstrumentError, now: float) -> Reading:
        if isinstance(value, InstrumentError):
            return Reading(channel.name, now, None, one_line(value))
        if math.isnan(value):
            return Reading(channel.name, now, None, "the instrument reports that it has no number")
        scaled = (float(value) * channel.scale - channel.zero) * channel.gain
        if math.isfinite(scaled) and not is_sane(scaled, channel.unit):
            shown = f"{scaled:.3g} {channel.unit}".rstrip()
            return Reading(channel.name, now, None, f"shows {shown}, which is implausible; check its units and scale")
        return Reading(channel.name, now, scaled)

    def _translated(self, problem: Exception) -> InstrumentError:
        if isinstance(problem, InstrumentError):
            return problem
        explained = self._explain(problem) or explain(problem, self.settings.address)
        if explained is not None:
            return explained
        what = f"{type(problem).__name__}: {problem}"
        return InstrumentError(one_line(f"{self.settings.address}: its driver failed ({what}); report this"))

    def _call_switch_hook(self, hook: Callable[[Any], T]) -> T:
        if self.switch is None:
            raise InstrumentError(f"{self.name} has no settings to switch off")
        try:
            return hook(self.switch)
        except Exception as problem:
            raise self._translated(problem) from problem

    def _call_load_hook(self, sweep: str, hook: Callable[[Any], str]) -> str:
        how = self.loads.get(sweep)
        if how is None:
            raise InstrumentError(f"{self.name} has no settings for the load of {sweep}")
        try:
            return one_line(hook(how))
        except Exception as problem:
            raise self._translated(problem) from problem

    def _answers(self, channels: Sequence[DrivenChannel[C]]) -> Sequence[float | InstrumentError]:
        try:
            return self._query_once(channels)
        except Exception as problem:  # noqa: BLE001  the same boundary
            error = self._translated(problem)
        for _ in range(self.settings.retries):
            if self.ending or isinstance(error, BadReply):
                break
            self._reopen(error)
            try:
                return self._query_once(channels)
            except Exception as problem:  # noqa: BLE001  the same boundary
                error = self._translated(problem)
        if isinstance(error, BadReply):
            self._clear_after_bad_reply()
        elif (
            self.ending or not isinstance(error, InstrumentTimeout) or not self._responds(self._reopen(error), channels)
        ):
            raise error
        return [error] * len(channels)

    def _query_once(self, channels: Sequence[DrivenChannel[C]]) -> list[float | InstrumentError]:
        answers = [
            answer if type(answer) is float or isinstance(answer, InstrumentError) else float(answer)
            for answer in self._query_many(channels)
        ]
        if len(answers) != len(channels):
            raise ValueError(f"{len(answers)} answers for {len(channels)} channels")
        for answer in answers:
            if not isinstance(answer, InstrumentTimeout):
                return answers
        # All are silent for the same reason.
        raise next(answer for answer in answers if isinstance(answer, InstrumentTimeout))

    def _is_resting(self, channel: str) -> bool:
        mute = self._unanswered.get(channel)
        return mute is not None and self.clock() < mute.until

    def _reading_of(self, channel: DrivenChannel[C], answer: float | InstrumentError, now: float) -> Reading:
        """Return an answer as a reading; an unanswered query rests, longer each time."""
        if isinstance(answer, float):
            if self._unanswered:
                self._unanswered.pop(channel.name, None)
        elif isinstance(answer, InstrumentTimeout):
            why, before = one_line(answer), self._unanswered.get(channel.name)
            rest = min(2 * before.rest, _LONGEST_REST) if before else _FIRST_REST
            self._unanswered[channel.name] = _Unanswered(now + rest, rest, why)
            return Reading(channel.name, now, None, why)
        return self._stamped(channel, answer, now)

    def _reopen(self, error: InstrumentError) -> str:
        self.late = self.late or isinstance(error, InstrumentTimeout)
        self.close()
        identity = self.open()
        self.late = False
        return identity

    def _clear_after_bad_reply(self) -> None:
        try:
            self._resynchronise()
        except Exception as problem:
            raise self._translated(problem) from problem


AnyDriver = Driver[Any, Any]
