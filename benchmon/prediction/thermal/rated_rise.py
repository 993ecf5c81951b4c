"""Temperature rise of the load resistor and the transformer, estimated from their ratings.

A bench file has no thermal resistance for these parts, but their rating implies a usual rise. Both temperatures are
estimates with a large uncertainty. That of the transformer acts on the circuit only where the bench file gives the
temperature at which its resistances were measured; else `ratings.check` reports the effect of warm copper.
"""

from __future__ import annotations

import numpy as np

from benchmon.bench import Bench, Load, ResistorLoad
from benchmon.prediction.circuit.parts import WINDING_RISE, WINDING_TEMPERATURE, Parts
from benchmon.prediction.circuit.trace_measures import mean_of, rms_of
from benchmon.prediction.circuit.traces import Traces, of_second
from benchmon.signals.arrays import Floats
from benchmon.signals.uncertainty import COVERAGE
from benchmon.standards import COPPER_ZERO, GIVEN_RISE_DIFFERS, LOAD_RISE, LOAD_RISE_DIFFERS, TRANSFORMER_RISE


def warm_resistance(ohms: Floats | float, cold: Floats | float, warm: Floats | float) -> Floats | float:
    """Return the resistance at `warm` °C of a copper winding that has `ohms` at `cold` °C.

    R2 = R1·(234.5 + t2)/(234.5 + t1) (IEC 60335-1).

    >>> round(warm_resistance(10.0, 20.0, 83.625), 3)
    12.5
    """
    return ohms * (COPPER_ZERO + warm) / (COPPER_ZERO + cold)


def copper_warms(bench: Bench) -> bool:
    """Return whether the windings' resistances follow their temperature: it is given, or known from the rating."""
    transformer = bench.transformer
    return transformer.resistance_temperature is not None and (
        transformer.winding_temperature is not None or transformer.rating is not None
    )


_FIRST_RISE = 30.0


def copper_growth(bench: Bench, parts: Parts, traces: Traces | None) -> Floats:
    """Return the resistance of the windings over that in the bench file, (b,), with the currents of `traces`.

    Without any it is a first guess. `parts` holds the factor on the estimated rise, or the temperature that the bench
    file gives.
    """
    measured_at = bench.transformer.resistance_temperature
    cold = parts["ambient.temperature"] if measured_at is None else measured_at
    if WINDING_TEMPERATURE in parts:
        celsius = parts[WINDING_TEMPERATURE]
    elif traces is None:
        celsius = parts["ambient.temperature"] + _FIRST_RISE
    else:
        rise = transformer_rise(bench, parts, heating_currents(traces))
        celsius = parts["ambient.temperature"] + (0.0 if rise is None else parts[WINDING_RISE] * rise)
    return np.asarray(warm_resistance(1.0, cold, celsius))


def heating_currents(traces: Traces) -> dict[str, Floats]:
    """Return the rms currents, (b,), that heat the windings: of the line, and of one winding.

    Where two windings carry different currents, it is that which heats two of them as much.
    """
    squares = {name: rms_of(traces[name], traces.weights) ** 2 for name in ("mains.current", "secondary.current")}
    if "secondary_2.current" in traces:
        second = rms_of(traces["secondary_2.current"], traces.weights) ** 2
        squares["secondary.current"] = (squares["secondary.current"] + second) / 2.0
    return {f"{name}.rms": np.sqrt(square) for name, square in squares.items()}


def load_heats_itself(bench: Bench) -> bool:
    """Return whether self-heating changes the resistance of a load, by an amount known from its rating."""
    return any(
        isinstance(load, ResistorLoad) and load.power_rating is not None and load.temperature_coefficient != 0.0
        for load in (bench.load, bench.load_2)
    )


def load_rises(bench: Bench, traces: Traces) -> dict[str, Floats]:
    """Return the rise above ambient, kelvin (b,), of each load resistor whose rating is known, by its point."""
    found = {}
    for point, load, seen in (("load", bench.load, traces), ("load_2", second_load_of(bench), of_second(traces))):
        if isinstance(load, ResistorLoad) and load.power_rating is not None:
            power = mean_of(seen["output.voltage"] * seen["output.current"], traces.weights)
            found[point] = load_rise(load) * power / load.power_rating
    return found


def load_rise(load: ResistorLoad) -> float:
    """Return the rise of a load resistor above ambient at its rated power, K."""
    return LOAD_RISE if load.temperature_rise is None else load.temperature_rise


def load_rise_differs(bench: Bench, point: str) -> float:
    """Return the relative standard uncertainty of the rise of a load, of `point` load or load_2."""
    known = next((one for one in bench.learned if one.part == f"{point}.temperature_rise"), None)
    if known is not None:
        return known.uncertainty / COVERAGE
    load = bench.load if point == "load" else second_load_of(bench)
    is_given = isinstance(load, ResistorLoad) and load.temperature_rise is not None
    return GIVEN_RISE_DIFFERS if is_given else LOAD_RISE_DIFFERS


def second_load_of(bench: Bench) -> Load | None:
    """Return the load of the second output; None where there is none."""
    if not bench.rectifier.topology.has_two_outputs or bench.rectifier.loads == "across":
        return None
    return bench.load if bench.load_2 is None else bench.load_2


def transformer_rise(bench: Bench, parts: Parts, quantities: dict[str, Floats]) -> Floats | None:
    """Return the rise of the windings above ambient, kelvin (b,), or None if no rating is known.

    It is the rise at rated load, in proportion to the losses of copper and core.
    """
    transformer = bench.transformer
    if transformer.rating is None:
        return None
    secondary = transformer.secondary_resistance
    used = bench.rectifier.topology.windings(transformer.connection)
    copper = used * secondary * quantities["secondary.current.rms"] ** 2
    copper = copper + parts["transformer.primary_resistance"] * quantities["mains.current.rms"] ** 2
    rated_secondary = transformer.rating / (transformer.secondaries * transformer.full_load_voltage)
    rated = transformer.secondaries * secondary * rated_secondary**2
    rated += transformer.primary_resistance * (transformer.rating / transformer.primary_voltage) ** 2
    core = parts["core.loss"]
    if np.any(rated + core <= 0.0):
        return None
    rise: Floats = TRANSFORMER_RISE * (copper + core) / (rated + core)
    return rise
