"""The instruments, channels, steps and the switch, as the bench file describes them."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from datetime import date, timedelta
from itertools import pairwise
from pathlib import PurePath
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from benchmon.bench import fields as v
from benchmon.bench.fields import KeyedError, OneLine, Section
from benchmon.errors import BadInput
from benchmon.quantities import (
    KINDS_BY_UNIT,
    RESISTANCE,
    UNITS,
    Accuracy,
    Kind,
    format_value,
    parse_value,
)
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


USUAL_CALIBRATION_DAYS = 365
"""Days after which a meter is usually calibrated again (from memory); `calibration_due` says otherwise."""


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

    zero: float = Field(
        0.0,
        description="What the meter shows at zero, in the unit of the quantity (after scale); it is taken off every "
        "reading.",
    )
    gain: Annotated[v.Number, Field(gt=0.5, lt=2.0)] = Field(
        1.0, description="Correction of the meter's gain from its calibration, by which every reading is multiplied."
    )
    serial: OneLine = Field("", description="Serial number of the meter.")
    calibrated: date | None = Field(None, description="When the meter was calibrated last, such as 2026-03-01.")
    calibration_due: date | None = Field(
        None, description="When it is due to be calibrated again; left out, a year after `calibrated`."
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
                "quantity", quantity, "is not a quantity of the vocabulary; `benchmon manual bench-file` lists them"
            )
        unit = UNITS[quantity]
        read = dict(data)
        for key in ("warn_above", "trip_above", "warn_below", "trip_below"):
            if data.get(key) is not None:
                try:
                    read[key] = parse_value(data[key], KINDS_BY_UNIT[unit])
                except BadInput as problem:
                    raise KeyedError(key, data[key], str(problem)) from problem
        if data.get("zero") is not None:
            try:
                read["zero"] = parse_value(data["zero"], _DIFFERENCES.get(unit, KINDS_BY_UNIT[unit]))
            except BadInput as problem:
                raise KeyedError("zero", data["zero"], str(problem)) from problem
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

    @model_validator(mode="after")
    def _due_after_calibration(self) -> Channel:
        if self.calibration_due is not None and self.calibrated is not None and self.calibration_due < self.calibrated:
            raise KeyedError("calibration_due", str(self.calibration_due), "is before `calibrated`")
        return self

    @property
    def unit(self) -> str:
        """The unit of the channel's quantity."""
        return UNITS[self.quantity]

    @property
    def due_date(self) -> date | None:
        """When the meter is due to be calibrated, None where the file says neither that nor when it was."""
        if self.calibration_due is None and self.calibrated is not None:
            return self.calibrated + timedelta(days=USUAL_CALIBRATION_DAYS)
        return self.calibration_due

    @property
    def corrections(self) -> str:
        """The corrections that are applied, in words; "" where there is none."""
        unit = "K" if self.unit == "°C" else self.unit
        zero = f"zero {format_value(self.zero, unit, 4)}" if self.zero else ""
        gain = f"gain {self.gain:g}" if self.gain != 1.0 else ""
        return ", ".join(part for part in (zero, gain) if part)

    @property
    def meter_in_words(self) -> str:
        """The meter's serial number and calibration, as far as the file gives them; "" where it gives neither."""
        calibrated = f"calibrated {self.calibrated}" if self.calibrated is not None else ""
        due = f"due {self.due_date}" if self.due_date is not None else ""
        return ", ".join(part for part in (self.serial, calibrated, due) if part)


_SOON_DUE = 30
"""Days before a calibration is due from which on it is said (from memory)."""


def calibration_cautions(channels: Iterable[Channel], today: date) -> list[str]:
    """Return a sentence for each meter whose calibration is due by `today`, is soon, or lies ahead."""
    found = []
    for channel in channels:
        meter = f"{channel.name}: {f'its meter {channel.serial}' if channel.serial else 'its meter'}"
        if channel.calibrated is not None and channel.calibrated > today:
            found.append(f"{meter} is calibrated on {channel.calibrated} by the bench file, which lies ahead.")
        elif channel.due_date is not None and channel.due_date <= today:
            found.append(f"{meter} was due to be calibrated on {channel.due_date}.")
        elif channel.due_date is not None and channel.due_date <= today + timedelta(days=_SOON_DUE):
            found.append(f"{meter} is due to be calibrated on {channel.due_date}.")
    return found


_DIFFERENCES = {"°C": Kind("a temperature difference", "K", prefixes=False)}
"""Kinds of a difference where it has another unit than the quantity."""

_PREFIXES = "pnuµmkMGT"
_BASES = ("Ω", "V", "A", "W", "VA", "Hz", "F", "H", "s", "m", "Ωm", "Pa", "N", "Nm", "C", "J")
"""Units before which a prefix may stand, in what a person records."""


