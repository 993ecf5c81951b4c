"""Faults of the circuit: benches and parts that differ from the file in one way, each solved by the prediction engine.

Not here: one shorted diode of a bridge or of a centre tap. It shorts a winding in every second half period; what is
left to be measured a moment later is a blown fuse, and that is here. Nor single diodes of doublers; those of split
rails are in `split_rail_faults`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from benchmon.bench import Bench, Capacitor, Channel, OpenLoad, Rectifier
from benchmon.errors import PredictionError
from benchmon.prediction.parts import parts_of
from benchmon.watch.hypothesis import Hypothesis
from benchmon.watch.meter_values import MeterValue, MeterValues, meter_values
from benchmon.watch.mistakes import COMMON, RARE, USUAL

_OFF = "switch off, let capacitors discharge, "
_IDLE_DOUBT = 0.15
_LEAKING_DROP = 0.015
_MORE_DISTORTION = 0.08
_SHORT = 1e3
"""Amperes of saturation current of a diode that conducts both ways: a shorted one."""

_DIODE_ELECTRICAL = ("diode.current.mean", "diode.current.rms", "diode.current.peak", "diode.power.mean")


@dataclass(frozen=True)
class CircuitFault:
    """One fault: its name, remedy and weight; the bench and the factors of its parts; what else differs then.

    `correct` turns the solved values into those of the faulty circuit where the engine's circuit stands for another.
    """

    cause: str
    remedy: str
    weight: float
    bench: Bench
    changes: Mapping[str, float] = field(default_factory=dict)
    correct: Callable[[MeterValues], MeterValues] = lambda values: values
    doubt: float = 0.0
    """The part of its change by which a reading may miss what is computed, where size or shape of a fault is open."""

    elsewhere: float = 1.0
    """The part of their change that other quantities than the mains current's distortion show."""


def circuit_hypotheses(
    bench: Bench, channels: Sequence[Channel], mains_voltage: float, right: MeterValues
) -> list[Hypothesis]:
    """Return each fault of the circuit with what every channel reads then, at `mains_voltage` (V rms).

    `right` are the values without a fault. A variant that has no steady state is left out: there is nothing to compare
    with.
    """
    found = []
    for fault in faults_of(bench):
        try:
            values = fault.correct(meter_values(fault.bench, mains_voltage, fault.changes))
        except PredictionError:
            continue
        readings = {
            channel.name: _doubted(fault, channel.quantity, value, right.of(channel.quantity))
            for channel in channels
            if (value := values.of(channel.quantity)) is not None
        }
        found.append(Hypothesis(fault.cause, fault.remedy, fault.weight, readings))
    return found


def _doubted(fault: CircuitFault, quantity: str, value: MeterValue, right: MeterValue | None) -> MeterValue:
    if right is None or fault.doubt == 0.0:
        return value
    change = value.value - right.value
    if quantity != "mains.current.thd":
        value = replace(value, value=right.value + fault.elsewhere * change)
    return replace(value, own=math.hypot(value.own, fault.doubt * change))


def faults_of(bench: Bench) -> Iterator[CircuitFault]:
    """Yield the faults that a bench's circuit can have."""
    yield from _of_the_diodes(bench)
    yield from _of_the_filter(bench)
    yield from _of_the_load(bench)
    yield from _of_the_transformer(bench)
    yield from _of_the_mains(bench)
    yield from _without_power(bench)


def _with_rectifier(bench: Bench, *, windings: int | None = None, connection: str | None = None) -> Bench:
    """Return the bench as a half-wave supply."""
    changes: dict[str, object] = {"rectifier": Rectifier(kind="half wave")}
    if windings is not None:
        update = {"secondaries": windings, "connection": connection or "single"}
        changes["transformer"] = bench.transformer.model_copy(update=update)
    return bench.model_copy(update=changes)


def _of_the_diodes(bench: Bench) -> Iterator[CircuitFault]:
    kind = bench.rectifier.kind
    remedy = _OFF + "test each diode and its joints"
    if kind == "bridge":
        half = _with_rectifier(bench)
        double = {"diode.emission_coefficient": 2.0, "diode.series_resistance": 2.0}
        # Two diodes in series are one with twice the drop; its heat is that of two.
        yield CircuitFault("a diode is open", remedy, USUAL, half, double, _two_in_series)
        yield CircuitFault("a diode is open", remedy, USUAL, half, double, _dead_diode)
        other = _OFF + "check the wiring of the bridge"
        yield CircuitFault("the rectifier is wired as half-wave instead of full-wave", other, USUAL, half)
    elif kind == "centre tap":
        half = _with_rectifier(bench, windings=1)
        remedy = _OFF + "test each diode, its joints and its half of the winding"
        yield CircuitFault("a diode is open", remedy, USUAL, half)
        yield CircuitFault("a diode is open", remedy, USUAL, half, correct=_dead_half)
    elif kind == "half wave":
        shorted = {"diode.saturation_current": _SHORT / _saturation(bench)}
        yield CircuitFault(
            "the diode is shorted", _OFF + "replace the diode and a damaged reservoir", USUAL, bench, shorted
        )


