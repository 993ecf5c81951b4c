"""The whole catalogue of the simulated bench's faults, each at every place where it fits, as the watch would see it.

Supply and meters are the simulated bench's own: other equations than the prediction's, meters with errors, noise and a
last digit. Only sockets and lines are left out. A supply is warm when a fault begins, and is read once it has
settled with the fault; `seed` draws its parts, its meters and their noise.

Left out is what readings of one moment cannot show, or what is found otherwise: line faults (silence and refused
answers are events of their own), a relay that is stuck (seen when a trip switches off), a value that stands still.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator
from dataclasses import dataclass

from benchmon.bench import Bench, load_bench
from benchmon.watch.diagnosis.explainer import NOTHING_WRONG
from benchmon.watch.diagnosis.likelihood import Observation
from benchmon_simulated.effects import Effects
from benchmon_simulated.faults.base import CircuitFault, MeterFault
from benchmon_simulated.faults.circuit import CIRCUIT_FAULTS
from benchmon_simulated.faults.meter import METER_FAULTS
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.scenarios import scenario_named
from benchmon_simulated.supply.supply import SupplyUnderTest

NAMES = ("reservoir", "bridge", "centre-tap", "split-rail", "doubler", "regulated")
REAL = Effects()
"""All that a real bench has: mains with harmonics, a core, leakage, spread parts, heat in two stages, real meters."""

UNTOLD = {"stuck-relay", "frozen-value"}

_FUSE = "no current flows into the supply"
_CAUSES = {
    "open-diode": "a diode is open",
    "shorted-diode": _FUSE,
    "half-wave-wiring": "the rectifier is wired as half-wave",
    "open-reservoir": "the reservoir is open",
    "dried-reservoir": "the reservoir has dried out",
    "double-load": "the load draws twice",
    "half-load": "the load draws half",
    "open-load": "the load is not connected",
    "drifting-resistor": "the load is not what it should be",
    "mains-sag": "the mains is outside its tolerance",
    "mains-surge": "the mains is outside its tolerance",
    "mains-failure": "there is no mains voltage",
    "distorted-mains": "the mains wave is distorted",
    "loose-terminal": "the primary circuit has another resistance",
    "lost-cooling": "the diode is cooled",
    "hot-room": "the air is not as warm",
    "average-detector": "average-responding",
    "ac-coupling": "the meter is on its AC range",
    "dc-coupling": "the meter is on its DC range",
    "clamp-tenfold": "ratio is 10 times too large",
    "clamp-tenth": "ratio is 10 times too small",
    "reversed-leads": "its polarity is reversed",
    "weak-battery": "the meter reads too much",
    "overload": "the meter shows overload",
    "loose-probe": "the probe is not on the part",
}
_REVERSED = {"series": "nothing comes from the rectifier", "parallel": _FUSE}


@dataclass(frozen=True)
class CatalogueCase:
    """One fault at one place: its title, what the true cause's text holds and begins with, and what is read."""

    title: str
    begins: str
    holds: str
    observations: list[Observation]

    def is_named_by(self, cause: str) -> bool:
        """Return whether `cause` is the true one, and nothing besides."""
        return cause.startswith(self.begins) and self.holds in cause and "; " not in cause


def catalogue_bench(name: str) -> Bench:
    """Return an example bench of the simulated bench."""
    return load_bench(scenario_named(name).path)


def warm_supply(bench: Bench, seed: int) -> SupplyUnderTest:
    """Return a sound supply that has been on for a quarter of an hour."""
    supply = SupplyUnderTest(bench, seed, REAL, interpolated=True)
    supply.advance(60.0, each=5.0)
    supply.advance(840.0, each=60.0)
    return supply


def sound_case(bench: Bench, seed: int) -> CatalogueCase:
    """Return a bench without any fault."""
    supply = warm_supply(bench, seed)
    return CatalogueCase("sound", NOTHING_WRONG, "", _read(bench, supply, _meters(bench, seed)))


def catalogue(bench: Bench, seed: int) -> Iterator[CatalogueCase]:
    """Yield every fault of the catalogue at every place of `bench` where it fits."""
    sound = warm_supply(bench, seed)
    for kind in CIRCUIT_FAULTS:
        if kind.name not in UNTOLD:
            yield from _circuit_cases(bench, sound, kind, seed)
    for fault in (kind() for kind in METER_FAULTS if kind.name not in UNTOLD):
        for index in range(len(bench.channel)):
            meters = _meters(bench, seed)
            if fault.fits(meters[index]):
                yield _meter_case(bench, copy.deepcopy(sound), fault, meters, index)


def _circuit_cases(
    bench: Bench, sound: SupplyUnderTest, kind: type[CircuitFault], seed: int
) -> Iterator[CatalogueCase]:
    most = {"diode": len(sound.wiring.diodes), "winding": sound.wiring.windings}.get(kind.target, 0)
    for which in [str(number) for number in range(1, most + 1)] or [""]:
        supply = copy.deepcopy(sound)
        try:
            fault = kind(which, supply)
        except ValueError:
            continue  # it does not fit this supply
        _let_it_settle(supply, fault)
        title = f"{kind.name}:{which}" if which else kind.name
        cause = _CAUSES.get(kind.name, "")
        if kind.name == "reversed-winding":
            tapped = bench.rectifier.kind in ("centre tap", "split rail")
            cause = "one winding is reversed" if tapped else _REVERSED[bench.transformer.connection]
        if kind.name == "half-wave-wiring" and bench.rectifier.kind in ("centre tap", "full-wave doubler"):
            cause = _CAUSES["open-diode"]  # one diode left of two: the same circuit
        yield CatalogueCase(title, cause, "", _read(bench, supply, _meters(bench, seed)))


def _let_it_settle(supply: SupplyUnderTest, fault: CircuitFault) -> None:
    age = 0.0
    # At first in small steps, for a fuse to melt in; a resistor that drifts has drifted by 16 % after two minutes.
    for count, each in ((20, 0.25), (11, 5.0), (4, 15.0), (0 if fault.name == "drifting-resistor" else 16, 60.0)):
        for _ in range(count):
            age += each
            supply.defects = fault.modify(type(supply.defects)(), age)
            supply.advance(each, each=each)


def _meter_case(
    bench: Bench, supply: SupplyUnderTest, fault: MeterFault, meters: list[Meter], index: int
) -> CatalogueCase:
    struck = meters[index]
    struck.effects = (fault.effect(struck),)
    struck.read(supply.snapshot)
    name = struck.channel.name
    if fault.name == "weak-battery":
        supply.advance(180.0, each=60.0)
    return CatalogueCase(f"{fault.name}:{name}", f"{name}: ", _CAUSES[fault.name], _read(bench, supply, meters))


def _meters(bench: Bench, seed: int) -> list[Meter]:
    return [Meter(channel, seed, REAL) for channel in bench.channel]


def _read(bench: Bench, supply: SupplyUnderTest, meters: list[Meter]) -> list[Observation]:
    """Return what each meter shows in the mean over two seconds, in the channel's unit; nothing where it shows none."""
    shown: dict[str, list[float]] = {channel.name: [] for channel in bench.channel}
    for turn in range(8):
        supply.advance(0.25)
        for meter in meters:
            value = meter.read(supply.snapshot) * meter.channel.scale
            # The meter's filter, and its ranges, take a moment.
            if turn >= 4 and not math.isnan(value):
                shown[meter.channel.name].append(value)
    return [
        Observation(channel, sum(shown[channel.name]) / len(shown[channel.name]))
        for channel in bench.channel
        if shown[channel.name]
    ]
