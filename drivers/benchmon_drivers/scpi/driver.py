"""The SCPI driver, over PyVISA: LAN sockets, serial lines, and every other resource of its backends.

After a query without a reply the connection is reopened and resynchronised: the driver waits for the reply to `*IDN?`
and discards any reading before it as a late reply. So a late reply is never taken for the next channel's. The measures
of captured waves are in `waveform`.
"""

from __future__ import annotations

import math
import re
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import ClassVar

from pyvisa import VisaIOError
from pyvisa.constants import StatusCode
from pyvisa.errors import Error as VisaError

from benchmon.bench.fields import KeyedError
from benchmon.errors import BadReply, InstrumentError, InstrumentTimeout
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import (
    ChannelSettings,
    DrivenChannel,
    InstrumentSettings,
    LoadSettings,
    Port,
    SwitchSettings,
)
from benchmon.quantities import is_sane
from benchmon.signals.arrays import Floats
from benchmon.text import one_line
from benchmon_drivers.bounded_pattern import BoundedPattern
from benchmon_drivers.number_parsing import begins_with_number, decoded, plain_number, scpi_number, shown
from benchmon_drivers.reply_units import unit_of_reply
from benchmon_drivers.scpi.connection import ScpiConnection, find_visa, why_unreachable, why_unusable
from benchmon_drivers.scpi.settings import VALUE, ScpiChannel, ScpiLoad, ScpiSettings, ScpiSwitch
from benchmon_drivers.scpi.waveform import WaveCaptures

__all__ = ["ScpiChannel", "ScpiDriver", "ScpiSettings", "ScpiSwitch"]

_WHOLE_WAVE = 5.0
"""Seconds allowed for a whole wave, if four time-outs are less."""
_MOST_ERRORS = 10
_FIRST_IDENTITY, _LATER_IDENTITY, _AFTER_SETUP = 1.0, 0.4, 2.0
"""The least seconds allowed for the identity, at the first opening and later, and for replies after the setup."""
_SWITCHES_WITHIN = 0.5
"""Seconds allowed for a reply of a switch."""
_ERROR = re.compile(r'\s*([+-]?\d{1,9})\s*(?:,\s*"?(.*?)"?\s*)?', re.DOTALL)


@dataclass
class _Order:
    """A command that the thread which reads sends between two queries; `problem` is why it could not."""

    message: bytes
    sent: threading.Event = field(default_factory=threading.Event)
    problem: Exception | None = None


