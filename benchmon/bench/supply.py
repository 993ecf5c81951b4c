"""The supply under test: one model for each section of the bench file."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from benchmon.bench import fields as v
from benchmon.errors import BadInput
from benchmon.quantities import APPARENT_POWER, CURRENT, FRACTION, VOLTAGE, Kind, parse_value


class Section(BaseModel):
    """A section of the bench file: frozen, without unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, defer_build=True)


class Mains(Section):
    """The unloaded mains: rms volts, hertz, relative tolerance, source ohms, THD of the voltage."""

    voltage: Annotated[v.Volts, Field(gt=0, le=1000)]
    frequency: Annotated[v.Hertz, Field(ge=10, le=1000)]
    tolerance: Annotated[v.Fraction, Field(ge=0, lt=1)] = 0.0
    source_resistance: Annotated[v.Ohms, Field(ge=0)] = 0.0
    voltage_thd: Annotated[v.Fraction, Field(ge=0, lt=0.5)] = 0.0


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


class Transformer(Section):
    """The mains transformer, by its open-circuit voltage and resistances or by its rated values.

    After reading, both forms carry `open_circuit_voltage` (rms of one winding at `primary_voltage`),
    `primary_resistance` and `secondary_resistance` (one winding).
    """

    primary_voltage: Annotated[v.Volts, Field(gt=0, le=1000)]
    secondaries: Literal[1, 2] = 1
    connection: Literal["single", "series", "parallel"] = "single"
    rating: Annotated[v.VoltAmperes, Field(gt=0)] | None = None
    open_circuit_voltage: Annotated[v.Volts, Field(gt=0, le=10_000)]
    primary_resistance: Annotated[v.Ohms, Field(ge=0)]
    secondary_resistance: Annotated[v.Ohms, Field(ge=0)]
    rated_voltage: Annotated[v.Volts, Field(gt=0, le=10_000)] | None = None
    regulation: Annotated[v.Fraction, Field(gt=0, lt=1)] | None = None
    leakage_inductance: Annotated[v.Henries, Field(ge=0)] = 0.0
    no_load_current: Annotated[v.Amperes, Field(ge=0)] = 0.0
    no_load_loss: Annotated[v.Watts, Field(ge=0)] = 0.0

    @model_validator(mode="before")
    @classmethod
    def _from_rated_figures(cls, data: Any) -> Any:
        """Derive the circuit's values from rated voltage and regulation.

        Regulation is (open-circuit − full-load) / full-load voltage. The copper loss at full load is assumed to be
        shared equally between primary and secondaries, as in a transformer designed for least loss.
        """
        if not isinstance(data, dict):
            return data
        measured = {"open_circuit_voltage", "primary_resistance", "secondary_resistance"}
        rated = {"rated_voltage", "regulation"}
        if rated & data.keys() and measured & data.keys():
            raise BadInput(
                "give either open_circuit_voltage and resistances, or rated_voltage and regulation, not both"
            )
        if not rated & data.keys():
            if not measured & data.keys():
                raise BadInput("needs open_circuit_voltage and resistances, or rated_voltage, regulation and rating")
            return data
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
        return data | {
            "open_circuit_voltage": voltage + drop,
            "secondary_resistance": drop / (2 * current),
            "primary_resistance": drop / (2 * windings * current) / ratio**2,
        }

    @model_validator(mode="after")
    def _windings_fit(self) -> Transformer:
        if self.connection != "single" and self.secondaries != 2:
            raise v.KeyedError("connection", self.connection, "needs two windings; set secondaries = 2")
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


class Fuse(Section):
    """The primary fuse."""

    rating: Annotated[v.Amperes, Field(gt=0)]
    speed: Literal["fast", "time-lag"]
    melting_i2t: Annotated[v.MeltingI2t, Field(gt=0)] | None = None
    resistance: Annotated[v.Ohms, Field(ge=0)] = 0.0


class Ntc(Section):
    """The inrush limiter in the primary circuit, a negative-temperature-coefficient thermistor."""

    r25: Annotated[v.Ohms, Field(gt=0)]
    beta: Annotated[v.Beta, Field(gt=0, le=20_000)]
    dissipation_factor: Annotated[v.WattsPerKelvin, Field(gt=0)]
    time_constant: Annotated[v.Seconds, Field(gt=0)]
    max_current: Annotated[v.Amperes, Field(gt=0)] | None = None


class Rectifier(Section):
    """The kind of rectifier."""

    kind: Literal["half wave", "centre tap", "bridge", "split rail", "full-wave doubler"]


