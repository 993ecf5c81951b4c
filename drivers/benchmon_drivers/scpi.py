"""Instruments that speak SCPI, over PyVISA: LAN sockets, serial lines, and whatever else its backends reach.

After a question that got no answer the line is opened anew and brought into step again: the answer to `*IDN?` is
awaited, and whatever looks like a reading before it is a late answer and thrown away. So a late answer is never taken
for the next channel's. What channels make of captured waves is in `scpi_waves`.
"""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import Any, ClassVar

from pyvisa import VisaIOError
from pyvisa.constants import BufferOperation, InterfaceType, StatusCode
from pyvisa.errors import Error as VisaError
from pyvisa.resources import MessageBasedResource, SerialInstrument

from benchmon.errors import BadReply, InstrumentError, InstrumentTimeout, one_line
from benchmon.instruments.driver import ChannelSettings, DrivenChannel, Driver, InstrumentSettings, SwitchSettings
from benchmon.instruments.ports import Port
from benchmon_drivers.replies import begins_with_number, plain_number, scpi_number
from benchmon_drivers.scpi_settings import ScpiChannel, ScpiSettings, ScpiSwitch
from benchmon_drivers.scpi_waves import Waves
from benchmon_drivers.visa import GuardedSocket, guard, manager, resolve, set_line, way_to_discard
from benchmon_drivers.visa_ports import find_visa
from benchmon_drivers.wave_block import LONGEST, Block
from benchmon_drivers.wave_keys import Floats, Preamble

__all__ = ["ScpiChannel", "ScpiDriver", "ScpiSettings", "ScpiSwitch"]

