"""The status registers and the error queue of a SCPI instrument (IEEE 488.2 chapter 11, SCPI-1999 chapter 21)."""

from __future__ import annotations

from collections import deque

ERRORS = {
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
"""The standard's numbers and names of what this instrument can complain of."""

QUEUE_LENGTH = 20

OPERATION_COMPLETE = 1
QUERY_ERROR = 4
DEVICE_ERROR = 8
EXECUTION_ERROR = 16
COMMAND_ERROR = 32
POWER_ON = 128

ERROR_AVAILABLE = 4
MESSAGE_AVAILABLE = 16
EVENT_SUMMARY = 32
MASTER_SUMMARY = 64


class ScpiError(Exception):
    """One of the standard's errors, by its `number`."""

    def __init__(self, number: int) -> None:
        super().__init__(ERRORS[number])
        self.number = number


class Status:
    """Event and status registers with their enable masks, and the error queue. Bytes are 0 to 255."""

    def __init__(self) -> None:
        self.events = POWER_ON
        self.event_mask = self.request_mask = 0
        self._queue: deque[int] = deque()

    def complain(self, number: int) -> None:
        """Queue the error `number` and set its event bit. A full queue ends with −350 and takes no more."""
        self.events |= {1: COMMAND_ERROR, 2: EXECUTION_ERROR, 3: DEVICE_ERROR, 4: QUERY_ERROR}[-number // 100]
        if len(self._queue) < QUEUE_LENGTH:
            self._queue.append(number)
        else:
            self._queue[-1] = -350
            self.events |= DEVICE_ERROR

    def next_error(self) -> str:
        """Take the oldest error off the queue, as the reply to SYSTem:ERRor?."""
        number = self._queue.popleft() if self._queue else 0
        return f'{number},"{ERRORS.get(number, "No error")}"'

    def take_events(self) -> int:
        """Return the standard event register; reading clears it."""
        events, self.events = self.events, 0
        return events

    def clear(self) -> None:
        """Do what *CLS does: events and queue are emptied, masks stay."""
        self.events = 0
        self._queue.clear()

    def byte(self, *, message_available: bool) -> int:
        """Return the status byte, its bit 6 the master summary."""
        byte = ERROR_AVAILABLE if self._queue else 0
        byte |= MESSAGE_AVAILABLE if message_available else 0
        byte |= EVENT_SUMMARY if self.events & self.event_mask else 0
        return byte | (MASTER_SUMMARY if byte & self.request_mask else 0)
