"""Instruments that speak SCPI, over PyVISA: LAN sockets, serial lines, and whatever else its backends reach.

After a question that got no answer the line is opened anew and brought into step again: the answer to `*IDN?` is
awaited, and whatever looks like a reading before it is a late answer and thrown away. So a late answer is never taken
for the next channel's. What channels make of captured waves is in `scpi_waves`.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import ClassVar

from pyvisa import VisaIOError
from pyvisa.constants import StatusCode
from pyvisa.errors import Error as VisaError

from benchmon.errors import InstrumentError, InstrumentTimeout
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings, Port, SwitchSettings
from benchmon.signals.arrays import Floats
from benchmon.text import one_line
from benchmon_drivers.number_parsing import begins_with_number, plain_number, scpi_number
from benchmon_drivers.scpi.connection import MessageLine, find_visa
from benchmon_drivers.scpi.settings import ScpiChannel, ScpiSettings, ScpiSwitch
from benchmon_drivers.scpi.waveform import Waves

__all__ = ["ScpiChannel", "ScpiDriver", "ScpiSettings", "ScpiSwitch"]

_WHOLE_WAVE = 5.0
"""Seconds allowed for a whole wave, or four timeouts."""
_MOST_ERRORS = 10
_FIRST_IDENTITY, _LATER_IDENTITY, _AFTER_SETUP = 1.0, 0.4, 2.0
"""Seconds allowed at least for the identity, at the first opening and later, and for what follows the setup."""
_SWITCHES_WITHIN = 0.5
"""Seconds allowed for an answer of a switch."""
_ERROR = re.compile(r'\s*([+-]?\d{1,9})\s*(?:,\s*"?(.*?)"?\s*)?', re.DOTALL)


class ScpiDriver(Driver[ScpiSettings, ScpiChannel]):
    """A SCPI instrument behind a VISA resource."""

    settings_model: ClassVar[type[InstrumentSettings]] = ScpiSettings
    channel_model: ClassVar[type[ChannelSettings]] = ScpiChannel
    switch_model: ClassVar[type[SwitchSettings] | None] = ScpiSwitch

    def __init__(self, name: str, settings: ScpiSettings, channels: Sequence[DrivenChannel[ScpiChannel]]) -> None:
        super().__init__(name, settings, channels)
        self._questions = {channel.name: self._message(channel.ask.query) for channel in channels}
        self._units = {channel.name: channel.ask.unit or channel.unit for channel in channels}
        self._waves = Waves(channels, settings.waves)
        self._asks_errors = settings.error_queue
        self._line = MessageLine(settings)
        self._was_open = False

    @classmethod
    def discover(cls, report: Callable[[Port], None], timeout: float, ask_serial: bool) -> None:
        """Report the VISA resources of this computer, and what answers to `*IDN?` there."""
        find_visa(report, timeout, ask_serial)

    # The hooks

    def _open(self) -> str:
        self._line.connect(min(max(self.timeout, 1.0), 2.0))
        self._empty_the_line()
        identity = self._identify()
        self._was_open = True
        self._line.set_timeout(max(self.timeout, _AFTER_SETUP))
        for command in self.settings.setup:
            self._line.write(self._message(command))
            if "?" in command:
                self._line.read()
        if identity and not self._error_queue_is_read():
            self._close()
            return self._open()
        self._line.set_timeout(self.timeout)
        return identity

    def _ask_many(self, channels: Sequence[DrivenChannel[ScpiChannel]]) -> Sequence[float | InstrumentError]:
        return [self._ask_wave(channel) if channel.ask.wave else self._ask(channel) for channel in channels]

    def _ask(self, channel: DrivenChannel[ScpiChannel]) -> float:
        reply = self._exchange(self._questions[channel.name], self._line.read)
        return scpi_number(reply, self._units[channel.name], channel.ask.index) * channel.ask.factor

    def _ask_wave(self, channel: DrivenChannel[ScpiChannel]) -> float | InstrumentError:
        capture = self._waves.latest(channel, self.clock())
        if capture is None:
            wave = self._captured(channel.ask)
            capture, told = self._waves.take(channel, self.clock(), wave)
            if told is not None:
                self.on_wave(told)
        return self._waves.value(channel, capture)

    def _captured(self, ask: ScpiChannel) -> tuple[Floats, Floats, bool]:
        keys = self.settings.waves
        assert keys is not None  # noqa: S101 - for the type checker; `Waves` has made sure of it
        reply = self._exchange(self._message(ask.preamble), self._line.read) if ask.preamble else b""
        preamble = keys.read_preamble(reply)
        within = max(_WHOLE_WAVE, 4 * self.timeout)
        block = self._exchange(
            self._message(ask.wave),
            lambda: self._line.read_block(preamble.codes == "ascii", within, lambda: self.ending),
        )
        return keys.read_samples(block, preamble)

    def _exchange(self, question: bytes, read: Callable[[], bytes]) -> bytes:
        self._line.discard()
        try:
            self._line.write(question)
            return read()
        except VisaIOError as problem:
            if problem.error_code != StatusCode.error_timeout:
                raise
            raise InstrumentTimeout(
                f"{self.settings.address}: no answer to {question.decode().strip()} within {self.timeout:.3g} s; "
                "is it switched on, and does it know that query?"
            ) from problem

    def _back_in_step(self) -> None:
        if self._line.in_a_block and self._line.severs:
            self._close()
            self._open()
            return
        self._empty_the_line()
        if self.identity and not self._error_queue_is_read():
            self._close()
            self._open()
        self._line.set_timeout(self.timeout)

    def _ready_switch(self, how: ScpiSwitch) -> None:  # noqa: ARG002
        if not self.channels:
            with self._line_of_its_own() as line:
                self._acknowledged(line)

    def _switch_off(self, how: ScpiSwitch) -> str:
        """Say the command on the open line, past the question that may be on its way there, and on one of its own."""
        told = self._line.write_meanwhile(self._message(how.command))
        if told and not self._line.severs:
            return f"{how.command} sent"
        try:
            with self._line_of_its_own() as line:
                line.write(self._message(how.command))
                self._acknowledged(line)
        except (VisaError, OSError) as problem:
            if not told:
                raise
            return f"{how.command} sent on its open line, not acknowledged on another ({self._translated(problem)})"
        return f"{how.command} sent and acknowledged"

    def _is_off(self, how: ScpiSwitch) -> bool | None:
        if not how.confirm or (self._line.is_open and not self._line.severs):
            return None
        with self._line_of_its_own() as line:
            line.write(self._message(how.confirm))
            answer = line.read().decode("latin-1").strip()
        return answer.upper() == "OFF" or plain_number(answer) == 0

    def _close(self) -> None:
        self._line.close()

    def _explain(self, problem: Exception) -> InstrumentError | None:
        where = self.settings.address
        if isinstance(problem, VisaIOError):
            if problem.error_code == StatusCode.error_timeout:
                return InstrumentTimeout(f"{where}: no answer within {self.timeout:.3g} s; is it switched on?")
            if problem.error_code == StatusCode.error_resource_not_found:
                return InstrumentError(f"{where}: there is no such resource; `benchmon ports` lists those there are")
            return InstrumentError(one_line(f"{where}: {problem.description}"))
        if "could not connect" in str(problem):
            return InstrumentTimeout(f"{where}: cannot be connected in time; check cable and address")
        if isinstance(problem, VisaError) or type(problem) in (Exception, ValueError):
            return InstrumentError(one_line(f"{where}: {problem}"))
        return None

    # The line

    def _acknowledged(self, line: MessageLine) -> None:
        """Wait until everything is done that was asked for on `line` (IEEE 488.2, *OPC?)."""
        line.write(self._message("*OPC?"))
        line.read()

    @contextmanager
    def _line_of_its_own(self) -> Iterator[MessageLine]:
        line = MessageLine(self.settings)
        try:
            line.connect(1.0)
            line.set_timeout(_SWITCHES_WITHIN)
            yield line
        finally:
            line.close()

    def _empty_the_line(self) -> None:
        in_step_anyway = self._line.severs or bool(self.identity)
        self._line.empty(2 * self.timeout if self.late and not in_step_anyway else None)

    def _identify(self) -> str:
        """Return the answer to the identity question; "" where there never was one.

        Replies that begin with a number or a block are late answers to earlier questions and are passed over.
        """
        if not self.settings.identity:
            return ""
        self._line.set_timeout(max(self.timeout, _LATER_IDENTITY if self._was_open else _FIRST_IDENTITY))
        self._line.write(self._message(self.settings.identity))
        try:
            for _ in range(_MOST_ERRORS):
                reply = self._line.read()
                if not (begins_with_number(reply) or reply.startswith(b"#")):
                    return reply.decode("latin-1")
        except VisaIOError as problem:
            if self.identity or problem.error_code != StatusCode.error_timeout:
                raise
        return ""

    def _error_queue_is_read(self) -> bool:
        """Complain of every entry of the error queue (SCPI-1999 volume 2, SYSTem:ERRor?), at most a few.

        Return False where the instrument has none that answers; it is then not asked again, but may still answer late.
        """
        for _ in range(_MOST_ERRORS if self._asks_errors else 0):
            self._line.write(self._message("SYST:ERR?"))
            try:
                entry = _ERROR.fullmatch(self._line.read().decode("latin-1"))
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
