"""Base of the drivers on a serial port: the port, and a relay behind it that switches the power off.

The relay is on the RTS or DTR line, or on a board that obeys bytes or text. A line has the level that switches off
until it is armed; it then has the other level until it switches off. So the port stays open even if its meter falls
silent: closing it would release both lines, and the relay with them.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from typing import Annotated, Any, ClassVar, Literal, TypeVar

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from benchmon.bench.fields import KeyedError
from benchmon.errors import InstrumentError, InstrumentTimeout
from benchmon.instruments.driver import Driver
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings, SwitchSettings
from benchmon_drivers.serial.port import (
    HANDSHAKES_BY_LINE,
    HexBytes,
    Level,
    PortAddress,
    SerialKeys,
    any_command,
    arrived,
    close_port,
    explain_port,
    open_port,
    termination_or_none,
)

_MOST_BYTES = 200


class SerialSwitch(SwitchSettings):
    """A relay on a line of the serial port, or a relay board that is switched by bytes or by text."""

    line: Literal["rts", "dtr"] | None = Field(None, description="Line of the port that holds the relay.")
    level: Level | None = Field(
        None,
        description="Level of that line at which the power is off. Starting a recording puts the line to the other "
        "level, which lets the power come.",
    )
    sent_bytes: HexBytes = Field(
        b"", alias="bytes", description='Instead of a line, bytes that switch off, in hexadecimal: "3C 10 00".'
    )
    text: Annotated[str, BeforeValidator(any_command)] = Field(
        "", description='Instead of a line, text that switches off: "mains 2 off".'
    )
    end: Annotated[str, AfterValidator(termination_or_none)] = Field(
        "\n", description="Characters that end the text, and confirm beside a text."
    )
    confirm: Annotated[str, BeforeValidator(any_command)] = Field(
        "",
        description="Question for the state of the relay, for an instrument without channels: text beside text, bytes "
        "in hexadecimal beside bytes.",
    )
    off_answer: str = Field(
        "",
        max_length=3 * _MOST_BYTES,
        description="What the answer to confirm is when the power is off: text without spaces at its ends, or bytes.",
    )

    @model_validator(mode="after")
    def _one_way(self) -> SerialSwitch:
        ways = [key for key, given in (("line", self.line), ("bytes", self.sent_bytes), ("text", self.text)) if given]
        if len(ways) != 1:
            raise KeyedError("line", self.line, "give one of line, bytes and text, by which the power is switched off")
        if (self.line is None) != (self.level is None):
            raise KeyedError("level", self.level, "belongs to line, which needs it")
        if bool(self.confirm) != bool(self.off_answer):
            raise KeyedError("confirm", self.confirm, "needs off_answer, and off_answer needs it")
        if self.line and self.confirm:
            raise KeyedError("confirm", self.confirm, "belongs to bytes or text; a line of the port answers nothing")
        if self.sent_bytes:
            for key in ("confirm", "off_answer"):
                _ = _bytes_of(key, getattr(self, key))
        return self

    @property
    def messages(self) -> tuple[bytes, bytes, bytes]:
        """What switches off, the question for the state, and its answer when the power is off; b"" where not given."""
        if self.sent_bytes:
            question, answer = (_bytes_of(key, getattr(self, key)) for key in ("confirm", "off_answer"))
            return self.sent_bytes, question, answer
        asked = f"{self.confirm}{self.end}" if self.confirm else ""
        return f"{self.text}{self.end}".encode("ascii"), asked.encode("ascii"), self.off_answer.strip().encode()


def _bytes_of(key: str, value: str) -> bytes:
    try:
        return bytes.fromhex(value)
    except ValueError as problem:
        raise KeyedError(key, value, 'must be bytes in hexadecimal, such as "3C 10 00", beside bytes') from problem


class SwitchedPort:
    """The serial port at `address`, whose RTS or DTR line may be a switch. A read waits at most `timeout` seconds."""

    def __init__(self, address: str, keys: SerialKeys, timeout: float, write_timeout: float) -> None:
        self._address, self._keys, self._timeouts = address, keys, (timeout, write_timeout)
        self._how: SerialSwitch | None = None
        self._port: Any = None
        self._is_armed = self._was_needed = False
        self._lock, self._asking = threading.Lock(), threading.Lock()

    def configure(self, how: SerialSwitch) -> None:
        """Set what switches. Raises `KeyedError` where the port has no such free line."""
        if how.line is not None:
            if self._address.startswith("socket://"):
                raise KeyedError("line", how.line, "is a line of a serial port, and a socket has none")
            if self._keys.handshake == HANDSHAKES_BY_LINE[how.line]:
                raise KeyedError("line", how.line, f"is taken by the handshake {self._keys.handshake}")
            if how.line in self._keys.levels:
                raise KeyedError("line", how.line, f"cannot switch; the instrument's key {how.line} holds its level")
        self._how = how

    def open(self) -> Any:
        """Return the port, opened if necessary; a switch on it keeps its state. Raises like `open_port`."""
        with self._lock:
            if self._port is None:
                self._port = open_port(self._address, self._keys, *self._timeouts, self._levels())
            return self._port

    def arm(self, *, opened: bool) -> None:
        """Enable the power by a line unless it was switched off; with `opened`, open the port for it.

        Raises like `open_port`.
        """
        self._is_armed = True
        if opened:
            self.open()
        with self._lock:
            if self._port is not None:
                self._set_lines()

    @property
    def is_open(self) -> bool:
        """Return whether the port is open."""
        return self._port is not None

    def close(self, *, for_good: bool) -> None:
        """Close the port; one with a working switch only if `for_good`."""
        with self._lock:
            if self._how is not None and not for_good and _works(self._port):
                return
            port, self._port = self._port, None
            close_port(port)

    def switch_off(self, how: SerialSwitch) -> str:
        """Switch off by a line or a message, opening the port if necessary; return what was done.

        Raises like `open_port`.
        """
        self._was_needed = True
        port = self.open()
        try:
            with self._lock:
                if how.line is not None:
                    self._set_lines()
                    return f"{how.line.upper()} {how.level}"
                port.write(how.messages[0])
                return f"{how.text or how.messages[0].hex(' ').upper()} sent"
        except OSError:
            self.close(for_good=True)
            raise

    def is_off(self, how: SerialSwitch) -> bool | None:
        """Return whether the relay answers that the power is off, None where it is not asked.

        Raises `InstrumentTimeout` where it does not answer, else like `open_port`.
        """
        _, question, wanted = how.messages if how.line is None else (b"", b"", b"")
        if not question:
            return None
        port = self.open()
        with self._asking:
            port.reset_input_buffer()
            port.write(question)
            answer, give_up = b"", time.monotonic() + _ANSWERS_WITHIN
            while time.monotonic() < give_up and not (how.sent_bytes and len(answer) >= len(wanted)):
                answer += arrived(port)
                if how.text and answer.strip() and answer.endswith((b"\n", b"\r")):
                    break
        if not answer:
            raise InstrumentTimeout(f"{self._address}: no answer to {how.confirm}; is the relay board plugged in?")
        return answer == wanted if how.sent_bytes else wanted in [line.strip() for line in answer.splitlines()]

    def _levels(self) -> dict[str, bool]:
        how = self._how
        return {} if how is None or how.line is None else {how.line: self._asserted(how)}

    def _set_lines(self) -> None:
        for line, asserted in self._levels().items():
            setattr(self._port, line, asserted)

    def _asserted(self, how: SerialSwitch) -> bool:
        is_off = self._was_needed or not self._is_armed
        return (how.level == "asserted") is is_off


def _works(port: Any) -> bool:
    with suppress(OSError):
        return port is not None and port.in_waiting >= 0
    return False


_ANSWERS_WITHIN = 0.5
"""Seconds for the answer of a relay board."""
_DRIVER_TICK = 0.05
"""Seconds after which a read without data returns."""


class SerialSettings(InstrumentSettings, SerialKeys):
    """A meter on a serial port."""

    address: PortAddress = Field(
        description='Serial port such as "/dev/ttyUSB0", or a URL of pyserial such as "socket://192.0.2.5:4001".'
    )


Keys = TypeVar("Keys", bound=SerialSettings)
ChannelKeys = TypeVar("ChannelKeys", bound=ChannelSettings)


class SerialDriver(Driver[Keys, ChannelKeys]):
    """A meter on a serial port; `_port` is that port, None while it is closed."""

    switch_model: ClassVar[type[SwitchSettings] | None] = SerialSwitch

    def __init__(self, name: str, settings: Keys, channels: Sequence[DrivenChannel[ChannelKeys]]) -> None:
        super().__init__(name, settings, channels)
        self._port: Any = None
        self._switched = SwitchedPort(settings.address, settings, _DRIVER_TICK, self.timeout)

    def configure_switch(self, how: SwitchSettings) -> None:
        """Set the keys of [switch_off]. Raises `BadInput` where they do not fit the port."""
        super().configure_switch(how)
        if isinstance(how, SerialSwitch):
            if how.confirm and self.channels:
                raise KeyedError("confirm", how.confirm, "cannot be asked on a line that channels are read from")
            self._switched.configure(how)

    def _close(self) -> None:
        self._port = None
        self._switched.close(for_good=self.ending)

    def _arm_switch(self, how: SerialSwitch) -> None:
        self._switched.arm(opened=not self.channels)
        self._require_connection(self._switched.is_open)
        self._switched.is_off(how)

    def _switch_off(self, how: SerialSwitch) -> str:
        return self._switched.switch_off(how)

    def _is_off(self, how: SerialSwitch) -> bool | None:
        return self._switched.is_off(how)

    def _explain(self, problem: Exception) -> InstrumentError | None:
        return explain_port(problem, self.settings.address)
