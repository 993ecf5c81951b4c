"""Circuit faults: each modifies the defects of the supply under test."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from benchmon.bench import ResistorLoad
from benchmon.errors import BadInput
from benchmon_simulated.faults.base import CircuitFault, LoadFault, ReservoirFault
from benchmon_simulated.supply.diode_network import OPEN, SHORTED
from benchmon_simulated.supply.parts import SupplyDefects


def _with_diodes(defects: SupplyDefects, conditions: dict[int, str]) -> SupplyDefects:
    return replace(defects, diodes={**defects.diodes, **conditions})


class OpenDiode(CircuitFault):
    """The diode is open: its path never conducts, so that a full-wave rectifier works as half-wave."""

    name, description = "open-diode", "one diode no longer conducts"
    target: ClassVar[str] = "diode"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Open the diode."""
        return _with_diodes(defects, {self.number: OPEN})


class ShortedDiode(CircuitFault):
    """The diode conducts both ways, like a wire.

    In every other half period its winding is shorted through another diode, and only its own resistance and the
    primary circuit's limit the current, until the fuse melts.
    """

    name, description = "shorted-diode", "one diode conducts both ways and shorts its winding, until the fuse melts"
    target: ClassVar[str] = "diode"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Short the diode."""
        return _with_diodes(defects, {self.number: SHORTED})


class HalfWaveWiring(CircuitFault):
    """Half of the rectifier is missing: the winding's other end goes straight to common (bridge), or nowhere."""

    name, description = "half-wave-wiring", "a full-wave rectifier is wired as half-wave"

    def check_supply(self) -> None:
        """Raise `BadInput` for a half-wave rectifier."""
        if not self.supply.wiring.backwards:
            raise BadInput(f"{self.name}: this rectifier is half-wave already")

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Open the diodes of the second half period."""
        wiring = self.supply.wiring
        missing = dict.fromkeys(wiring.backwards, OPEN)
        # In a bridge the return path is then a wire.
        wires = {"bridge": (4,), "two bridges": (4, 8)}.get(wiring.kind, ())
        return _with_diodes(defects, missing | dict.fromkeys(wires, SHORTED))


class ReversedWinding(CircuitFault):
    """The winding's EMF is reversed.

    Two in series cancel, two in parallel drive a large circulating current, and the halves of a centre tap
    conduct at the same time.
    """

    name, description = "reversed-winding", "one of two secondary windings is connected the wrong way round"
    target: ClassVar[str] = "winding"
    default_number: ClassVar[int] = 2

    def check_supply(self) -> None:
        """Raise `BadInput` for a single winding: its direction does not matter."""
        if self.supply.wiring.windings < 2:
            raise BadInput(f"{self.name}: this supply uses one winding, whose direction does not matter")
        if self.supply.wiring.kind == "two bridges":
            raise BadInput(f"{self.name}: each winding has a bridge of its own, so its direction does not matter")

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Reverse the winding."""
        return replace(defects, reversed_windings=defects.reversed_windings | {self.number})


class OpenReservoir(ReservoirFault):
    """The first capacitor is disconnected: hardly any capacitance is left."""

    name, description = "open-reservoir", "the reservoir capacitor is disconnected"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Remove the capacitance."""
        return self.with_reservoir(defects, 1e-6)


class DriedReservoir(ReservoirFault):
    """Half of the first capacitor's capacitance is left, and its series resistance is twice as large."""

    name, description = "dried-reservoir", "the reservoir has dried out to half its capacitance"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Halve the capacitance."""
        return self.with_reservoir(defects, 0.5)


class DoubleLoad(LoadFault):
    """A second load is in parallel: half the resistance, or twice the current."""

    name, description = "double-load", "the load draws twice what it should"
    factor = 2.0


class HalfLoad(LoadFault):
    """Half of the load is disconnected: twice the resistance, or half the current."""

    name, description = "half-load", "the load draws half of what it should"
    factor = 0.5


class OpenLoadFault(LoadFault):
    """No current is drawn: the output rises to the peak, and the reservoir stays charged."""

    name, description = "open-load", "the load is disconnected"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Disconnect the load."""
        return self.with_load(defects, 1.0, is_open=True)