class ScpiDriver(Driver[ScpiSettings, ScpiChannel]):
    """A SCPI instrument at a VISA resource."""

    settings_model: ClassVar[type[InstrumentSettings]] = ScpiSettings
    channel_model: ClassVar[type[ChannelSettings]] = ScpiChannel
    switch_model: ClassVar[type[SwitchSettings] | None] = ScpiSwitch
    load_model: ClassVar[type[LoadSettings] | None] = ScpiLoad

    def __init__(self, name: str, settings: ScpiSettings, channels: Sequence[DrivenChannel[ScpiChannel]]) -> None:
        super().__init__(name, settings, channels)
        self._query_messages = {channel.name: self._message(channel.settings.query) for channel in channels}
        self._patterns = {channel.name: _compiled(channel) for channel in channels if channel.settings.pattern}
        self._units = {channel.name: channel.settings.unit or channel.unit for channel in channels}
        self._waves = WaveCaptures(channels, settings.waves)
        self._asks_errors = settings.error_queue is not False
        self._connection = ScpiConnection(settings)
        self._was_open = False
        self._orders: deque[_Order] = deque()

    def cautions(self) -> list[str]:
        """Return what to know of the patterns before a test."""
        return sorted({caution for pattern in self._patterns.values() if (caution := pattern.caution())})

    @classmethod
    def discover(cls, report: Callable[[Port], None], timeout: float, ask_serial: bool) -> None:
        """Report the VISA resources of this computer, and their replies to `*IDN?`."""
        find_visa(report, timeout, ask_serial)

    # The hooks

    def _open(self) -> str:
        self._connection.connect(min(max(self.timeout, 1.0), 2.0))
        self._discard_pending()
        identity = self._identify()
        self._was_open = True
        self._connection.set_timeout(max(self.timeout, _AFTER_SETUP))
        for command in self.settings.setup:
            self._connection.write(self._message(command))
            if "?" in command:
                self._connection.read()
        # A meter without an error queue beeps at the question, so it is asked only where something may be wrong.
        is_suspect = bool(self.settings.setup) or self.late or self.settings.error_queue is True
        if identity and is_suspect and not self._error_queue_is_read():
            self._close()
            return self._open()
        self._connection.set_timeout(self.timeout)
        return identity

    def _query_many(self, channels: Sequence[DrivenChannel[ScpiChannel]]) -> Sequence[float | InstrumentError]:
        self._send_orders()
        return [self._ask_wave(channel) if channel.settings.wave else self._query(channel) for channel in channels]

    def _query(self, channel: DrivenChannel[ScpiChannel]) -> float:
        keys, unit = channel.settings, self._units[channel.name]
        reply = self._exchange(self._query_messages[channel.name], self._connection.read)
        how = self.settings
        number = scpi_number(
            self._matched(channel.name, reply),
            unit,
            keys.index,
            how.overload,
            separator=how.separator,
            decimal_comma=how.decimal_comma,
        )
        value = number * keys.factor + keys.offset
        is_beyond = not math.isnan(value) and not is_sane(abs(value), unit_of_reply(unit)[0])
        return math.copysign(math.inf, value) if is_beyond else value

    def _matched(self, channel: str, reply: bytes) -> bytes:
        """Return the number in a reply, with its unit, where the channel has a pattern; otherwise the whole reply."""
        pattern = self._patterns.get(channel)
        if pattern is None:
            return reply
        match = pattern.search(decoded(reply).strip())
        if match is None:
            raise BadReply(f'answered "{shown(reply)}", which does not fit the pattern')
        unit = (match["unit"] or "") if "unit" in pattern.names else ""
        return f"{match['value' if 'value' in pattern.names else 1] or ''} {unit}".encode()

    def _ask_wave(self, channel: DrivenChannel[ScpiChannel]) -> float | InstrumentError:
        capture = self._waves.latest(channel, self.clock())
        if capture is None:
            wave = self._captured(channel.settings)
            capture, stored = self._waves.take(channel, self.clock(), wave)
            if stored is not None:
                self.on_wave(stored)
        return self._waves.value(channel, capture)

    def _captured(self, channel_keys: ScpiChannel) -> tuple[Floats, Floats, bool]:
        keys = self.settings.waves
        assert keys is not None  # noqa: S101 - for the type checker; `WaveCaptures` has made sure of it
        within = max(_WHOLE_WAVE, 4 * self.timeout)

        def block(query: str, *, text: bool) -> bytes:
            return self._exchange(
                self._message(query), lambda: self._connection.read_block(text, within, lambda: self.ending)
            )

        if keys.descriptor:
            head = block(channel_keys.preamble, text=False) if channel_keys.preamble else None
            data = block(channel_keys.wave, text=False)
            return keys.read_samples(data[keys.skip :], keys.read_descriptor(data if head is None else head))
        asks = bool(channel_keys.preamble)
        reply = self._exchange(self._message(channel_keys.preamble), self._connection.read) if asks else b""
        preamble = keys.read_preamble(reply)
        data = block(channel_keys.wave, text=preamble.codes == "ascii")
        return keys.read_samples(data[keys.skip :], preamble)

    def _exchange(self, question: bytes, read: Callable[[], bytes]) -> bytes:
        self._connection.discard()
        try:
            self._connection.write(question)
            return read()
        except VisaIOError as problem:
            if problem.error_code != StatusCode.error_timeout:
                raise
            raise InstrumentTimeout(
                f"{self.settings.address}: no answer to {question.decode().strip()} within {self.timeout:.3g} s; "
                "is it switched on, and does it know that query?"
            ) from problem

    def _resynchronise(self) -> None:
        if self._connection.in_block and self._connection.discards_on_close:
            self._close()
            self._open()
            return
        self._discard_pending()
        if self.identity and not self._error_queue_is_read():
            self._close()
            self._open()
        self._connection.set_timeout(self.timeout)

    def _arm_switch(self, how: ScpiSwitch) -> None:  # noqa: ARG002
        if self.channels:
            self._require_connection(self._connection.is_open)
            return
        with self._second_connection() as line:
            self._acknowledged(line)

    def _switch_off(self, how: ScpiSwitch) -> str:
        return self._send_urgently(how.command)

    def _send_urgently(self, command: str) -> str:
        """Send a command on the open connection, even while a query is pending there, and on a second one."""
        sent = self._connection.write_concurrently(self._message(command))
        if sent and not self._connection.discards_on_close:
            return f"{command} sent"
        try:
            with self._second_connection() as line:
                line.write(self._message(command))
                self._acknowledged(line)
        except (VisaError, OSError) as problem:
            if not sent:
                raise
            return f"{command} sent on the open connection, not acknowledged on another ({self._translated(problem)})"
        return f"{command} sent and acknowledged"

    def _set_load(self, how: ScpiLoad, value: float) -> str:
        """Send the command between two queries where the instrument has channels, else on a connection of its own."""
        command = how.set.replace(VALUE, f"{value:.6g}")
        if not self.channels:
            with self._second_connection() as line:
                line.write(self._message(command))
                self._acknowledged(line)
            return f"{command} sent and acknowledged"
        self._require_connection(self._connection.is_open)
        order = _Order(self._message(command))
        self._orders.append(order)
        within = 2.0 * max(channel.period for channel in self.channels.values()) + self.timeout + _SWITCHES_WITHIN
        if not order.sent.wait(within):
            with suppress(ValueError):
                self._orders.remove(order)
            raise InstrumentTimeout(f"{self.settings.address}: {command} was not taken within {within:.3g} s")
        if order.problem is not None:
            raise order.problem
        return f"{command} sent and acknowledged"

    def _send_orders(self) -> None:
        while self._orders:
            order = self._orders.popleft()
            try:
                self._connection.write(order.message)
                self._acknowledged(self._connection)
            except Exception as problem:
                order.problem = problem
                raise
            finally:
                order.sent.set()

    def _release_load(self, how: ScpiLoad) -> str:
        # What was not sent yet must not follow the release.
        self._orders.clear()
        return self._send_urgently(how.off)

    def _is_off(self, how: ScpiSwitch) -> bool | None:
        if not how.confirm or (self._connection.is_open and not self._connection.discards_on_close):
            return None
        with self._second_connection() as line:
            line.write(self._message(how.confirm))
            answer = line.read().decode("latin-1").strip()
        return answer.upper() == "OFF" or plain_number(answer) == 0

    def _close(self) -> None:
        self._connection.close()

    def _explain(self, problem: Exception) -> InstrumentError | None:
        where, why = self.settings.address, ""
        if isinstance(problem, VisaIOError):
            if problem.error_code == StatusCode.error_timeout:
                return InstrumentTimeout(f"{where}: no answer within {self.timeout:.3g} s; is it switched on?")
            why = problem.description
            if problem.error_code == StatusCode.error_resource_not_found:
                why = why_unreachable(where) or "there is no such resource; `benchmon ports` lists the resources"
        elif needed := why_unusable(where, problem):
            why = needed
        elif "could not connect" in str(problem):
            return InstrumentTimeout(f"{where}: cannot be connected in time; check cable and address")
        elif isinstance(problem, VisaError) or type(problem) in (Exception, ValueError):
            why = str(problem)
        return InstrumentError(one_line(f"{where}: {why}")) if why else None

    # The connection

    def _acknowledged(self, line: ScpiConnection) -> None:
        """Wait until all commands on `line` are complete (IEEE 488.2, *OPC?)."""
        line.write(self._message("*OPC?"))
        line.read()

    @contextmanager
    def _second_connection(self) -> Iterator[ScpiConnection]:
        line = ScpiConnection(self.settings)
        try:
            line.connect(1.0)
            line.set_timeout(_SWITCHES_WITHIN)
            yield line
        finally:
            line.close()

    def _discard_pending(self) -> None:
        in_step_anyway = self._connection.discards_on_close or bool(self.identity)
        self._connection.empty(2 * self.timeout if self.late and not in_step_anyway else None)

    def _identify(self) -> str:
        """Return the reply to the identity query; "" where there never was one.

        Replies that begin with a number or a block are late replies to earlier queries and are skipped.
        """
        if not self.settings.identity:
            return ""
        self._connection.set_timeout(max(self.timeout, _LATER_IDENTITY if self._was_open else _FIRST_IDENTITY))
        self._connection.write(self._message(self.settings.identity))
        try:
            for _ in range(_MOST_ERRORS):
                reply = self._connection.read()
                if not (begins_with_number(reply) or reply.startswith(b"#")):
                    return reply.decode("latin-1")
        except VisaIOError as problem:
            if self.identity or problem.error_code != StatusCode.error_timeout:
                raise
        return ""

    def _error_queue_is_read(self) -> bool:
        """Report every entry of the error queue as a complaint (SCPI-1999 volume 2, SYSTem:ERRor?), at most a few.

        Return False where it does not answer; it is then not queried again, but a reply may still arrive late.
        """
        for _ in range(_MOST_ERRORS if self._asks_errors else 0):
            self._connection.write(self._message("SYST:ERR?"))
            try:
                entry = _ERROR.fullmatch(self._connection.read().decode("latin-1"))
            except VisaIOError as problem:
                if problem.error_code != StatusCode.error_timeout:
                    raise
                entry = None
            if entry is None:
                self._asks_errors = False
                self.complain("has no error queue that answers SYST:ERR?; set error_queue = false")
                return False
            if int(entry[1]) == 0:
                return True
            self.complain(f"error {entry[1]} {entry[2] or ''}".strip())
        return True

    def _message(self, command: str) -> bytes:
        return f"{command}{self.settings.write_termination}".encode("ascii")


def _compiled(channel: DrivenChannel[ScpiChannel]) -> BoundedPattern:
    pattern = BoundedPattern(channel.settings.pattern or "")
    if not pattern.groups:
        raise KeyedError("pattern", pattern.pattern, f"has no group for the number that {channel.name} wants: (…)")
    return pattern
