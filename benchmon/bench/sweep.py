"""A sweep in the bench file: what is set to one value after another, and by what."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from benchmon.bench import fields as v
from benchmon.bench.fields import KeyedError, Section
from benchmon.bench.loads import SetLoad, TwoLoads, first_of, with_first
from benchmon.bench.measurement import Name
from benchmon.bench.supply import CurrentLoad
from benchmon.errors import BadInput
from benchmon.quantities import CURRENT, RESISTANCE, VOLTAGE, Kind, at_second_output, parse_value

SweptOver = Literal["load.current", "load.resistance", "load_2.current", "load_2.resistance", "mains.voltage"]
SWEPT: Mapping[SweptOver, Kind] = {
    "load.current": CURRENT,
    "load.resistance": RESISTANCE,
    "load_2.current": CURRENT,
    "load_2.resistance": RESISTANCE,
    "mains.voltage": VOLTAGE,
}
"""What a sweep may be over, and the kind of its values."""


def at_swept_output(over: SweptOver, quantity: str) -> str:
    """Return the name of a quantity of the first output at the one whose load is swept.

    >>> at_swept_output("load_2.current", "output.voltage.mean"), at_swept_output("mains.voltage", "load.power.mean")
    ('output_2.voltage.mean', 'load.power.mean')
    """
    return (at_second_output(quantity) or quantity) if over.startswith("load_2.") else quantity


def with_swept(load: SetLoad, over: SweptOver, value: float) -> SetLoad:
    """Return a load with what a sweep sets at its output: a value, SI; 0 A and infinite ohms are no load.

    >>> with_swept("open", "load_2.resistance", 22.0)
    TwoLoads(first='open', second=22.0)
    """
    if over == "mains.voltage":
        return load
    swept: float | Literal["open"] | CurrentLoad
    if value == 0.0 or math.isinf(value):
        swept = "open"
    else:
        swept = value if SWEPT[over] is RESISTANCE else CurrentLoad(kind="current", current=value)
    if over.startswith("load_2."):
        return TwoLoads(first_of(load), swept)
    return with_first(load, swept)


_LOAD_OF_NONE = {at: math.inf if at.endswith("resistance") else 0.0 for at in SWEPT if at != "mains.voltage"}
_MOST_POINTS = 200


class Sweep(Section):
    """A sweep: one load, or the mains voltage, set to one value after another."""

    name: Name = Field(description="Name of the sweep; unique.")
    over: SweptOver = Field(
        description="What is set: a constant current or a load resistance, of the second of two outputs with load_2, "
        "or the mains voltage."
    )
    values: tuple[float, ...] = Field(
        min_length=2,
        max_length=_MOST_POINTS,
        description='The values in the order in which they are set, ["0.1 A", "0.2 A", …]; "open" is no load.',
    )
    hold: Annotated[v.Seconds, Field(ge=1.0, le=3600.0)] = Field(
        5.0, description="How long the readings must stand still at a value before they are taken."
    )
    needs: tuple[Name, ...] = Field(
        (), description="Names of channels that must agree with the prediction before going on to the next value."
    )
    instrument: Name | None = Field(
        None, description="Name of an instrument that sets the load; left out, a person does. Never for the mains."
    )
    set: str | dict[str, Any] = Field(
        "",
        description='What sets the load: a SCPI command with {value}, such as "CURR {value}", or a table that names a '
        "Modbus register.",
    )
    off: str | dict[str, Any] = Field(
        "", description='What releases the load: a SCPI command such as "INP OFF", or a table for Modbus.'
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

    @model_validator(mode="after")
    def _only_a_load_is_set(self) -> Sweep:
        if self.over == "mains.voltage" and (self.instrument is not None or self.set or self.off):
            raise KeyedError("over", self.over, "is never set by a program: take instrument, set and off away")
        if self.instrument is None and (self.set or self.off):
            raise KeyedError("instrument", None, "is missing: which one do set and off belong to?")
        for key in ("set", "off"):
            if self.instrument is not None and not getattr(self, key):
                raise KeyedError(key, None, "is missing; a load that a program sets needs set and off")
        return self

    @property
    def kind(self) -> Kind:
        """The kind of its values."""
        return SWEPT[self.over]

    @property
    def sets_load_2(self) -> bool:
        """Whether it sets the load of the second output."""
        return self.over.startswith("load_2.")

    @field_validator("values")
    @classmethod
    def _each_once(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if len(set(values)) < len(values):
            raise BadInput("has a value twice; every point must be its own")
        return values
