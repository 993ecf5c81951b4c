"""A request to switch off, followed until the recorder has answered it: asked again by a signal, then said loudly."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable

from benchmon.event_kinds import EventGroup, traits_of
from benchmon.session.records import SessionView
from benchmon.session.requests import SwitchPowerOff
from benchmon.watch.records import Event

ANSWERS_WITHIN = 1.0
"""Seconds within which the recorder answers; the same again after a signal."""
UNHEARD = "Switch off by hand: no recorder has answered the request to switch off"


class SwitchOffRequest:
    """The request that was sent through `view` with `number`, None if by a signal, at session time `asked`."""

    def __init__(
        self, view: SessionView, number: int | None, asked: float, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._view, self._number, self._asked, self._clock = view, number, asked, clock
        self._sent = clock()
        self._is_signalled = number is None
        self.is_answered = False

    @property
    def is_unheard(self) -> bool:
        """Whether neither the file nor a signal has brought an answer in time."""
        return not self.is_answered and self._is_signalled and self._clock() - self._sent > ANSWERS_WITHIN

    def follow(self, events: Iterable[Event]) -> None:
        """Take the events of a poll; send the request by a signal if they do not answer it in time."""
        self.is_answered = self.is_answered or any(map(self._answers, events))
        if self.is_answered or self._is_signalled or self._clock() - self._sent <= ANSWERS_WITHIN:
            return
        self._is_signalled = True
        if self._view.request_by_signal(SwitchPowerOff("by the operator")):
            self._sent = self._clock()

    def _answers(self, event: Event) -> bool:
        if event.details is not None and self._number is not None and event.details.request == self._number:
            return True
        return traits_of(event.kind).group is EventGroup.SWITCHING_OFF and event.time >= self._asked
