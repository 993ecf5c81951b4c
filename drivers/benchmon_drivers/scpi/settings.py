"""The bench-file keys of the SCPI driver."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field, StrictBool, field_validator, model_validator
from pyvisa import rname
from pyvisa.highlevel import get_wrapper_class

from benchmon.bench.fields import Factor, KeyedError, Number, Seconds
from benchmon.errors import BadInput
from benchmon.instruments.types import ChannelSettings, InstrumentSettings, LoadSettings, SwitchSettings
from benchmon_drivers.number_parsing import SCPI_OVERLOAD, OverloadCodes, Pattern, ReplyUnit
from benchmon_drivers.scpi.usbtmc import is_usbtmc
from benchmon_drivers.scpi.waveform_format import WaveKeys
from benchmon_drivers.serial.port import (
    SERIAL_KEYS,
    SerialKeys,
    one_command,
    termination,
    termination_or_none,
)

Command = Annotated[str, BeforeValidator(one_command)]
Termination = Annotated[str, AfterValidator(termination)]


class ScpiSettings(InstrumentSettings, SerialKeys):
    """A SCPI instrument behind a VISA resource name."""

    address: str = Field(
        "", description='VISA resource name, such as "TCPIP::192.0.2.5::5025::SOCKET", or "/dev/usbtmc0".'
    )
    backend: str = Field(
        "@py", description='PyVISA backend: "@py" is PyVISA-py; others, such as "@sim", must be installed.'
    )
    read_termination: Annotated[str, AfterValidator(termination_or_none)] = Field(
        "\n", description='Characters that end an answer; "" where only silence ends it.'
    )
    end_after: Annotated[Seconds, Field(ge=0.01, le=10)] = Field(
        0.1, description='Silence that ends an answer where read_termination is "".'
    )
    write_termination: Termination = Field("\n", description="Characters that end a command.")
    identity: Command = Field("*IDN?", description='Question for the identity; "" where the instrument has none.')
    setup: tuple[Command, ...] = Field((), description="Commands that are sent when the instrument is opened.")
    error_queue: StrictBool | None = Field(
        None,
        description="Whether SYST:ERR? is asked: true also on opening, false never; left out, after the setup "
        "commands, and after an answer that is no reading or does not come.",
    )
    echo: StrictBool = Field(
        False, description="Whether the instrument, or what is between, sends each command back before it answers."
    )
    separator: Annotated[str, Field(min_length=1, max_length=1)] = Field(
        ",", description="Character between several values of an answer."
    )
    decimal_comma: StrictBool = Field(
        False, description="Whether numbers have a decimal comma; several values then need another separator."
    )
    overload: OverloadCodes = Field(
        SCPI_OVERLOAD,
        description="Words and numbers that the instrument answers when it is over range, such as 1.0E9; a number from "
        "1E15 on, or beyond all that is possible for the quantity, is over range anyway.",
    )
    waves: WaveKeys | None = Field(None, description="Section that says how captured waves are transmitted.")

    @field_validator("address")
    @classmethod
    def _a_visa_resource(cls, value: str) -> str:
        if is_usbtmc(value):
            return value
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
    def _separates_what_is_no_number(self) -> ScpiSettings:
        if not self.separator.isascii() or self.separator in "+-.0123456789eE":
            raise KeyedError("separator", self.separator, "must be one ASCII character that is no part of a number")
        if self.decimal_comma and self.separator == "," and "separator" in self.model_fields_set:
            raise KeyedError("separator", ",", "cannot stand between numbers with a decimal comma")
        return self

    @model_validator(mode="after")
    def _serial_keys_on_serial_lines(self) -> ScpiSettings:
        needless = sorted(SERIAL_KEYS & self.model_fields_set)
        if needless and not self.address.upper().startswith("ASRL"):
            key = needless[0]
            raise KeyedError(key, getattr(self, key), "belongs to a serial line, and the address is none")
        return self


class ScpiChannel(ChannelSettings):
    """How one value is read: by a query for it, or on a captured wave."""

    query: Annotated[Command, Field(min_length=1)] = Field(
        "", description="Question that the instrument answers with this reading."
    )
    index: Annotated[int, Field(ge=0, le=1000)] | None = Field(
        None, description="Which of several values in the answer, from 0."
    )
    pattern: Pattern | None = Field(
        None,
        description="Regular expression whose group value, or else its first group, is the number in the answer; a "
        "group unit is its unit. Without it the answer is a number alone, perhaps with a header and a unit.",
    )
    factor: Factor = Field(
        1.0, description="Factor on the number in the answer; negative where the leads are reversed."
    )
    offset: Number = Field(0.0, description="Added after the factor.")
    unit: ReplyUnit | None = Field(
        None,
        description='Unit of a number in the answer that comes without one, such as "mV", "°F" or "K", and of what '
        "scale converts, where it is not that of the quantity.",
    )
    wave: Annotated[Command, Field(min_length=1)] = Field(
        "",
        description="Question for the samples of a captured wave, instead of query; the quantity is then measured on "
        "the wave.",
    )
    preamble: Command = Field("", description="Question for the preamble of that wave.")

    @model_validator(mode="after")
    def _one_question(self) -> ScpiChannel:
        if not (self.query or self.wave):
            raise KeyedError(
                "query", None, "is missing; its driver needs it, or wave where a captured wave is measured"
            )
        for_values = (
            sorted({"query", "index", "unit", "offset", "pattern"} & self.model_fields_set) if self.wave else []
        )
        if for_values:
            key = for_values[0]
            raise KeyedError(key, getattr(self, key), "cannot be combined with wave; remove one of them")
        if self.pattern is not None and self.index is not None:
            raise KeyedError("index", self.index, "cannot be combined with pattern, which finds the number")
        if self.preamble and not self.wave:
            raise KeyedError("preamble", self.preamble, "belongs to a wave; add the query for its samples as wave")
        return self


VALUE = "{value}"


class ScpiLoad(LoadSettings):
    """Commands that set a load and release it."""

    set: Annotated[Command, Field(min_length=1)] = Field(
        description='Command that sets the load and switches it on, such as "CURR {value};INP ON"; the value is in '
        "amperes or ohms."
    )
    off: Annotated[Command, Field(min_length=1)] = Field(
        description='Command that releases the load, such as "INP OFF".'
    )

    @model_validator(mode="after")
    def _names_the_value(self) -> ScpiLoad:
        if self.set.count(VALUE) != 1:
            raise KeyedError("set", self.set, "must hold {value} once, where the value goes")
        if "?" in self.set + self.off:
            key = "set" if "?" in self.set else "off"
            raise KeyedError(key, getattr(self, key), "is a question; give a command")
        return self


class ScpiSwitch(SwitchSettings):
    """A command that switches off."""

    command: Annotated[Command, Field(min_length=1)] = Field(
        description='Command that switches off, such as "OUTP OFF".'
    )
    confirm: Command = Field(
        "", description='Question that is answered with 0 or OFF when the output is off, such as "OUTP?".'
    )