def _saturation(bench: Bench) -> float:
    return float(parts_of(bench)["diode.saturation_current"][0])


def _two_in_series(values: MeterValues) -> MeterValues:
    """Return the values where the engine's one diode is two in series: each has half of its drop and heat."""
    halved = {
        name: value.scaled(0.5)
        for name in ("diode.voltage.reverse_peak", "diode.power.mean")
        if (value := values.quantities.get(name)) is not None
    }
    air = values.quantities["ambient.temperature"]
    for name in ("diode.temperature.junction", "diode.temperature.case"):
        hot = values.quantities.get(name)
        if hot is not None:
            middle = MeterValue((hot.value + air.value) / 2.0, (hot.moves + air.moves) / 2.0, hot.own / 2.0)
            halved[name] = middle
    return replace(values, quantities={**values.quantities, **halved})


def _dead_diode(values: MeterValues) -> MeterValues:
    """Return the values where the measured diode is the open one, or in series with it."""
    values = _two_in_series(values)
    cold = {name: values.quantities[name].scaled(0.0) for name in _DIODE_ELECTRICAL if name in values.quantities}
    air = values.quantities["ambient.temperature"]
    cold |= {
        name: air for name in ("diode.temperature.junction", "diode.temperature.case") if name in values.quantities
    }
    return replace(values, quantities={**values.quantities, **cold})


def _dead_half(values: MeterValues) -> MeterValues:
    """Return the values where the measured diode is the open one and its half of the winding idles."""
    values = _dead_diode(values)
    idle = {
        name: values.quantities[name].scaled(0.0)
        for name in ("secondary.current.rms", "secondary.current.peak")
        if name in values.quantities
    }
    return replace(values, quantities={**values.quantities, **idle}, absent=values.absent | {"secondary.voltage.rms"})


def _of_the_filter(bench: Bench) -> Iterator[CircuitFault]:
    index = next((at for at, part in enumerate(bench.filter) if isinstance(part, Capacitor)), None)
    if index is None:
        return
    dry = {f"filter.{index}.capacitance": 0.5, f"filter.{index}.esr": 2.0}
    yield CircuitFault("the reservoir has dried out to half", _OFF + "replace the reservoir", USUAL, bench, dry)
    if bench.rectifier.kind == "full-wave doubler":
        return  # its two capacitors are part of the rectifier; with one gone it is another circuit
    opened = _OFF + "check the reservoir's joints, then its capacitance"
    if len(bench.filter) == 1:
        without = bench.model_copy(update={"filter": ()})
        one_of_two = bench.rectifier.kind == "split rail"
        correct = _no_reservoir_of_one_rail if one_of_two else _no_reservoir
        yield CircuitFault("the reservoir is open", opened, USUAL, without, correct=correct)
    else:
        gone = {f"filter.{index}.capacitance": 1e-4}
        yield CircuitFault("the reservoir is open", opened, USUAL, bench, gone)


def _no_reservoir(values: MeterValues) -> MeterValues:
    """Return the values at the place where the reservoir was: the output's."""
    place = {
        f"reservoir.voltage.{what}": values.quantities[f"output.voltage.{what}"]
        for what in ("mean", "ripple", "peak", "valley")
    }
    place["reservoir.current.rms"] = values.quantities["output.voltage.rms"].scaled(0.0)
    return replace(values, quantities={**values.quantities, **place})


def _no_reservoir_of_one_rail(values: MeterValues) -> MeterValues:
    """Return the values where the other rail still has its reservoir: what both draw together is not known."""
    values = _no_reservoir(values)
    shared = {name for name in values.quantities if name.startswith(("mains.", "secondary.", "diode."))}
    return replace(values, absent=values.absent | shared - {"mains.voltage.rms", "mains.frequency"})


def _of_the_load(bench: Bench) -> Iterator[CircuitFault]:
    if bench.load.kind == "open":
        return
    part = "load.resistance" if bench.load.kind == "resistor" else "load.current"
    twice, half = (0.5, 2.0) if bench.load.kind == "resistor" else (2.0, 0.5)
    remedy = _OFF + "measure the load"
    yield CircuitFault("the load draws twice what it should", remedy, USUAL, bench, {part: twice})
    yield CircuitFault("the load draws half of what it should", remedy, USUAL, bench, {part: half})
    nothing = bench.model_copy(update={"load": OpenLoad(kind="open")})
    yield CircuitFault(
        "the load is not connected", _OFF + "connect the load", USUAL, nothing, correct=_almost_no_current
    )


def _almost_no_current(values: MeterValues) -> MeterValues:
    """Return the values where hardly anything flows: drops hang on leakage, the line's wave on the iron."""
    voltages = {
        name: replace(value, own=_LEAKING_DROP * abs(value.value))
        for name, value in values.quantities.items()
        if name.startswith(("output.voltage", "reservoir.voltage"))
    }
    absent = values.absent | {"mains.current.thd", "mains.current.crest_factor", "mains.displacement_factor"}
    return replace(values, quantities={**values.quantities, **voltages}, absent=absent)


