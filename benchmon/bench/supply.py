"""The supply under test: one model for each section of the bench file."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from benchmon.bench import fields as v
from benchmon.bench.topology import TOPOLOGIES, RectifierKind, Topology
from benchmon.errors import BadInput
from benchmon.quantities import (
    ANGLE,
    APPARENT_POWER,
    CURRENT,
    FRACTION,
    POWER,
    RESISTANCE,
    VOLTAGE,
    Kind,
    parse_value,
)
from benchmon.text import one_line


class Section(BaseModel):
    """A section of the bench file: frozen, without unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True, arbitrary_types_allowed=True, defer_build=True)


_HIGHEST_ORDER, _LARGEST_HARMONIC = 40, 0.5


def _read_harmonics(value: Any) -> tuple[tuple[int, float, float], ...]:
    shape = 'such as [[3, "1.7 %", "60°"], [5, "2.4 %", "180°"]]'
    if not isinstance(value, list | tuple):
        raise BadInput(f"must be a list of order, part of the fundamental and phase, {shape}")
    found: dict[int, tuple[int, float, float]] = {}
    for entry in value:
        if not isinstance(entry, list | tuple) or len(entry) != 3:
            raise BadInput(f"has an entry that is not order, part of the fundamental and phase, {shape}")
        order = entry[0]
        if type(order) is not int or not 2 <= order <= _HIGHEST_ORDER:
            raise BadInput(f"has the order {one_line(order, 20)}; orders are whole numbers from 2 to {_HIGHEST_ORDER}")
        if order in found:
            raise BadInput(f"has order {order} twice")
        try:
            size, phase = parse_value(entry[1], FRACTION), parse_value(entry[2], ANGLE)
        except BadInput as problem:
            raise BadInput(f"has order {order} with a value that {problem}") from problem
        if not 0 <= size < _LARGEST_HARMONIC:
            raise BadInput(f"has order {order} with {100 * size:g} %; give 0 to {100 * _LARGEST_HARMONIC:g} %")
        if abs(phase) > 360.0:
            raise BadInput(f"has order {order} with a phase of {phase:g}°; give -360° to 360°")
        found[order] = (order, size, phase)
    if sum(size**2 for _, size, _ in found.values()) >= _LARGEST_HARMONIC**2:
        raise BadInput("makes a distortion of 50 % or more; no mains has that")
    return tuple(found[order] for order in sorted(found))


class Mains(Section):
    """The mains: its voltage measured without load, and the source behind it."""

    voltage: Annotated[v.Volts, Field(gt=0, le=1000)] = Field(
        description="True RMS voltage of the source, measured without load; every expected reading follows it."
    )
    frequency: Annotated[v.Hertz, Field(ge=10, le=1000)] = Field(
        description="Mains frequency; it sets the period and the ripple."
    )
    tolerance: Annotated[v.Fraction, Field(ge=0, lt=1)] = Field(
        0.0,
        description="How far the mains voltage may be off; a channel that measures the mains narrows it. Public "
        "mains may be 10 % off (EN 50160).",
    )
    source_resistance: Annotated[v.Ohms, Field(ge=0)] | None = Field(
        None,
        description="Resistance of the source, the socket and the lead; it lowers the peaks of the line current. Left "
        "out, it is taken as usual, within a wide allowance.",
    )
    voltage_thd: Annotated[v.Fraction, Field(ge=0, lt=0.5)] | None = Field(
        None,
        description="Total harmonic distortion of the mains voltage, the size only: expected values are those of a "
        "sine, with an allowance for usual orders of that size in any phase. Left out, the allowance is for a usual "
        "public mains.",
    )
    harmonics: Annotated[tuple[tuple[int, float, float], ...], BeforeValidator(_read_harmonics)] | None = Field(
        None,
        description='Measured harmonics of the mains voltage, [[5, "2.4 %", "180°"], …]: order, part of the '
        "fundamental, and phase φ in v = √2·V1·(sin ωt + Σ h·sin(kωt + φ)); 0° of the third flattens the top. An "
        "empty list is a pure sine.",
    )

    wave: str | None = Field(
        None,
        description="A captured mains voltage (times and volts in a text file), a path beside the bench file: its "
        "harmonics stand in for this key when the file is read. Not together with harmonics or voltage_thd.",
    )

    @model_validator(mode="after")
    def _one_shape(self) -> Mains:
        if self.wave is not None:
            others = [key for key in ("harmonics", "voltage_thd") if getattr(self, key) is not None]
            reason = f"is given beside {others[0]}; leave one of them out" if others else "needs a file to stand beside"
            raise v.KeyedError("wave", self.wave, reason)
        if self.harmonics is not None and self.voltage_thd is not None:
            raise v.KeyedError("voltage_thd", self.voltage_thd, "is already given by harmonics; leave one of them out")
        return self

    @property
    def distortion(self) -> float | None:
        """The total harmonic distortion that the bench file gives, None where it gives none."""
        if self.harmonics is None:
            return self.voltage_thd
        return math.sqrt(sum(size**2 for _, size, _ in self.harmonics))


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
        "more tell how the core saturates.",
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
    def leakage_reactance(self) -> float | None:
        """Leakage reactance of one secondary winding in ohms, from the short-circuit test; None without one."""
        if self.short_circuit is None:
            return None
        volts, amperes, watts = self.short_circuit
        impedance, resistance = volts / amperes, watts / amperes**2
        return float(max(impedance**2 - resistance**2, 0.0) ** 0.5 * self.ratio**2 * self.secondaries)