class DriftingResistor(LoadFault):
    """The load resistance grows by 8 % of its value a minute, like a resistor whose film or clamp is failing."""

    name, description = "drifting-resistor", "the load resistor creeps upwards by 8 % a minute"

    def check_supply(self) -> None:
        """Raise `BadInput` for a load that is no resistor."""
        super().check_supply()
        if not isinstance(self.supply.parts.load, ResistorLoad):
            raise BadInput(f"{self.name}: the load of this supply is no resistor")

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:
        """Increase the resistance with the fault's age."""
        return self.with_load(defects, 1.0 / (1.0 + 0.08 * age / 60.0))


class MainsSag(CircuitFault):
    """The mains falls to 80 % of what was set, as behind a long lead when a large load starts."""

    name, description = "mains-sag", "the mains falls to 80 %"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Lower the mains."""
        return replace(defects, mains=0.8 * defects.mains)


class MainsSurge(CircuitFault):
    """The mains rises to 112 % of what was set."""

    name, description = "mains-surge", "the mains rises to 112 %"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Raise the mains."""
        return replace(defects, mains=1.12 * defects.mains)


class MainsFailure(CircuitFault):
    """There is no voltage at the socket: everything discharges and cools."""

    name, description = "mains-failure", "the mains fails"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Remove the mains voltage."""
        return replace(defects, mains=0.0)


class DistortedMains(CircuitFault):
    """Third and fifth harmonics flatten the top of the mains voltage: rms stays, peak and reservoir voltage fall."""

    name, description = "distorted-mains", "the mains voltage has a flat top: 9 % more distortion"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Flatten the top of the mains voltage."""
        return replace(defects, mains_distortion=0.09 + defects.mains_distortion)


class LooseTerminal(CircuitFault):
    """A bad joint of 8 Ω lies in the primary circuit, behind the meters: its drop and heat are not measured."""

    name, description = "loose-terminal", "a bad joint of 8 Ω in the primary circuit"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Add the joint."""
        return replace(defects, primary_ohms=8.0 + defects.primary_ohms)


class StuckRelay(CircuitFault):
    """The contacts of the relay in the mains have welded: it reports off, and the mains stays on."""

    name, description = "stuck-relay", "the switch in the mains says it is off, but its contacts have welded"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Weld the contacts."""
        return replace(defects, stuck=True)


class LostCooling(CircuitFault):
    """Every thermal resistance to ambient is 2.5 times as large: all parts slowly reach much higher temperatures."""

    name, description = "lost-cooling", "fan or draught is gone: everything gets hotter"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (part of CircuitFault's interface)
        """Raise every thermal resistance."""
        return replace(defects, cooling=2.5 * defects.cooling)


class HotRoom(CircuitFault):
    """The ambient warms by 5 K a minute, by 20 K at most."""

    name, description = "hot-room", "the air around the supply warms by 20 K"

    def modify(self, defects: SupplyDefects, age: float) -> SupplyDefects:
        """Warm the ambient."""
        return replace(defects, ambient_rise=defects.ambient_rise + min(20.0, 5.0 * age / 60.0))


CIRCUIT_FAULTS: tuple[type[CircuitFault], ...] = (
    OpenDiode,
    ShortedDiode,
    HalfWaveWiring,
    ReversedWinding,
    OpenReservoir,
    DriedReservoir,
    DoubleLoad,
    HalfLoad,
    OpenLoadFault,
    DriftingResistor,
    MainsSag,
    MainsSurge,
    MainsFailure,
    DistortedMains,
    LooseTerminal,
    StuckRelay,
    LostCooling,
    HotRoom,
)
