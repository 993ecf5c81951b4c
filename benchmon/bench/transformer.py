"""The mains transformer, as the bench file describes it: by measured values, by those of its label, or by tests."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from benchmon.bench import fields as v
from benchmon.bench.fields import Section
from benchmon.errors import BadInput
from benchmon.quantities import (
    APPARENT_POWER,
    CURRENT,
    FRACTION,
    POWER,
    RESISTANCE,
    VOLTAGE,
    Kind,
    parse_value,
)


def _above_zero(data: dict[str, Any], key: str, kind: Kind) -> float:
    if key not in data:
        raise v.KeyedError(key, None, "is missing; add it")
    try:
        value = parse_value(data[key], kind)
    except BadInput as problem:
        raise v.KeyedError(key, data[key], str(problem)) from problem
    if value <= 0:
        raise v.KeyedError(key, data[key], "must be above 0")
    return value


def _resistances_of_short_circuit(data: dict[str, Any]) -> dict[str, float]:
    """Return the winding resistances that are not in `data`, from its short-circuit test.

    Watts over squared amperes is the resistance of primary and secondaries, referred to the primary. What is not given
    is shared equally, as in a transformer designed for least loss.
    """
    if "short_circuit" not in data or {"primary_resistance", "secondary_resistance"} <= data.keys():
        return {}
    try:
        _, amperes, watts = _read_short_circuit(data["short_circuit"])
    except BadInput as problem:
        raise v.KeyedError("short_circuit", data["short_circuit"], str(problem)) from problem
    volts, primary = (_above_zero(data, key, VOLTAGE) for key in ("open_circuit_voltage", "primary_voltage"))
    windings = data.get("secondaries", 1)
    of_one = (volts / primary) ** 2 * (windings if windings in (1, 2) else 1)
    ohms, key = watts / amperes**2, "primary_resistance"
    if key in data:
        rest = ohms - parse_value(data[key], RESISTANCE)
    elif "secondary_resistance" in data:
        key = "secondary_resistance"
        rest = ohms - parse_value(data[key], RESISTANCE) / of_one
    else:
        return {"primary_resistance": ohms / 2.0, "secondary_resistance": ohms / 2.0 * of_one}
    if rest < 0.0:
        raise v.KeyedError(key, data[key], f"is more than the {ohms:.3g} Ω of the whole short circuit; check both")
    missing = "secondary_resistance" if key == "primary_resistance" else "primary_resistance"
    return {missing: rest * of_one if missing == "secondary_resistance" else rest}


def _read_point(value: Any) -> tuple[float, float, float]:
    """Return volts, amperes and watts at the primary. Raises `BadInput` where they cannot belong together."""
    if not isinstance(value, list) or len(value) != 3:
        raise BadInput('must be volts, amperes and watts, such as ["230 V", "22 mA", "1.6 W"]')
    volts, amperes, watts = (
        parse_value(part, kind) for part, kind in zip(value, (VOLTAGE, CURRENT, POWER), strict=True)
    )
    if volts <= 0 or amperes <= 0 or watts < 0:
        raise BadInput("has volts or amperes that are not above zero, or watts below zero")
    if watts > 1.001 * volts * amperes:
        raise BadInput(f"has {watts:.3g} W at {volts * amperes:.3g} VA; watts cannot exceed volts times amperes")
    return volts, amperes, watts


def _read_no_load(value: Any) -> tuple[tuple[float, float, float], ...]:
    if not isinstance(value, list) or not value:
        raise BadInput('needs points of volts, amperes and watts, such as [["230 V", "22 mA", "1.6 W"]]')
    points = tuple(sorted(_read_point(point) for point in value))
    for former, later in pairwise(points):
        if later[0] == former[0]:
            raise BadInput(f"has two points at {later[0]:g} V; give each voltage once")
        if later[1] <= former[1]:
            raise BadInput("does not rise from point to point; more volts take more current")
    return points


def _read_short_circuit(value: Any) -> tuple[float, float, float]:
    point = _read_point(value)
    if point[2] <= 0:
        raise BadInput("has no watts; the windings' resistance takes some")
    return point


class Transformer(Section):
    """The mains transformer, by its open-circuit voltage and resistances or by its rated values.

    After reading, both forms carry `open_circuit_voltage` (rms of one winding at `primary_voltage`),
    `primary_resistance` and `secondary_resistance` (one winding).
    """

    primary_voltage: Annotated[v.Volts, Field(gt=0, le=1000)] = Field(
        description="Rated voltage of the primary tap in use; a wrong tap is a common mistake, so look at the label."
    )
    secondaries: Literal[1, 2] = Field(1, description="Number of equal secondary windings in use.")
    connection: Literal["single", "series", "parallel"] = Field(
        "single",
        description="How two windings are joined; in parallel they have half the resistance, in series twice the "
        "voltage.",
    )
    rating: Annotated[v.VoltAmperes, Field(gt=0)] | None = Field(
        None, description="Rated apparent power of all windings together."
    )
    open_circuit_voltage: Annotated[v.Volts, Field(gt=0, le=10_000)] = Field(
        description="RMS voltage of one winding without load, at primary_voltage; follows from rated_voltage, "
        "regulation and rating where these are given."
    )
    primary_resistance: Annotated[v.Ohms, Field(ge=0)] = Field(
        description="Resistance of the primary winding; follows from rated_voltage, regulation and rating where "
        "these are given."
    )
    secondary_resistance: Annotated[v.Ohms, Field(ge=0)] = Field(
        description="Resistance of one secondary winding; follows from rated_voltage, regulation and rating where "
        "these are given."
    )
    rated_voltage: Annotated[v.Volts, Field(gt=0, le=10_000)] | None = Field(
        None,
        description="RMS voltage of one winding at full load, as on the label; goes together with regulation and "
        "rating.",
    )
    regulation: Annotated[v.Fraction, Field(gt=0, lt=1)] | None = Field(
        None,
        description="How much higher the voltage is without load: (open-circuit − full-load) / full-load voltage; "
        "small transformers have more.",
    )
    leakage_inductance: Annotated[v.Henries, Field(ge=0)] | None = Field(
        None,
        description="Leakage inductance of one winding, referred to the secondary. Left out, it is taken as usual for "
        "the rating, within a wide allowance.",
    )
    no_load_current: Annotated[v.Amperes, Field(ge=0)] = Field(
        0.0,
        description="RMS current of the primary without load, at primary_voltage; left out, it is taken as usual for "
        "the rating, within a wide allowance.",
    )
    no_load_loss: Annotated[v.Watts, Field(ge=0)] = Field(
        0.0,
        description="Power that the primary takes without load, at primary_voltage; left out, it is taken as usual "
        "for the rating, within a wide allowance.",
    )
    no_load: Annotated[tuple[tuple[float, float, float], ...], BeforeValidator(_read_no_load)] | None = Field(
        None,
        description='Measured volts, amperes and watts at the primary without load, one point or more, [["207 V", '
        '"15 mA", "1.2 W"], ["230 V", "22 mA", "1.6 W"]], instead of no_load_current and no_load_loss; two points or '
        "more show how the core saturates.",
    )
    short_circuit: Annotated[tuple[float, float, float], BeforeValidator(_read_short_circuit)] | None = Field(
        None,
        description='Measured volts, amperes and watts at the primary with all secondaries shorted, ["11.8 V", '
        '"0.35 A", "2.1 W"]; leakage inductance and winding resistances follow where they are not given.',
    )
    resistance_temperature: Annotated[v.Celsius, Field(ge=-40, le=180)] | None = Field(
        None,
        description="Temperature of the windings when their resistances were measured; the prediction then takes "
        "copper as warm as the transformer settles, estimated from its rating, or as winding_temperature says.",
    )
    winding_temperature: Annotated[v.Celsius, Field(ge=-40, le=180)] | None = Field(
        None, description="Temperature at which the prediction takes the windings; needs resistance_temperature."
    )
    thermal_time_constant: Annotated[v.Seconds, Field(gt=0)] | None = Field(
        None, description="Thermal time constant of the windings' warm-up; left out, a usual one."
    )

    @model_validator(mode="before")
    @classmethod
    def _from_rated_figures(cls, data: Any) -> Any:
        """Derive the circuit's values from rated voltage and regulation.

        Regulation is (open-circuit − full-load) / full-load voltage. The copper loss at full load is assumed to be
        shared equally between primary and secondaries, as in a transformer designed for least loss.
        """
        if not isinstance(data, dict) or not data.keys() <= cls.model_fields.keys():
            return data  # an unknown key is what is refused then: misspelt, it is one of those that seem to be missing
        measured = {"open_circuit_voltage", "primary_resistance", "secondary_resistance"}
        rated = {"rated_voltage", "regulation"}
        if rated & data.keys() and measured & data.keys():
            raise BadInput(
                "give either open_circuit_voltage and resistances, or rated_voltage and regulation, not both"
            )
        if not rated & data.keys():
            if not measured & data.keys():
                raise BadInput("needs open_circuit_voltage and resistances, or rated_voltage, regulation and rating")
            return data | _resistances_of_short_circuit(data)
        if not rated <= data.keys() or "rating" not in data:
            raise BadInput("rated_voltage, regulation and rating go together; give all three")
        voltage, regulation, rating, primary = (
            _above_zero(data, key, kind)
            for key, kind in (
                ("rated_voltage", VOLTAGE),
                ("regulation", FRACTION),
                ("rating", APPARENT_POWER),
                ("primary_voltage", VOLTAGE),
            )
        )
        windings = data.get("secondaries", 1)
        if type(windings) is not int or windings not in (1, 2):
            raise v.KeyedError("secondaries", windings, "must be 1 or 2")
        current = rating / (windings * voltage)
        drop = voltage * regulation
        ratio = (voltage + drop) / primary
        derived = {
            "open_circuit_voltage": voltage + drop,
            "secondary_resistance": drop / (2 * current),
            "primary_resistance": drop / (2 * windings * current) / ratio**2,
        }
        return data | derived | _resistances_of_short_circuit(data | {"open_circuit_voltage": voltage + drop})

    @model_validator(mode="after")
    def _windings_fit(self) -> Transformer:
        if self.connection != "single" and self.secondaries != 2:
            raise v.KeyedError("connection", self.connection, "needs two windings; set secondaries = 2")
        if self.no_load is not None and {"no_load_current", "no_load_loss"} & self.model_fields_set:
            raise v.KeyedError("no_load", "…", "has the current and loss already; leave out no_load_current and _loss")
        if self.winding_temperature is not None and self.resistance_temperature is None:
            raise v.KeyedError(
                "winding_temperature",
                self.winding_temperature,
                "needs resistance_temperature, at which the resistances were measured",
            )
        in_phase = self.no_load_loss / self.primary_voltage
        if 0 < self.no_load_current < 0.999 * in_phase:
            raise v.KeyedError(
                "no_load_current",
                self.no_load_current,
                f"is less than the {in_phase:.3g} A that no_load_loss alone takes; check both",
            )
        return self

    @property
    def ratio(self) -> float:
        """Volts of one secondary winding per volt of the primary, unloaded."""
        return self.open_circuit_voltage / self.primary_voltage

    @property
    def full_load_voltage(self) -> float:
        """RMS volts of one winding at rated output, by which apparent power counts (IEC 61558-1, rated voltage).

        It is `rated_voltage` where that is given. Else it is the open-circuit voltage less the drop of the rated
        current, V = E − I·R with I = rating/(windings·V): the larger root of V² − E·V + R·rating/windings, or E/2,
        where a winding gives most, if there is none. R is that of a winding and, referred to it, of the primary, at
        the temperature of the bench file. Without a rating it is the open-circuit voltage.
        """
        if self.rated_voltage is not None or self.rating is None:
            return self.rated_voltage or self.open_circuit_voltage
        ohms = self.secondary_resistance + self.secondaries * self.primary_resistance * self.ratio**2
        squared = self.open_circuit_voltage**2 - 4.0 * ohms * self.rating / self.secondaries
        return (self.open_circuit_voltage + math.sqrt(max(squared, 0.0))) / 2.0

    @property
    def leakage_reactance(self) -> float | None:
        """Leakage reactance of one secondary winding in ohms, from the short-circuit test; None without one."""
        if self.short_circuit is None:
            return None
        volts, amperes, watts = self.short_circuit
        impedance, resistance = volts / amperes, watts / amperes**2
        return float(max(impedance**2 - resistance**2, 0.0) ** 0.5 * self.ratio**2 * self.secondaries)
