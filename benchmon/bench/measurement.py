"""The instruments, channels, steps and the switch, as the bench file describes them."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import PurePath
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from benchmon.bench import fields as v
from benchmon.bench.fields import KeyedError, OneLine, Section
from benchmon.errors import BadInput
from benchmon.quantities import CURRENT, KINDS_BY_UNIT, RESISTANCE, UNITS, VOLTAGE, Accuracy, parse_value
from benchmon.text import one_line


def _read_name(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise BadInput("must be text that is not empty")
    if value != one_line(value, 40):
        raise BadInput("must be printable and at most 40 characters long")
    return value


Name = Annotated[str, BeforeValidator(_read_name)]


PERIOD_BY_HAND = 60.0
"""Seconds after which a person reads a meter again, where the bench file says nothing (from memory)."""


class WithDriverKeys(BaseModel):
    """A section whose other keys belong to the driver, which validates them when it is created."""

    model_config = ConfigDict(extra="allow", frozen=True, arbitrary_types_allowed=True, defer_build=True)

    @property
    def driver_keys(self) -> dict[str, Any]:
        """The driver's keys, as in the file."""
        return dict(self.model_extra or {})


class Instrument(WithDriverKeys):
    """One instrument. Its driver adds keys of its own."""

    name: Name = Field(description="Name of the instrument on the screen and in events; unique.")
    driver: Name = Field(description="Name of its driver, which decides what address and further keys mean.")
    address: str = Field(
        "",
        description="Where it is reached: a VISA resource name, a serial port, a URL or a file, as its driver takes "
        "it.",
    )


class Channel(WithDriverKeys):
    """One quantity read from one instrument. The driver of the instrument adds keys of its own."""

    name: Name = Field(description="Name of the channel; its row on the screen is called so. Unique.")
    instrument: Name = Field(description="Name of the instrument that it is read from.")
    quantity: str = Field(description="What it measures, written point.what.how, such as output.voltage.rms.")
    accuracy: Accuracy = Field(
        description='Accuracy of the meter from its data sheet, a part of the reading plus a fixed amount: "0.5 % + '
        '20 mV". Without it there is no verdict.'
    )
    period: Annotated[v.Seconds, Field(ge=0.01, le=86_400)] = Field(
        1.0,
        description="Time between readings; a channel without a reading for three periods is stale. Where it is left "
        "out, a person reads a meter once in 60 s.",
    )
    warn_above: float | None = Field(None, description="Warning limit, in the unit of the quantity.")
    trip_above: float | None = Field(
        None,
        description="Trip limit, in the unit of the quantity; a channel beyond it asks for switching off and stays "
        "tripped for the session.",
    )
    warn_below: float | None = Field(None, description="Lower warning limit, in the unit of the quantity.")
    trip_below: float | None = Field(None, description="Lower trip limit, in the unit of the quantity.")
    warn_delay: Annotated[v.Seconds, Field(ge=0.0, le=3600.0)] = Field(
        0.0,
        description="Time that a warning limit must be exceeded before the warning is announced; a trip never waits.",
    )
    scale: Annotated[v.Number, Field(gt=0)] = Field(
        1.0, description="Factor on what the instrument returns: the ratio of a clamp or probe."
    )

    responds: Literal["rms", "mean"] = Field(
        "rms",
        description='"mean" for a meter that responds to the average and is scaled for sines: what it should read of '
        "any other wave is then worked out. Only for quantities that are rms values.",
    )
    bandwidth: Annotated[v.Hertz, Field(gt=0)] | None = Field(
        None,
        description="Bandwidth of the meter, at −3 dB, from its data sheet: expected values lack what it does not "
        "pass. Left out, it is as wide as the wave needs.",
    )

    @model_validator(mode="before")
    @classmethod
    def _read_in_the_quantity_s_unit(cls, data: Any) -> Any:
        if not isinstance(data, dict) or "quantity" not in data:
            return data
        quantity = data["quantity"]
        if not isinstance(quantity, str) or quantity not in UNITS:
            raise KeyedError(
                "quantity", quantity, "is no quantity of the vocabulary; `benchmon manual bench-file` lists them"
            )
        unit = UNITS[quantity]
        read = dict(data)
        for key in ("warn_above", "trip_above", "warn_below", "trip_below"):
            if data.get(key) is not None:
                try:
                    read[key] = parse_value(data[key], KINDS_BY_UNIT[unit])
                except BadInput as problem:
                    raise KeyedError(key, data[key], str(problem)) from problem
        try:
            read["accuracy"] = v.parse_accuracy(data.get("accuracy", "1 %"), unit)
        except BadInput as problem:
            raise KeyedError("accuracy", data.get("accuracy"), str(problem)) from problem
        return read

    @model_validator(mode="after")
    def _limits_in_order(self) -> Channel:
        rising = [(key, getattr(self, key)) for key in ("trip_below", "warn_below", "warn_above", "trip_above")]
        given = [(key, limit) for key, limit in rising if limit is not None]
        for (_, lower), (key, limit) in pairwise(given):
            if limit < lower:
                reason = "limits are out of order; it must hold that trip_below ≤ warn_below ≤ warn_above ≤ trip_above"
                raise KeyedError(key, limit, reason)
        return self

    @model_validator(mode="after")
    def _averages_an_rms(self) -> Channel:
        if self.responds == "mean" and self.quantity.rpartition(".")[2] not in ("rms", "ac_rms"):
            reason = f"is for rms quantities, which a meter may get from the mean; {self.quantity} is none"
            raise KeyedError("responds", self.responds, reason)
        return self

    @property
    def unit(self) -> str:
        """The unit of the channel's quantity."""
        return UNITS[self.quantity]


