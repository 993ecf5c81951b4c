"""The supply under test: one model for each section of the bench file."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from benchmon.bench import fields as v
from benchmon.bench.fields import Section
from benchmon.bench.topology import TOPOLOGIES, RectifierKind, Topology
from benchmon.errors import BadInput
from benchmon.quantities import (
    ANGLE,
    CURRENT,
    FRACTION,
    VOLTAGE,
    parse_value,
)
from benchmon.text import one_line

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
    outputs: Literal["isolated", "plus and minus", "stacked"] = Field(
        "isolated",
        description="Of two bridges: how their outputs are joined. Where each has its own load, only what stands "
        "against earth differs, and what can be touched.",
    )
    loads: Literal["each", "across"] = Field(
        "each",
        description='Of two bridges that are joined: "across" for one load from the plus of one output to the minus '
        "of the other, in place of a load of each. The output is then the voltage of both together.",
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
            raise BadInput('has a point that is not a pair of volts and amperes, such as ["0.72 V", "0.1 A"]')
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
    thermal_time_constant: Annotated[v.Seconds, Field(gt=0)] | None = Field(
        None,
        description="Time constant with which it warms, heat sink included. Left out, its temperatures are expected "
        "only after half an hour with power.",
    )
    max_junction: v.Celsius | None = Field(None, description="Highest permitted junction temperature.")
    ripple_rejection: Annotated[v.Decibels, Field(ge=0, le=140)] | None = Field(
        None,
        description="How much less of the input's ripple the output has, at twice the mains frequency; the data sheet "
        "has it. Left out, it is taken as usual, 65 dB, within a wide allowance.",
    )
    noise: Annotated[v.Volts, Field(ge=0, le=1)] | None = Field(
        None,
        description="RMS noise of the output, from the data sheet for a bandwidth like the meter's. Left out, it is "
        "taken as usual, 10 µV for each volt of output, within a wide allowance.",
    )


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
    temperature_rise: Annotated[v.Kelvins, Field(gt=0, le=500)] | None = Field(
        None,
        description="Rise of the resistor above ambient at its rated power; 180 K is usual, 60 K with a fan.",
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


class LearnedPart(Section):
    """A part whose value in this file was estimated from readings, by `benchmon fit` or the tests of a transformer."""

    part: v.OneLine = Field(description="Name of the part, such as transformer.open_circuit_voltage.")
    uncertainty: Annotated[v.Fraction, Field(gt=0, lt=10)] = Field(
        description="What is not known of its value, k = 2, as a part of it; a prediction takes this in place of a "
        "usual tolerance."
    )
    determined: bool = Field(True, description="Whether the readings narrowed it to half of what was known or less.")
    learned_from: v.OneLine = Field("", description="The sessions that it was estimated from.")
    correlated: tuple[tuple[v.OneLine, Annotated[float, Field(gt=-1, lt=1)]], ...] = Field(
        (),
        description='Other learned parts with the coefficient of correlation, [["transformer.primary_resistance", '
        "-0.8]]: what readings leave open of both together; a pair stands with one of the two only.",
    )