def _of_the_transformer(bench: Bench) -> Iterator[CircuitFault]:
    volts = "transformer.open_circuit_voltage"
    tap = _OFF + "check which primary tap the mains is on"
    for factor, words, weight in (
        (1.0 / 1.1, "10 % too high", USUAL),
        (1.0 / 0.9, "10 % too low", USUAL),
        (2.0, "half the mains voltage (115 V for 230 V)", RARE),
        (0.5, "twice the mains voltage (230 V for 115 V)", RARE),
    ):
        yield CircuitFault(f"the primary tap is for {words}", tap, weight, bench, {volts: factor})
    transformer = bench.transformer
    wiring = _OFF + "check the connection of the windings"
    if transformer.secondaries == 2 and bench.rectifier.kind not in ("centre tap", "split rail"):
        other = "parallel" if transformer.connection == "series" else "series"
        turned = bench.model_copy(update={"transformer": transformer.model_copy(update={"connection": other})})
        meant = {"single": "alone"}.get(transformer.connection, f"in {transformer.connection}")
        yield CircuitFault(f"the windings are in {other} instead of {meant}", wiring, COMMON, turned)
    if bench.rectifier.kind == "centre tap":
        both = _with_rectifier(bench, windings=2, connection="parallel")
        pair = {"diode.saturation_current": 2.0, "diode.series_resistance": 0.5, "diode.thermal_resistance": 0.5}
        cause = "one winding is reversed: both halves conduct at once"
        yield CircuitFault(cause, wiring, USUAL, both, pair, _two_in_parallel)


def _two_in_parallel(values: MeterValues) -> MeterValues:
    """Return the values where the engine's one diode is two in parallel: each carries half."""
    halved = {name: values.quantities[name].scaled(0.5) for name in _DIODE_ELECTRICAL if name in values.quantities}
    return replace(values, quantities={**values.quantities, **halved})


def _of_the_mains(bench: Bench) -> Iterator[CircuitFault]:
    wave = bench.mains.model_copy(update={"voltage_thd": bench.mains.voltage_thd + _MORE_DISTORTION})
    distorted = bench.model_copy(update={"mains": wave})
    # The engine's one harmonic is the third. Others distort the current as much, and move levels far less.
    for elsewhere, doubt in ((1.0, 1.0), (0.2, 0.3)):
        yield CircuitFault(
            "the mains wave is distorted",
            "look at the wave of the mains; try another socket",
            2.0 * USUAL,
            distorted,
            doubt=doubt,
            elsewhere=elsewhere,
        )


def _without_power(bench: Bench) -> Iterator[CircuitFault]:
    yield CircuitFault(
        "no current flows into the supply: the fuse has blown, or the primary circuit is open",
        _OFF + "test diodes, reservoir and windings for the short that blew the fuse before replacing it",
        USUAL,
        bench,
        correct=lambda values: _dead(values, _off),
    )
    yield CircuitFault(
        "there is no mains voltage",
        "check the socket, the switch and the plug",
        USUAL,
        bench,
        correct=lambda values: _dead(values, _off, powered=False),
    )
    also = ", or one of the two windings in series is reversed" if bench.transformer.connection == "series" else ""
    yield CircuitFault(
        f"nothing comes from the rectifier: its feed is open{also}",
        _OFF + "check windings and rectifier",
        USUAL,
        bench,
        correct=lambda values: _dead(values, lambda name, value: _idle(bench, name, value)),
    )


def _off(name: str, value: MeterValue) -> MeterValue | None:
    """Return what a quantity before the rectifier reads where nothing flows, None where it has no meaning."""
    return None if name.endswith(("factor", "thd", "frequency")) else value.scaled(0.0)


def _idle(bench: Bench, name: str, value: MeterValue) -> MeterValue | None:
    """Return what a quantity before the rectifier reads where only the transformer idles."""
    transformer = bench.transformer
    level = bench.mains.voltage / transformer.primary_voltage
    current, loss = level * transformer.no_load_current, level**2 * transformer.no_load_loss
    apparent = level * current * transformer.primary_voltage
    known = {"mains.current.rms": current, "mains.power.active": loss, "mains.power.apparent": apparent}
    if name in known:
        return MeterValue(known[name], np.zeros_like(value.moves), _IDLE_DOUBT * known[name])
    return value.scaled(0.0) if name.startswith("secondary.current") else None


def _dead(
    values: MeterValues, before: Callable[[str, MeterValue], MeterValue | None], *, powered: bool = True
) -> MeterValues:
    """Return the values without any direct voltage; `before` tells those at the mains and the windings."""
    quantities, absent = dict(values.quantities), set(values.absent)
    for name, value in values.quantities.items():
        now: MeterValue | None = value
        if "temperature" in name:
            now = values.quantities["ambient.temperature"]
        elif name.startswith(("mains.", "secondary.")):
            now = value if powered and name in ("mains.voltage.rms", "mains.frequency") else before(name, value)
        else:
            now = None if "factor" in name or "frequency" in name else value.scaled(0.0)
        if now is None:
            absent.add(name)
        else:
            quantities[name] = now
    return replace(values, quantities=quantities, absent=frozenset(absent))