def _read_step_load(value: Any) -> float | Literal["open"] | None:
    if value is None:
        return None
    if value == "open":
        return "open"
    return parse_value(value, RESISTANCE)


class Step(Section):
    """One step of a staged power-on."""

    name: Name = Field(description="Name of the step; unique.")
    mains: Annotated[v.Volts, Field(ge=0, le=1000)] | None = Field(
        None, description="Mains voltage to set, such as at a variable transformer."
    )
    load: Annotated[float | Literal["open"] | None, BeforeValidator(_read_step_load), RESISTANCE] = Field(
        None, description='Load to connect: a resistance, or "open".'
    )
    hold: Annotated[v.Seconds, Field(ge=0)] = Field(
        0.0, description="How long the step must last before the next one may begin."
    )
    needs: tuple[Name, ...] = Field(
        (), description="Names of channels that must agree with the prediction before going on."
    )


SWEPT = {"load.current": CURRENT, "load.resistance": RESISTANCE, "mains.voltage": VOLTAGE}
"""What a sweep may be over, and the kind of its values."""
_LOAD_OF_NONE = {"load.current": 0.0, "load.resistance": math.inf}
_MOST_POINTS = 200


class Sweep(Section):
    """A sweep: one load, or the mains voltage, set to one value after another."""

    name: Name = Field(description="Name of the sweep; unique.")
    over: Literal["load.current", "load.resistance", "mains.voltage"] = Field(
        description="What is set: a constant current, a load resistance, or the mains voltage."
    )
    values: tuple[float, ...] = Field(
        min_length=2,
        max_length=_MOST_POINTS,
        description='The values in the order in which they are set, ["0.1 A", "0.2 A", …]; "open" is no load.',
    )

    @model_validator(mode="before")
    @classmethod
    def _read_values(cls, data: Any) -> Any:
        if not isinstance(data, dict) or data.get("over") not in SWEPT or not isinstance(data.get("values"), list):
            return data
        over, values = data["over"], []
        for value in data["values"]:
            if value == "open" and over in _LOAD_OF_NONE:
                values.append(_LOAD_OF_NONE[over])
                continue
            try:
                found = parse_value(value, SWEPT[over])
            except BadInput as problem:
                raise KeyedError("values", value, str(problem)) from problem
            if not found > 0.0:
                none = ', or "open" for no load' if over in _LOAD_OF_NONE else ""
                raise KeyedError("values", value, f"must be above 0{none}")
            values.append(found)
        return data | {"values": tuple(values)}

    @field_validator("values")
    @classmethod
    def _each_once(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if len(set(values)) < len(values):
            raise BadInput("has a value twice; every point must be its own")
        return values


def _read_file_beside(value: str) -> str:
    if value != PurePath(value).name:
        raise BadInput("must be the name of a file beside this one, without a folder")
    return value


FileBeside = Annotated[OneLine, AfterValidator(_read_file_beside)]


class ReportEntries(Section):
    """What the first page of a report says beside the result."""

    customer: OneLine = Field("", description="For whom the unit is tested.")
    order: OneLine = Field("", description="The order that the test belongs to.")
    design: OneLine = Field("", description="The design, its drawing and issue.")
    author: OneLine = Field("", description="Who answers for the report.")
    logo: FileBeside = Field(
        "", description="A picture for the head of the report: a PNG or JPEG file beside this file."
    )
    picture: FileBeside = Field(
        "", description="A photograph or sketch of the unit: a PNG or JPEG file beside this file."
    )


class SwitchOff(WithDriverKeys):
    """What switches the power off when a channel trips. The driver adds the keys that say how."""

    instrument: Name = Field(description="Name of the instrument that switches the power off when a channel trips.")