def kind_of_unit(unit: str) -> Kind:
    """Return the kind of values that a person records in `unit`, which may have a prefix: `MΩ`, `mA`, `mm`, `K`.

    >>> parse_value("350 kΩ", kind_of_unit("MΩ"))
    350000.0
    """
    base = unit[1:] if unit not in _BASES and unit[:1] in _PREFIXES and unit[1:] in _BASES else unit
    spellings = RESISTANCE.spellings if base == "Ω" else (base,)
    return Kind(f"a value in {unit}" if unit else "a number", base, spellings, prefixes=base in _BASES)


def read_recorded(text: str, unit: str) -> float:
    """Return what a person typed in the base of `unit`, so that 2 MΩ is 2e6; without a unit it is in `unit`.

    Raises `BadInput` with the reason.
    """
    text = text.strip().replace(",", ".")
    return parse_value(f"{text} {unit}" if unit and _BARE.fullmatch(text) else text, kind_of_unit(unit))


_BARE = re.compile(r"[+\-−]?[0-9.]+")


class RecordEntry(Section):
    """A value that a person measures and types in before the plan goes on. Its limits are that person's own."""

    name: Name = Field(description="What is measured or looked at, such as insulation; unique in its step.")
    unit: OneLine = Field("", description="Unit of the value, such as MΩ. Without unit and limits any words are taken.")
    at_least: OneLine = Field("", description="Least value that is accepted, with its unit.")
    at_most: OneLine = Field("", description="Greatest value that is accepted, with its unit.")
    note: OneLine = Field("", description="How it is measured, such as the test voltage.")
    meter: OneLine = Field("", description="The meter to use, such as its serial number; it can be typed otherwise.")
    calibrated: date | None = Field(None, description="When that meter was calibrated last, such as 2026-03-01.")

    @model_validator(mode="after")
    def _limits_can_be_read(self) -> RecordEntry:
        limits = []
        for key in ("at_least", "at_most"):
            text = getattr(self, key)
            if text:
                try:
                    limits.append(read_recorded(text, self.unit))
                except BadInput as problem:
                    raise KeyedError(key, text, str(problem)) from problem
        if len(limits) > 1 and limits[0] > limits[1]:
            raise KeyedError("at_most", self.at_most, f"is below at_least, {self.at_least}")
        return self

    @property
    def is_in_words(self) -> bool:
        """Whether any words answer it: it has neither unit nor limits."""
        return not (self.unit or self.at_least or self.at_most)

    @property
    def limits_in_words(self) -> str:
        """The limits, "" where there is none: `at least 2 MΩ`."""
        given = (("at least", self.at_least), ("at most", self.at_most))
        return " and ".join(f"{words} {limit}" for words, limit in given if limit)

    def is_met_by(self, value: float) -> bool:
        """Return whether a value, in the base of its unit, keeps the limits."""
        least = read_recorded(self.at_least, self.unit) if self.at_least else -math.inf
        most = read_recorded(self.at_most, self.unit) if self.at_most else math.inf
        return least <= value <= most


def _read_step_load(value: Any) -> float | Literal["open"] | None:
    if value is None:
        return None
    if value == "open":
        return "open"
    found = parse_value(value, RESISTANCE)
    if not found > 0.0:
        raise BadInput('must be above 0, or "open" for no load')
    return found


class Step(Section):
    """One step of a staged power-on."""

    name: Name = Field(description="Name of the step; unique.")
    mains: Annotated[v.Volts, Field(ge=0, le=1000)] | None = Field(
        None, description="Mains voltage to set, such as at a variable transformer."
    )
    load: Annotated[float | Literal["open"] | None, BeforeValidator(_read_step_load), RESISTANCE] = Field(
        None, description='Load to connect: a resistance, or "open".'
    )
    load_2: Annotated[float | Literal["open"] | None, BeforeValidator(_read_step_load), RESISTANCE] = Field(
        None,
        description='Load to connect to the second of two outputs, a resistance or "open"; left out, it stays, or is '
        "like that of the first one where nothing has set it.",
    )
    hold: Annotated[v.Seconds, Field(ge=0)] = Field(
        0.0, description="How long the step must last before the next one may begin."
    )
    needs: tuple[Name, ...] = Field(
        (), description="Names of channels that must agree with the prediction before going on."
    )
    record: tuple[RecordEntry, ...] = Field(
        (),
        description="Values that a person types in before going on, or the reason why not: tables with the keys below.",
    )
    zero: tuple[Name, ...] = Field(
        (),
        description="Names of channels whose leads are shorted in this step: what they read when it is confirmed is "
        "their zero from then on.",
    )

    @model_validator(mode="after")
    def _entries_differ(self) -> Step:
        names = [entry.name for entry in self.record]
        for name in names:
            if names.count(name) > 1:
                raise KeyedError("record", name, "is there twice; every entry of a step must have its own name")
        return self


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