def _read_points(value: Any) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list) or len(value) < 2:
        raise BadInput('needs at least two points, such as [["0.72 V", "0.1 A"], ["0.95 V", "3 A"]]')
    points = []
    for point in value:
        if not isinstance(point, list) or len(point) != 2:
            raise BadInput('has a point that is no pair of volts and amperes, such as ["0.72 V", "0.1 A"]')
        points.append((parse_value(point[0], VOLTAGE), parse_value(point[1], CURRENT)))
    points.sort(key=lambda pair: pair[1])
    if points[0][1] <= 0 or points[0][0] <= 0:
        raise BadInput("has a point at or below zero; forward points are above zero")
    if any(later[0] <= former[0] or later[1] <= former[1] for former, later in pairwise(points)):
        raise BadInput("does not rise from point to point; forward voltage grows with current")
    return tuple(points)


class Diode(Section):
    """One rectifier diode, by its Shockley values at 25 °C or by data-sheet points of its forward curve."""

    saturation_current: Annotated[v.Amperes, Field(gt=0, lt=1)] | None = None
    emission_coefficient: Annotated[v.Number, Field(ge=0.5, le=10)] | None = None
    series_resistance: Annotated[v.Ohms, Field(ge=0)] = 0.0
    forward: Annotated[tuple[tuple[float, float], ...], BeforeValidator(_read_points)] | None = None
    mean_current_rating: Annotated[v.Amperes, Field(gt=0)] | None = None
    surge_current_rating: Annotated[v.Amperes, Field(gt=0)] | None = None
    reverse_voltage_rating: Annotated[v.Volts, Field(gt=0)] | None = None
    thermal_resistance: Annotated[v.KelvinPerWatt, Field(gt=0)] | None = None
    thermal_time_constant: Annotated[v.Seconds, Field(gt=0)] | None = None
    max_junction: v.Celsius | None = None

    @model_validator(mode="after")
    def _one_form(self) -> Diode:
        shockley = self.saturation_current is not None and self.emission_coefficient is not None
        if self.forward is not None:
            if self.saturation_current is not None or self.emission_coefficient is not None or self.series_resistance:
                raise BadInput("give either forward points or saturation_current and emission_coefficient, not both")
        elif not shockley:
            raise BadInput("needs saturation_current and emission_coefficient, or forward points from the data sheet")
        return self


class Capacitor(Section):
    """A capacitor across the line; the first one after the rectifier is the reservoir."""

    kind: Literal["capacitor"]
    capacitance: Annotated[v.Farads, Field(ge=1e-9, le=100)]
    esr: Annotated[v.Ohms, Field(ge=0)] = 0.0
    tolerance: Annotated[v.Fraction, Field(ge=0, lt=1)] = 0.0
    voltage_rating: Annotated[v.Volts, Field(gt=0)] | None = None
    ripple_current_rating: Annotated[v.Amperes, Field(gt=0)] | None = None


class SeriesResistor(Section):
    """A resistor in the line between two filter parts."""

    kind: Literal["resistor"]
    resistance: Annotated[v.Ohms, Field(gt=0)]


class Choke(Section):
    """A smoothing choke in the line."""

    kind: Literal["choke"]
    inductance: Annotated[v.Henries, Field(gt=0)]
    resistance: Annotated[v.Ohms, Field(ge=0)] = 0.0


FilterPart = Annotated[Capacitor | SeriesResistor | Choke, Field(discriminator="kind")]


class Regulator(Section):
    """A linear series regulator after the filter."""

    output_voltage: Annotated[v.Volts, Field(gt=0)]
    dropout: Annotated[v.Volts, Field(ge=0)] = 0.0
    quiescent_current: Annotated[v.Amperes, Field(ge=0)] = 0.0
    thermal_resistance: Annotated[v.KelvinPerWatt, Field(gt=0)] | None = None
    max_junction: v.Celsius | None = None


class ResistorLoad(Section):
    """A load resistor."""

    kind: Literal["resistor"]
    resistance: Annotated[v.Ohms, Field(gt=0)]
    power_rating: Annotated[v.Watts, Field(gt=0)] | None = None
    temperature_coefficient: v.PerKelvin = 0.0


class CurrentLoad(Section):
    """A load that draws a constant current, such as an electronic load."""

    kind: Literal["current"]
    current: Annotated[v.Amperes, Field(gt=0)]


class OpenLoad(Section):
    """No load."""

    kind: Literal["open"]


Load = Annotated[ResistorLoad | CurrentLoad | OpenLoad, Field(discriminator="kind")]


class Ambient(Section):
    """The ambient of the supply."""

    temperature: Annotated[v.Celsius, Field(ge=-90, le=150)] = 25.0