class Fuse(Section):
    """The primary fuse."""

    rating: Annotated[v.Amperes, Field(gt=0)] = Field(
        description="Rated current; the inrush is checked against it, and 1.6 times the rated primary current is usual."
    )
    speed: Literal["fast", "time-lag"] = Field(
        description="Characteristic; the inrush of a transformer blows a fast one."
    )
    melting_i2t: Annotated[v.MeltingI2t, Field(gt=0)] | None = Field(
        None, description="Melting I²t from the data sheet; the inrush is compared with it."
    )
    resistance: Annotated[v.Ohms, Field(ge=0)] = Field(0.0, description="Cold resistance.")


class Ntc(Section):
    """The inrush limiter in the primary circuit, a negative-temperature-coefficient thermistor."""

    r25: Annotated[v.Ohms, Field(gt=0)] = Field(description="Resistance at 25 °C.")
    beta: Annotated[v.Beta, Field(gt=0, le=20_000)] = Field(
        description="β value: R(T) = r25 · exp(β · (1/T − 1/298.15 K))."
    )
    dissipation_factor: Annotated[v.WattsPerKelvin, Field(gt=0)] = Field(
        description="Power that heats it by one kelvin."
    )
    time_constant: Annotated[v.Seconds, Field(gt=0)] = Field(
        description="Thermal time constant; it cools down about as slowly, and until then limits less."
    )
    max_current: Annotated[v.Amperes, Field(gt=0)] | None = Field(
        None, description="Highest permitted steady RMS current."
    )


class Rectifier(Section):
    """The kind of rectifier."""

    kind: RectifierKind = Field(
        description="How the diodes are wired; it decides which winding conducts when, and what every diode carries."
    )

    @property
    def topology(self) -> Topology:
        """Return how it is connected."""
        return TOPOLOGIES[self.kind]


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

    saturation_current: Annotated[v.Amperes, Field(gt=0, lt=1)] | None = Field(
        None, description="Saturation current of the Shockley equation, at 25 °C."
    )
    emission_coefficient: Annotated[v.Number, Field(ge=0.5, le=10)] | None = Field(
        None, description="Emission coefficient (ideality factor) of the Shockley equation."
    )
    series_resistance: Annotated[v.Ohms, Field(ge=0)] = Field(
        0.0, description="Ohmic resistance in series with the junction."
    )
    forward: Annotated[tuple[tuple[float, float], ...], BeforeValidator(_read_points)] | None = Field(
        None,
        description='Two or more points of the forward curve at 25 °C from the data sheet, [["0.72 V", "0.1 A"], '
        '["0.95 V", "3 A"]], instead of the Shockley values.',
    )
    mean_current_rating: Annotated[v.Amperes, Field(gt=0)] | None = Field(
        None, description="Rated mean forward current of one diode; checked before power."
    )
    surge_current_rating: Annotated[v.Amperes, Field(gt=0)] | None = Field(
        None, description="Rated non-repetitive peak current of one diode (one half-wave); compared with the inrush."
    )
    reverse_voltage_rating: Annotated[v.Volts, Field(gt=0)] | None = Field(
        None,
        description="Rated repetitive peak reverse voltage; at high mains without load a diode blocks the peak, in a "
        "centre tap twice that.",
    )
    thermal_resistance: Annotated[v.KelvinPerWatt, Field(gt=0)] | None = Field(
        None,
        description="Junction to ambient, as mounted; without it the junction is taken as being at ambient "
        "temperature.",
    )
    thermal_time_constant: Annotated[v.Seconds, Field(gt=0)] | None = Field(
        None, description="Thermal time constant of the warm-up."
    )
    max_junction: v.Celsius | None = Field(
        None, description="Highest permitted junction temperature; 150 °C is usual for silicon."
    )

    @model_validator(mode="after")
    def _one_form(self) -> Diode:
        shockley = self.saturation_current is not None and self.emission_coefficient is not None
        if self.forward is not None:
            if self.saturation_current is not None or self.emission_coefficient is not None or self.series_resistance:
                raise BadInput("give either forward points or saturation_current and emission_coefficient, not both")
        elif not shockley:
            raise BadInput("needs saturation_current and emission_coefficient, or forward points from the data sheet")
        return self


