"""The bench-file keys of the SCPI driver."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, StrictBool, field_validator, model_validator
from pyvisa import rname
from pyvisa.highlevel import get_wrapper_class

from benchmon.bench.fields import KeyedError, Number
from benchmon.errors import BadInput
from benchmon.instruments.types import ChannelSettings, InstrumentSettings, SwitchSettings
from benchmon_drivers.number_parsing import ReplyUnit
from benchmon_drivers.scpi.waveform_format import WaveKeys
from benchmon_drivers.serial.port import SERIAL_KEYS, SerialKeys, one_command, termination

Command = Annotated[str, BeforeValidator(one_command)]
Termination = Annotated[str, AfterValidator(termination)]


class ScpiSettings(InstrumentSettings, SerialKeys):
    """A SCPI instrument: its VISA resource name, PyVISA backend, terminations and what is sent on opening."""

    backend: str = "@py"
    read_termination: Termination = "\n"
    write_termination: Termination = "\n"
    identity: Command = "*IDN?"
    """The query for its identity; "" where it has none."""
    setup: tuple[Command, ...] = ()
    error_queue: StrictBool = True
    waves: WaveKeys | None = None
    """The format of captured waves."""

    @field_validator("address")
    @classmethod
    def _a_visa_resource(cls, value: str) -> str:
        try:
            rname.parse_resource_name(value)
        except rname.InvalidResourceName as problem:
            like = f'"ASRL{value}::INSTR"' if value.startswith("/dev/") else '"TCPIP::192.0.2.5::5025::SOCKET"'
            raise BadInput(f"is no VISA resource name; write it like {like}") from problem
        return value

    @field_validator("backend")
    @classmethod
    def _an_installed_backend(cls, value: str) -> str:
        wrapper = value.rpartition("@")[2]
        try:
            get_wrapper_class(wrapper)
        except (ValueError, ImportError) as problem:
            raise BadInput(f'is no PyVISA backend; install pyvisa-{wrapper}, or leave it at "@py"') from problem
        return value

    @model_validator(mode="after")
    def _serial_keys_on_serial_lines(self) -> ScpiSettings:
        needless = sorted(SERIAL_KEYS & self.model_fields_set)
        if needless and not self.address.upper().startswith("ASRL"):
            key = needless[0]
            raise KeyedError(key, getattr(self, key), "belongs to a serial line, and the address is none")
        return self


class ScpiChannel(ChannelSettings):
    """How one value is asked for, which of several in the reply it is (from 0), and a factor on it.

    Alternatively the queries for the wave that it is measured on, and for that wave's preamble.
    """

    query: Annotated[Command, Field(min_length=1)] = ""
    index: Annotated[int, Field(ge=0, le=1000)] | None = None
    factor: Annotated[Number, Field(gt=0)] = 1.0
    unit: ReplyUnit | None = None
    wave: Annotated[Command, Field(min_length=1)] = ""
    preamble: Command = ""

    @model_validator(mode="after")
    def _one_question(self) -> ScpiChannel:
        if not (self.query or self.wave):
            raise KeyedError(
                "query", None, "is missing; its driver needs it, or wave where a captured wave is measured"
            )
        for_values = sorted({"query", "index", "unit"} & self.model_fields_set) if self.wave else []
        if for_values:
            key = for_values[0]
            raise KeyedError(key, getattr(self, key), "cannot be combined with wave; remove one of them")
        if self.preamble and not self.wave:
            raise KeyedError("preamble", self.preamble, "belongs to a wave; add the query for its samples as wave")
        return self


class ScpiSwitch(SwitchSettings):
    """The command that switches off, and the question that a switch which is off answers with 0 or OFF."""

    command: Annotated[Command, Field(min_length=1)]
    confirm: Command = ""
