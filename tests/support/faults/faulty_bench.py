"""Benches whose parts differ from the file, with one fault each, and what their meters show.

`drawn` gives every part another value within what the file allows; `cases` then makes each known mistake and fault on
that bench, so the truth comes from other values than the explanation assumes. `simulated_case` takes the truth from the
simulated bench instead: other equations, stepped through time.
"""

from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench
from benchmon.watch.diagnosis.circuit_hypotheses import CircuitFaults
from benchmon.watch.diagnosis.explainer import NONE_OF_THESE, NOTHING_WRONG
from benchmon.watch.diagnosis.likelihood import Observation
from benchmon.watch.diagnosis.meter_faults import meter_faults_of
from benchmon.watch.diagnosis.meter_values import MeterValues, meter_values
from benchmon.watch.records import Explanation
from benchmon_simulated.supply.parts import SupplyDefects
from benchmon_simulated.supply.supply import SupplyUnderTest

VISIBLE = 1.5
"""A fault counts where it moves at least one reading by this En from what was expected: the line of `disagrees`."""


@dataclass(frozen=True)
class Case:
    """A cause and the readings it gives; `visible` where some reading disagrees with the prediction."""

    cause: str
    observations: list[Observation]
    visible: bool


def drawn(bench: Bench, random: np.random.Generator) -> Bench:
    """Return a bench with parts of its own."""

    def near(value: float, part: float) -> float:
        return value * (1.0 + part * float(random.uniform(-1.0, 1.0)))

    mains = bench.mains.model_copy(
        update={
            "voltage": near(bench.mains.voltage, bench.mains.tolerance / 2.0),
            "source_resistance": near(bench.mains.source_resistance, 0.2),
        }
    )
    transformer = bench.transformer.model_copy(
        update={
            "primary_resistance": near(bench.transformer.primary_resistance, 0.07),
            "secondary_resistance": near(bench.transformer.secondary_resistance, 0.07),
            "open_circuit_voltage": near(bench.transformer.open_circuit_voltage, 0.003),
        }
    )
    parts = [
        part.model_copy(update={"capacitance": near(part.capacitance, 0.8 * (part.tolerance or 0.0))})
        if part.kind == "capacitor"
        else part
        for part in bench.filter
    ]
    changes = {"mains": mains, "transformer": transformer, "filter": tuple(parts)}
    changes["ambient"] = bench.ambient.model_copy(
        update={"temperature": bench.ambient.temperature + random.uniform(-1, 1)}
    )
    if bench.load.kind == "resistor":
        changes["load"] = bench.load.model_copy(update={"resistance": near(bench.load.resistance, 0.005)})
    if bench.diode.saturation_current is not None:
        saturation = bench.diode.saturation_current * float(1.5 ** random.uniform(-1.0, 1.0))
        changes["diode"] = bench.diode.model_copy(update={"saturation_current": saturation})
    return bench.model_copy(update=changes)


def shown(bench: Bench, values: dict[str, float], random: np.random.Generator) -> list[Observation]:
    """Return what the meters make of true `values` by channel: gain, offset and noise within their accuracy."""
    found = []
    for channel in bench.channel:
        if channel.name in values and np.isfinite(values[channel.name]):
            value, accuracy = values[channel.name], channel.accuracy
            gain, offset = random.uniform(-0.7, 0.7, 2)
            value += gain * accuracy.relative * abs(value) + offset * accuracy.absolute
            found.append(Observation(channel, float(value + 0.04 * accuracy.of(value) * random.standard_normal())))
    return found


def expected_values(bench: Bench) -> MeterValues:
    """Return what right meters read on the bench as its file says."""
    return meter_values(bench, bench.mains.voltage)


def is_visible(observations: list[Observation], right: MeterValues) -> bool:
    """Return whether some reading disagrees with what the file lets expect."""
    for one in observations:
        value = right.of(one.channel.quantity)
        if value is not None:
            spread = np.hypot(2.0 * np.linalg.norm(value.moves), one.channel.accuracy.of(one.value))
            if abs(one.value - value.value) > VISIBLE * max(spread, 1e-12):
                return True
    return False


def cases(bench: Bench, seed: int) -> list[Case]:
    """Return the bench without and with each fault, on parts drawn by `seed`."""
    random = np.random.default_rng([seed, 0xFA17])
    actual, expected = drawn(bench, random), expected_values(bench)
    right = meter_values(actual, actual.mains.voltage)
    fine = {channel.name: value.value for channel in bench.channel if (value := right.of(channel.quantity))}
    found = [Case(NOTHING_WRONG, shown(bench, fine, random), visible=True)]
    faults = CircuitFaults(actual).hypotheses(bench.channel, actual.mains.voltage, right)
    for one in [*meter_faults_of(bench.channel, right), *faults]:
        observations = shown(bench, {name: value.value for name, value in one.readings.items()}, random)
        found.append(Case(one.cause, observations, is_visible(observations, expected)))
    return found


