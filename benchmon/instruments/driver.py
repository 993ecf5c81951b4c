"""The one interface behind which all instruments stand.

An instrument is either polled (it answers when asked) or it streams (its lines arrive by themselves). A driver fills
the hooks of its style:

    polled:  `_open`, `_ask`, `_close`            streaming:  `streams`, `_open`, `_listen`, `_close`

and may fill `_back_in_step` and `_explain`. One that can switch the power off has a `switch_model` and fills
`_switch_off`, and `_ready_switch` and `_is_off` where there is something to do. The base class owns time-outs, retries,
stamping, closing and the translation of whatever a driver or its library raises, so that only the error family of
`benchmon.errors` gets out. A driver is used by one thread at a time, except for `switch_off`, which waits for nobody.
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
    Reading,
    SwitchSettings,
)
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
"""Seconds, doubling, before a question that got no answer is asked again: the other channels keep their periods."""
_MOST_COMPLAINTS = 100


S = TypeVar("S", bound=InstrumentSettings)
C = TypeVar("C", bound=ChannelSettings)
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Stamped:
    """A value that came at another time than it is told, in monotonic seconds."""

    value: float
    time: float


@dataclass(frozen=True, slots=True)
class _Mute:
    """A question that the instrument does not answer though it answers others: rests `until`, for `rest` seconds."""

    until: float
    rest: float
    why: str


class Driver(ABC, Generic[S, C]):
    """One instrument behind the one interface.

    Building a driver opens nothing; it raises `BadInput` where settings do not fit together. `on_complaint` is called
    with what the instrument or the line complains of, each text once; `on_wave` with every wave that was captured.
    """

    settings_model: ClassVar[type[InstrumentSettings]] = InstrumentSettings
    channel_model: ClassVar[type[ChannelSettings]] = ChannelSettings
    switch_model: ClassVar[type[SwitchSettings] | None] = None
    """What it takes from [switch_off], None where it can switch nothing off."""
    streams: bool = False
    by_hand: bool = False
    """Whether a person types in what it shows."""
    thinned: bool = True
    """Whether a stream is thinned to one reading a period; what is past a limit is not."""
    asks_together: bool = False
    """Whether a polled instrument is asked for all channels that are due in one call of `_ask_many`."""

    def __init__(self, name: str, settings: S, channels: Sequence[DrivenChannel[C]]) -> None:
        self.name = name
        self.settings = settings
        self.channels = {channel.name: channel for channel in channels}
        self.on_complaint: Callable[[str], None] = lambda _: None
        self.on_wave: Callable[[CapturedWave], object] = lambda _: None
        self.clock: Callable[[], float] = time.monotonic
        self.identity = ""
        self.switch: SwitchSettings | None = None
        """How it is told to switch the power off, where it is the one that does."""
        self.late = False
        """Whether an answer may still be on its way: the last question got none in time."""
        self.ending = False
        """Whether acquisition ends: then nothing is tried again."""
        self._is_open = False
        self._heard = 0.0
        self._mute: dict[str, _Mute] = {}
        self._complaints: set[str] = set()

    @property
    def timeout(self) -> float:
        """Seconds to wait for an answer, or for the next line of a stream."""
        if self.settings.timeout is not None:
            return self.settings.timeout
        shortest = min((channel.period for channel in self.channels.values()), default=1.0)
        return max(0.5, 2.5 * shortest) if self.streams else min(max(0.1, shortest), 3.0)

    # What acquisition calls

    def open(self) -> str:
        """Reach the instrument; return its identity in one printable line, "" where it has none.

        Raises `InstrumentError`.
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
        self._heard = self.clock()
        return identity

    def read(self, channel: str) -> Reading:
        """Ask for one channel of a polled instrument and wait for its answer.

        A reply that is no number, or a question the instrument alone leaves unanswered, is a `Reading` without a
        value. Raises `InstrumentError` where the instrument is lost.
        """
        if self._mute:
            return self.read_together([channel])[0]
        driven = self.channels[channel]
        return self._taken(driven, self._answers([driven])[0], self.clock())

    def read_together(self, channels: Sequence[str]) -> list[Reading]:
        """Ask for channels, which are due at the same time, and return a reading of each, in any order."""
        asked = [self.channels[name] for name in channels if not self._mute or not self._rests(name)]
        answers = self._answers(asked) if asked else []
        now = self.clock()
        readings = [self._taken(channel, answer, now) for channel, answer in zip(asked, answers, strict=True)]
        if len(asked) < len(channels):
            resting = [name for name in channels if self.channels[name] not in asked]
            readings += [Reading(name, now, None, self._mute[name].why) for name in resting]
        return readings

    def receive(self, seconds: float) -> list[Reading]:
        """Return what arrived from a streaming instrument, waiting at most about `seconds` for it.

        Raises `InstrumentTimeout` after `timeout` seconds without a reading, `InstrumentError` where it is lost.
        """
        try:
            arrived = [self._received(self.channels[name], value) for name, value in self._listen(seconds)]
        except Exception as problem:
            raise self._translated(problem) from problem
        now = self.clock()
        if arrived:
            self._heard = now
        elif now - self._heard > self.timeout:
            raise InstrumentTimeout(self._silence())
        return arrived

    def fit_switch(self, how: SwitchSettings) -> None:
        """Take what [switch_off] says. Raises `BadInput` where it does not fit the instrument."""
        self.switch = how

    def ready_switch(self) -> None:
        """Reach the switch, so that it can be told at any time; a switch that must be held on is held from here on.

        Raises `InstrumentError` where it cannot be reached.
        """
        self._is_open = True
        self._at_the_switch(self._ready_switch)

    def switch_off(self) -> str:
        """Switch the power off at once, and return in words what was done.

        May be called from any thread, again and again, and while another waits for a reading. Raises `InstrumentError`.
        """
        return one_line(self._at_the_switch(self._switch_off))

    def is_off(self) -> bool | None:
        """Return whether the switch says that it is off, None where it cannot tell. Raises `InstrumentError`."""
        return self._at_the_switch(self._is_off)

    def type_in(self, channel: str, text: str, time: float) -> None:  # noqa: ARG002
        """Take what a person reads off a display that has no interface, at a monotonic time.

        Raises `BadInput` where the text is no value of the channel, or the instrument is read without anybody's help.
        """
        raise BadInput(f"{self.name} is read by itself; only channels of a meter without an interface are typed in")

    def close(self) -> None:
        """Let go of the line. May be called at any time and again; what fails then is only complained of."""
        if not self._is_open:
            return
        self._is_open = False
        try:
            self._close()
        except Exception as problem:  # noqa: BLE001  the same boundary
            self.complain(f"did not close cleanly: {self._translated(problem)}")

    def complain(self, text: str) -> None:
        """Report `text` to `on_complaint`, the same text only once."""
        line = one_line(text)
        if line not in self._complaints and len(self._complaints) < _MOST_COMPLAINTS:
            self._complaints.add(line)
            self.on_complaint(line)

    @classmethod
    def discover(cls, report: Callable[[Port], None], timeout: float, ask_serial: bool) -> None:
        """Call `report` with every port this driver could be pointed at; by default it finds none.

        `timeout` is seconds for one answer. Nothing is sent to a serial port unless `ask_serial`. May report a port
        again when more is known of it.
        """

    # What a driver fills

    @abstractmethod
    def _open(self) -> str:
        """Open the line, bring it into step, and return the instrument's identity, "" where it has none."""

    @abstractmethod
    def _close(self) -> None:
        """Close whatever of the line is open, also after `_open` failed half-way."""

    def _ask(self, channel: DrivenChannel[C]) -> float:
        """Return a polled channel's value as the instrument says it: ±inf for overrange, nan for "no number".

        Raises `BadReply` where the answer is no reading, `InstrumentTimeout` where there is none.
        """
        raise NotImplementedError(f"{type(self).__name__} is no polled instrument")

    def _ask_many(self, channels: Sequence[DrivenChannel[C]]) -> Sequence[float | InstrumentError]:
        """Return the value of each of `channels`, or in its place why there is none while others have one.

        More than one comes only where `asks_together`. Raises like `_ask` where none has a value for the same reason.
        """
        return [self._ask(channel) for channel in channels]

    def _listen(self, seconds: float) -> Iterable[tuple[str, float | Stamped | BadReply]]:
        """Yield channel names with values as lines arrive, for at most about `seconds`."""
        raise NotImplementedError(f"{type(self).__name__} is no streaming instrument")

    def _back_in_step(self) -> None:
        """Throw away what may stand on the line after a bad reply."""

    def _lives(self, identity: str, unanswered: Sequence[DrivenChannel[C]]) -> bool:  # noqa: ARG002
        """Return whether the instrument, just opened anew, is there though `unanswered` stay so: it told its identity.

        Then only these questions rest, and the others go on.
        """
        return bool(identity)

    def _explain(self, problem: Exception) -> InstrumentError | None:  # noqa: ARG002
        """Return what an error of the driver's own library means, None where it is not of that library."""
        return None

    def _ready_switch(self, how: Any) -> None:
        """Open what `_switch_off` needs, and let the power come, where either must be done beforehand."""

    def _switch_off(self, how: Any) -> str:
        """Tell the switch to switch off, as `how` (of `switch_model`) says; return what was done in words.

        Another thread may be in any other hook at the same time, and must not be waited for.
        """
        raise NotImplementedError(f"{type(self).__name__} switches nothing off")

    def _is_off(self, how: Any) -> bool | None:  # noqa: ARG002
        """Return whether the switch says that it is off; by default it cannot tell."""
        return None

    def _silence(self) -> str:
        return f"{self.settings.address}: no reading for {self.timeout:.3g} s; is it switched on?"

    # How the base class keeps its promises

    def _received(self, channel: DrivenChannel[C], value: float | Stamped | BadReply) -> Reading:
        if isinstance(value, Stamped):
            return self._stamped(channel, value.value, value.time)
        return self._stamped(channel, value, self.clock())

    def _stamped(self, channel: DrivenChannel[C], value: float | InstrumentError, now: float) -> Reading:
        if isinstance(value, InstrumentError):
            return Reading(channel.name, now, None, one_line(value))
        if math.isnan(value):
            return Reading(channel.name, now, None, "the instrument says that it has no number to show")
        return Reading(channel.name, now, float(value) * channel.scale)

    def _translated(self, problem: Exception) -> InstrumentError:
        if isinstance(problem, InstrumentError):
            return problem
        explained = self._explain(problem) or explain(problem, self.settings.address)
        if explained is not None:
            return explained
        what = f"{type(problem).__name__}: {problem}"
        return InstrumentError(one_line(f"{self.settings.address}: its driver failed ({what}); report this"))

    def _at_the_switch(self, hook: Callable[[Any], T]) -> T:
        if self.switch is None:
            raise InstrumentError(f"{self.name} has not been told how to switch off")
        try:
            return hook(self.switch)
        except Exception as problem:
            raise self._translated(problem) from problem

    def _answers(self, channels: Sequence[DrivenChannel[C]]) -> Sequence[float | InstrumentError]:
        try:
            return self._ask_at_once(channels)
        except Exception as problem:  # noqa: BLE001  the same boundary
            error = self._translated(problem)
        for _ in range(self.settings.retries):
            if self.ending or isinstance(error, BadReply):
                break
            self._reopen(error)
            try:
                return self._ask_at_once(channels)
            except Exception as problem:  # noqa: BLE001  the same boundary
                error = self._translated(problem)
        if isinstance(error, BadReply):
            self._clear_after_bad_reply()
        elif self.ending or not isinstance(error, InstrumentTimeout) or not self._lives(self._reopen(error), channels):
            raise error
        return [error] * len(channels)

    def _ask_at_once(self, channels: Sequence[DrivenChannel[C]]) -> list[float | InstrumentError]:
        answers = [
            answer if type(answer) is float or isinstance(answer, InstrumentError) else float(answer)
            for answer in self._ask_many(channels)
        ]
        if len(answers) != len(channels):
            raise ValueError(f"{len(answers)} answers for {len(channels)} channels")
        for answer in answers:
            if not isinstance(answer, InstrumentTimeout):
                return answers
        # All of them are silent for the same reason.
        raise next(answer for answer in answers if isinstance(answer, InstrumentTimeout))

    def _rests(self, channel: str) -> bool:
        mute = self._mute.get(channel)
        return mute is not None and self.clock() < mute.until

    def _taken(self, channel: DrivenChannel[C], answer: float | InstrumentError, now: float) -> Reading:
        """Return an answer as a reading; a question that stayed unanswered rests, longer each time."""
        if isinstance(answer, float):
            if self._mute:
                self._mute.pop(channel.name, None)
        elif isinstance(answer, InstrumentTimeout):
            why, before = one_line(answer), self._mute.get(channel.name)
            rest = min(2 * before.rest, _LONGEST_REST) if before else _FIRST_REST
            self._mute[channel.name] = _Mute(now + rest, rest, why)
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
            self._back_in_step()
        except Exception as problem:
            raise self._translated(problem) from problem


AnyDriver = Driver[Any, Any]
