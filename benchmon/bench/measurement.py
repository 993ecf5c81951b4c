"""The instruments, channels, steps and the switch, as the bench file describes them."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from benchmon.bench import fields as v
from benchmon.bench.fields import KeyedError
from benchmon.bench.supply import Section
from benchmon.errors import BadInput, one_line
from benchmon.quantities import KINDS_BY_UNIT, RESISTANCE, UNITS, parse_value


def _read_name(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise BadInput("must be text that is not empty")
    if value != one_line(value, 40):
        raise BadInput("must be printable and at most 40 characters long")
    return value


Name = Annotated[str, BeforeValidator(_read_name)]


class WithDriverKeys(BaseModel):
    """A section whose other keys belong to the driver, which validates them when it is created."""

    model_config = ConfigDict(extra="allow", frozen=True, arbitrary_types_allowed=True, defer_build=True)

    @property
    def driver_keys(self) -> dict[str, Any]:
        """The driver's keys, as in the file."""
        return dict(self.model_extra or {})


class Instrument(WithDriverKeys):
    """An instrument: its name, the driver's name, and its address."""

    name: Name
    driver: Name
    address: str = ""


class Channel(WithDriverKeys):
    """One quantity read from one instrument.

    Limits and accuracy are in the quantity's unit; `scale` multiplies the instrument's value (a clamp's or probe's
    ratio); `period` is the seconds between readings. A warning is announced once its limit has been passed for
    `warn_delay` seconds; a trip never waits.
    """

    name: Name
    instrument: Name
    quantity: str
    accuracy: v.Accuracy
    period: Annotated[v.Seconds, Field(ge=0.01, le=86_400)] = 1.0
    warn_above: float | None = None
    trip_above: float | None = None
    warn_below: float | None = None
    trip_below: float | None = None
    warn_delay: Annotated[v.Seconds, Field(ge=0.0, le=3600.0)] = 0.0
    scale: Annotated[v.Number, Field(gt=0)] = 1.0

    @model_validator(mode="before")
    @classmethod
    def _read_in_the_quantity_s_unit(cls, data: Any) -> Any:
        if not isinstance(data, dict) or "quantity" not in data:
            return data
        quantity = data["quantity"]
        if not isinstance(quantity, str) or quantity not in UNITS:
            raise KeyedError("quantity", quantity, "is no quantity of the vocabulary; README lists them")
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
    """One step of a staged power-on: mains volts, load, seconds to hold, and the channels that must agree."""

    name: Name
    mains: Annotated[v.Volts, Field(ge=0, le=1000)] | None = None
    load: Annotated[float | Literal["open"] | None, BeforeValidator(_read_step_load)] = None
    hold: Annotated[v.Seconds, Field(ge=0)] = 0.0
    needs: tuple[Name, ...] = ()


class SwitchOff(WithDriverKeys):
    """The instrument that switches the power off after a trip, with its driver's keys."""

    instrument: Name