def is_named(cause: str, first: Explanation) -> bool:
    """Return whether the first explanation is a cause; one meter that is off by itself may be named the odd one.

    A meter that is off by any amount, without a known mistake that has its size, has no other name than that.
    """
    odd = first.channels[0] if first.channels else ""
    by_itself = first.cause == NONE_OF_THESE and "by itself" in cause and cause.startswith(f"{odd}: ")
    return first.cause == cause or by_itself


def faultless(bench: Bench, seed: int) -> list[Observation]:
    """Return the readings of a bench without any fault, on parts drawn by `seed`."""
    random = np.random.default_rng([seed, 0x60D])
    actual = drawn(bench, random)
    right = meter_values(actual, actual.mains.voltage)
    fine = {channel.name: value.value for channel in bench.channel if (value := right.of(channel.quantity))}
    return shown(bench, fine, random)


@dataclass(frozen=True)
class SimulatedFault:
    """A fault that the simulated bench can have, and how the cause that is to come first begins."""

    name: str
    defects: SupplyDefects
    cause: str
    seconds: float = 120.0
    is_slow: bool = False


SIMULATED_FAULTS = (
    SimulatedFault("none", SupplyDefects(), NOTHING_WRONG),
    SimulatedFault("open diode", SupplyDefects(diodes={1: "open"}), "a diode is open", is_slow=True),
    SimulatedFault("another open diode", SupplyDefects(diodes={2: "open"}), "a diode is open", is_slow=True),
    SimulatedFault(
        "shorted diode", SupplyDefects(diodes={2: "shorted"}), "no current flows into the supply", is_slow=True
    ),
    SimulatedFault("reversed winding", SupplyDefects(reversed_windings=frozenset({2})), "", is_slow=True),
    SimulatedFault("open reservoir", SupplyDefects(reservoir_left=1e-6), "the reservoir is open"),
    SimulatedFault("dried reservoir", SupplyDefects(reservoir_left=0.5), "the reservoir has dried out"),
    SimulatedFault("double load", SupplyDefects(load=2.0), "the load draws twice"),
    SimulatedFault("half load", SupplyDefects(load=0.5), "the load draws half"),
    SimulatedFault("open load", SupplyDefects(load_open=True), "the load is not connected"),
    SimulatedFault("resistor 16 % up", SupplyDefects(load=1 / 1.16), "the load is not what it should be"),
    SimulatedFault("mains sag", SupplyDefects(mains=0.8), "the mains is outside its tolerance"),
    SimulatedFault("mains surge", SupplyDefects(mains=1.12), "the mains is outside its tolerance"),
    SimulatedFault("mains failure", SupplyDefects(mains=0.0), "there is no mains voltage", is_slow=True),
    SimulatedFault("distorted mains", SupplyDefects(mains_distortion=0.09), "the mains wave is distorted"),
    SimulatedFault("lost cooling", SupplyDefects(cooling=2.5), "the diode is cooled", seconds=400.0, is_slow=True),
    SimulatedFault("hot room", SupplyDefects(ambient_rise=20.0), "the air is not as warm"),
)


def fits(fault: SimulatedFault, bench: Bench) -> bool:
    """Return whether a bench can have a fault."""
    if fault.name == "reversed winding":
        return bench.transformer.secondaries == 2
    return "reservoir" not in fault.name or bench.reservoir is not None


def cause_of(fault: SimulatedFault, bench: Bench) -> str:
    """Return how the cause that is to come first begins; two windings against each other blow the fuse."""
    if fault.name == "reversed winding":
        return "one winding is reversed" if bench.rectifier.kind == "centre tap" else "no current flows into the supply"
    return fault.cause


def simulated_case(bench: Bench, fault: SimulatedFault, seed: int) -> list[Observation]:
    """Return the readings of the simulated bench with a fault, once its diodes are warm."""
    random = np.random.default_rng([seed, 0x51B])
    supply = SupplyUnderTest(bench, seed)
    supply.defects = fault.defects
    supply.advance(fault.seconds, each=5.0)
    supply.advance(0.5)
    values = supply.snapshot.values
    return shown(bench, {one.name: values[one.quantity] for one in bench.channel if one.quantity in values}, random)