def _read_tolerance(value: Any) -> float | tuple[float, float]:
    """Return ± one fraction, or how far the value may lie below (a negative fraction) and above."""
    if not isinstance(value, list | tuple):
        either_way = parse_value(value, FRACTION)
        if not 0.0 <= either_way < 1.0:
            raise BadInput("must be at least 0 and below 1; a part that differs more has two limits")
        return either_way
    if len(value) != 2:
        raise BadInput('must be one value or two, such as "20 %" or ["-20 %", "80 %"]')
    low, high = (parse_value(part, FRACTION) for part in value)
    if not -1.0 < low <= 0.0 <= high <= _WIDEST_TOLERANCE:
        raise BadInput(
            f"must go from a value above -100 % to one up to {100 * _WIDEST_TOLERANCE:g} %, with zero between them, "
            'such as ["-20 %", "80 %"]'
        )
    return low, high


_WIDEST_TOLERANCE = 2.0


class Capacitor(Section):
    """A capacitor across the line; the first one after the rectifier is the reservoir."""

    kind: Literal["capacitor"] = Field(description="A capacitor across the line.")
    capacitance: Annotated[v.Farads, Field(ge=1e-9, le=100)] = Field(
        description="Capacitance; the ripple is inversely proportional to it."
    )
    esr: Annotated[v.Ohms, Field(ge=0)] | None = Field(
        None,
        description="Equivalent series resistance; the data sheet has it. Left out, it is taken as usual for the "
        "capacitance, within a wide allowance.",
    )
    esr_tolerance: Annotated[v.Fraction, Field(ge=0, lt=1)] | None = Field(
        None, description="Tolerance of the series resistance; 50 % where it is left out and esr is given."
    )
    tolerance: Annotated[float | tuple[float, float], BeforeValidator(_read_tolerance), FRACTION] | None = Field(
        None,
        description="Tolerance of the capacitance, or how far it may lie below and above, "
        '["-20 %", "80 %"]. Left out, it is taken as usual: ±20 %, below 10 µF ±10 %.',
    )
    voltage_rating: Annotated[v.Volts, Field(gt=0)] | None = Field(
        None, description="Rated voltage; checked at high mains without load."
    )
    ripple_current_rating: Annotated[v.Amperes, Field(gt=0)] | None = Field(
        None, description="Rated RMS ripple current."
    )

    @property
    def tolerance_limits(self) -> tuple[float, float] | None:
        """How far the capacitance may lie below (not above zero) and above its value, as parts; None if not given."""
        if self.tolerance is None:
            return None
        return self.tolerance if isinstance(self.tolerance, tuple) else (-self.tolerance, self.tolerance)


class SeriesResistor(Section):
    """A resistor in the line between two filter parts."""

    kind: Literal["resistor"] = Field(description="A resistor in the line.")
    resistance: Annotated[v.Ohms, Field(gt=0)] = Field(description="Resistance.")


class Choke(Section):
    """A smoothing choke in the line."""

    kind: Literal["choke"] = Field(description="A choke in the line.")
    inductance: Annotated[v.Henries, Field(gt=0)] = Field(description="Inductance.")
    resistance: Annotated[v.Ohms, Field(ge=0)] = Field(0.0, description="Winding resistance.")


FilterPart = Annotated[Capacitor | SeriesResistor | Choke, Field(discriminator="kind")]


class Regulator(Section):
    """A linear series regulator after the filter."""

    output_voltage: Annotated[v.Volts, Field(gt=0)] = Field(description="Regulated output voltage.")
    dropout: Annotated[v.Volts, Field(ge=0)] = Field(
        0.0, description="Lowest voltage across the regulator at which it still regulates."
    )
    quiescent_current: Annotated[v.Amperes, Field(ge=0)] = Field(
        0.0, description="Current that the regulator takes for itself."
    )
    thermal_resistance: Annotated[v.KelvinPerWatt, Field(gt=0)] | None = Field(
        None, description="Junction to ambient, as mounted."
    )
    max_junction: v.Celsius | None = Field(None, description="Highest permitted junction temperature.")


class ResistorLoad(Section):
    """A load resistor."""

    kind: Literal["resistor"] = Field(description="A resistor; its current follows the voltage.")
    resistance: Annotated[v.Ohms, Field(gt=0)] = Field(description="Resistance at ambient temperature.")
    power_rating: Annotated[v.Watts, Field(gt=0)] | None = Field(
        None, description="Rated power; checked at high mains."
    )
    temperature_coefficient: v.PerKelvin = Field(
        0.0, description="Change of the resistance for each kelvin that the resistor warms up."
    )


class CurrentLoad(Section):
    """A load that draws a constant current, such as an electronic load."""

    kind: Literal["current"] = Field(description="A constant current, such as an electronic load.")
    current: Annotated[v.Amperes, Field(gt=0)] = Field(description="Current; the supply must carry it all the time.")


class OpenLoad(Section):
    """No load."""

    kind: Literal["open"] = Field(description="No load.")


Load = Annotated[ResistorLoad | CurrentLoad | OpenLoad, Field(discriminator="kind")]


class Ambient(Section):
    """The ambient of the supply."""

    temperature: Annotated[v.Celsius, Field(ge=-90, le=150)] = Field(
        25.0, description="Temperature of the air around the supply; a channel for ambient.temperature measures it."
    )