_LONGEST_REPLY = 1000
_QUIET = 0.05
"""Seconds without a byte after which nothing more is expected on a line that was not asked."""
_QUIET_AFTER_WAVE = 0.3
"""The same on a line that cannot be cut off, where the rest of a wave may still be on its way."""
_PIECE, _PIECE_OF_A_SLOW_LINE = 65_536, 32
"""Bytes of a wave that are read in one go; a whole piece must come within the timeout."""
_END_OF_BLOCK = 0.2
"""Seconds allowed for the end of a message whose block is complete."""
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
        self._resource: MessageBasedResource | None = None
        self._visalib: Any = None
        self._session: Any = None
        self._discard: BufferOperation | None = None
        """How bytes that were not asked for are thrown away before a question; None where a device clear does it."""
        self._severs = False
        """Whether closing the line cuts off every answer that is still on its way."""
        self._guard: GuardedSocket | None = None
        self._opened = ExitStack()
        self._was_open = False
        self._piece = _PIECE
        """How many bytes of a wave are read in one go."""
        self._in_a_block = False
        """Whether a block was begun and not read to its end."""
        self._patience = 0.0
        """Seconds that are waited for an answer now."""

    @classmethod
    def discover(cls, report: Callable[[Port], None], timeout: float, ask_serial: bool) -> None:
        """Report the VISA resources of this computer, and what answers to `*IDN?` there."""
        find_visa(report, timeout, ask_serial)

    # The hooks

    def _open(self) -> str:
        self._connect()
        self._empty_the_line()
        identity = self._identify()
        self._was_open = True
        self._set_timeout(max(self.timeout, _AFTER_SETUP))
        for command in self.settings.setup:
            self._write(self._message(command))
            if "?" in command:
                self._read()
        if identity and not self._error_queue_is_read():
            self._close()
            return self._open()
        self._set_timeout(self.timeout)
        return identity

    def _ask_many(self, channels: Sequence[DrivenChannel[ScpiChannel]]) -> Sequence[float | InstrumentError]:
        return [self._ask_wave(channel) if channel.ask.wave else self._ask(channel) for channel in channels]

    def _ask(self, channel: DrivenChannel[ScpiChannel]) -> float:
        reply = self._exchange(self._questions[channel.name], self._read)
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
        reply = self._exchange(self._message(ask.preamble), self._read) if ask.preamble else b""
        preamble = keys.read_preamble(reply)
        block = self._exchange(self._message(ask.wave), lambda: self._read_block(preamble))
        return keys.read_samples(block, preamble)

    def _exchange(self, question: bytes, read: Callable[[], bytes]) -> bytes:
        if self._discard is not None:
            self._visalib.flush(self._session, self._discard)
        try:
            self._write(question)
            return read()
        except VisaIOError as problem:
            if problem.error_code != StatusCode.error_timeout:
                raise
            raise InstrumentTimeout(
                f"{self.settings.address}: no answer to {question.decode().strip()} within {self.timeout:.3g} s; "
                "is it switched on, and does it know that query?"
            ) from problem

    def _back_in_step(self) -> None:
        if self._in_a_block and self._severs:
            self._close()
            self._open()
            return
        self._empty_the_line()
        if self.identity and not self._error_queue_is_read():
            self._close()
            self._open()
        self._set_timeout(self.timeout)

    def _ready_switch(self, how: ScpiSwitch) -> None:  # noqa: ARG002
        if not self.channels:
            with self._own_connection() as own:
                own._acknowledged()

    def _switch_off(self, how: ScpiSwitch) -> str:
        """Say the command on the open line, past the question that may be on its way there, and on one of its own."""
        told = self._say_on_the_open_line(how.command)
        if told and not self._severs:
            return f"{how.command} sent"
        try:
            with self._own_connection() as own:
                own._write(self._message(how.command))
                own._acknowledged()
        except (VisaError, OSError) as problem:
            if not told:
                raise
            return f"{how.command} sent on its open line, not acknowledged on another ({self._translated(problem)})"
        return f"{how.command} sent and acknowledged"

    def _is_off(self, how: ScpiSwitch) -> bool | None:
        if not how.confirm or (self._resource is not None and not self._severs):
            return None
        with self._own_connection() as own:
            own._write(self._message(how.confirm))
            answer = own._read().decode("latin-1").strip()
        return answer.upper() == "OFF" or plain_number(answer) == 0

    def _close(self) -> None:
        resource, self._resource, self._visalib, self._session = self._resource, None, None, None
        try:
            self._opened.close()
        finally:
            if resource is not None:
                resource.close()

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

    def _say_on_the_open_line(self, command: str) -> bool:
        """Say `command` on the open line from another thread, where sockets and serial lines allow it.

        A new message interrupts a question that is being answered (IEEE 488.2), so it need not wait for the answer.
        """
        resource, visalib, session = self._resource, self._visalib, self._session
        if resource is None or self.settings.backend != "@py" or self._discard is None:
            return False
        try:
            return int(visalib.write(session, self._message(command))[1]) >= 0
        except (VisaError, OSError, AttributeError):
            # The thread that reads has closed it just now.
            return False

    def _acknowledged(self) -> None:
        """Wait until everything is done that was asked for (IEEE 488.2, *OPC?)."""
        self._write(self._message("*OPC?"))
        self._read()

    @contextmanager
    def _own_connection(self) -> Iterator[ScpiDriver]:
        keys = {"identity": "", "setup": (), "error_queue": False, "timeout": _SWITCHES_WITHIN}
        own = ScpiDriver(self.name, self.settings.model_copy(update=keys), [])
        try:
            own._connect()
            own._set_timeout(_SWITCHES_WITHIN)
            yield own
        finally:
            own._close()

    def _connect(self) -> None:
        milliseconds = round(1000 * min(max(self.timeout, 1.0), 2.0))
        if self.settings.backend == "@py":
            resolve(self.settings.address)
        resource = manager(self.settings.backend).open_resource(self.settings.address, open_timeout=milliseconds)
        if not isinstance(resource, MessageBasedResource):
            resource.close()
            raise InstrumentError(f"{self.settings.address}: is no instrument that takes messages; check the address")
        self._resource, self._visalib, self._session = resource, resource.visalib, resource.session
        # A reply longer than allowed is judged here; the library need not warn of it.
        self._opened.enter_context(resource.ignore_warning(StatusCode.success_max_count_read))
        resource.read_termination = self.settings.read_termination
        self._guard = guard(resource) if resource.resource_class == "SOCKET" else None
        self._severs = resource.interface_type == InterfaceType.tcpip
        self._discard = way_to_discard(resource)
        if isinstance(resource, SerialInstrument):
            set_line(resource, self.settings)
            self._piece = _PIECE_OF_A_SLOW_LINE

    def _empty_the_line(self) -> None:
        """Throw away what the instrument says unasked: a greeting, or the answer to a question given up."""
        if self._discard is None:
            try:
                self._visalib.clear(self._session)
            except (NotImplementedError, VisaIOError):
                self._read_until_quiet(_QUIET)
            return
        in_step_anyway = self._severs or bool(self.identity)
        quiet = _QUIET_AFTER_WAVE if self._in_a_block and not self._severs else _QUIET
        self._read_until_quiet(2 * self.timeout if self.late and not in_step_anyway else quiet)
        self._in_a_block = False

    def _read_until_quiet(self, quiet: float) -> None:
        self._set_timeout(quiet)
        give_up = time.monotonic() + 10 * quiet
        self._arm_the_guard(give_up)
        while time.monotonic() < give_up:
            try:
                self._visalib.read(self._session, _LONGEST_REPLY)
            except VisaIOError as problem:
                if problem.error_code == StatusCode.error_timeout:
                    return
                raise

    def _identify(self) -> str:
        """Return the answer to the identity question; "" where there never was one.

        Replies that begin with a number or a block are late answers to earlier questions and are passed over.
        """
        if not self.settings.identity:
            return ""
        self._set_timeout(max(self.timeout, _LATER_IDENTITY if self._was_open else _FIRST_IDENTITY))
        self._write(self._message(self.settings.identity))
        try:
            for _ in range(_MOST_ERRORS):
                reply = self._read()
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
            self._write(self._message("SYST:ERR?"))
            try:
                entry = _ERROR.fullmatch(self._read().decode("latin-1"))
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

    def _set_timeout(self, seconds: float) -> None:
        self._patience = seconds
        if self._resource is not None:
            self._resource.timeout = max(1, round(1000 * seconds))

    def _write(self, message: bytes) -> None:
        _, status = self._visalib.write(self._session, message)
        if status < 0:
            raise VisaIOError(status)

    def _arm_the_guard(self, deadline: float) -> None:
        if self._guard is not None:
            self._guard.deadline = deadline

    def _read(self) -> bytes:
        self._arm_the_guard(time.monotonic() + self._patience)
        reply, status = self._visalib.read(self._session, _LONGEST_REPLY)
        if status == StatusCode.success_max_count_read:
            raise BadReply(f"answered more than {_LONGEST_REPLY} characters without an end; check the termination")
        if status < 0:
            raise VisaIOError(status)
        return bytes(reply)

    def _read_block(self, preamble: Preamble) -> bytes:
        """Return the data of a block, or samples in text; raises `BadReply` where they are not whole."""
        block = Block(text=preamble.codes == "ascii")
        deadline = time.monotonic() + max(_WHOLE_WAVE, 4 * self.timeout)
        self._arm_the_guard(deadline)
        self._in_a_block, ended = True, False
        while block.missing and not ended:
            if self.ending or time.monotonic() > deadline:
                raise InstrumentTimeout(
                    f"{self.settings.address}: its wave takes longer than allowed; raise its timeout"
                )
            piece, status = self._read_piece(min(block.missing, self._piece) if self._discard is not None else LONGEST)
            block.take(piece)
            ended = self._ends(block, piece, status)
        if block.ends_itself and not ended:
            self._read_the_end(block)
        self._in_a_block = False
        return block.data()

    def _read_piece(self, most: int) -> tuple[bytes, StatusCode]:
        piece, status = self._visalib.read(self._session, most)
        if status < 0:
            raise VisaIOError(status)
        return bytes(piece), status

    def _ends(self, block: Block, piece: bytes, status: StatusCode) -> bool:
        """Return whether a message ends with `piece`: by the line's own sign, or in text by its termination.

        Where the line has no sign, the termination may as well be one of the samples of a block without a length: the
        message ends there if nothing follows.
        """
        if self._discard is None and status == StatusCode.success:
            return True
        if block.ends_itself or not block.begun:
            return False
        last = self.settings.read_termination[-1].encode()
        while piece.endswith(last) and not block.is_text:
            piece = self._read_the_end(block)
            if not piece:
                return True
        return piece.endswith(last)

    def _read_the_end(self, block: Block) -> bytes:
        """Take what still comes behind a block, its termination as a rule; return it, nothing where nothing comes."""
        patience = self._patience
        self._set_timeout(_END_OF_BLOCK)
        try:
            piece, _ = self._read_piece(_LONGEST_REPLY if block.ends_itself else 1)
            block.take(piece)
        except VisaIOError as problem:
            if problem.error_code != StatusCode.error_timeout:
                raise
            return b""
        finally:
            self._set_timeout(patience)
        return piece
