"""Faults of the supply under test."""

from __future__ import annotations

from dataclasses import replace
from typing import ClassVar

from benchmon.bench import OpenLoad, ResistorLoad
from benchmon.errors import BadInput
from benchmon_simulated.faults.base import CircuitFault
from benchmon_simulated.supply.diode_network import OPEN, SHORTED
from benchmon_simulated.supply.parts import SupplyDefects


def _with_diodes(defects: SupplyDefects, conditions: dict[int, str]) -> SupplyDefects:
    return replace(defects, diodes={**defects.diodes, **conditions})


class OpenDiode(CircuitFault):
    """The diode is a break: its path never conducts, and what is left of a full-wave rectifier is half of it."""

    name, description = "open-diode", "one diode no longer conducts"
    strikes: ClassVar[str] = "diode"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Break the diode."""
        return _with_diodes(defects, {self.number: OPEN})


class ShortedDiode(CircuitFault):
    """The diode is a wire.

    In every other half period its winding is shorted through another diode, and only its own resistance and the
    primary circuit's limit the current, until the fuse melts.
    """

    name, description = "shorted-diode", "one diode conducts both ways and shorts its winding, until the fuse melts"
    strikes: ClassVar[str] = "diode"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Short the diode."""
        return _with_diodes(defects, {self.number: SHORTED})


class HalfWaveWiring(CircuitFault):
    """Only one diode is wired in: the winding's other end goes straight to the common line (bridge), or nowhere."""

    name, description = "half-wave-wiring", "a full-wave rectifier is wired as half-wave"

    def refuse_misfit(self) -> None:
        """Refuse what is half-wave anyway."""
        if not self.supply.wiring.backwards:
            raise BadInput(f"{self.name}: this rectifier is half-wave already")

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Leave one half of the rectifier."""
        missing, wires = self.supply.wiring.topology.wired_as_half_wave
        return _with_diodes(defects, dict.fromkeys(missing, OPEN) | dict.fromkeys(wires, SHORTED))


class ReversedWinding(CircuitFault):
    """The winding's EMF is turned round.

    Two in series cancel, two in parallel drive a large current round each other, and the halves of a centre tap
    conduct at the same time.
    """

    name, description = "reversed-winding", "one of two secondary windings is connected the wrong way round"
    strikes: ClassVar[str] = "winding"
    default_number: ClassVar[int] = 2

    def refuse_misfit(self) -> None:
        """Refuse a single winding: its direction does not matter."""
        if self.supply.wiring.windings < 2:
            raise BadInput(f"{self.name}: this supply uses one winding, whose direction does not matter")

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Turn the winding."""
        return replace(defects, reversed_windings=defects.reversed_windings | {self.number})


class _OfTheReservoir(CircuitFault):
    def refuse_misfit(self) -> None:
        """Refuse a supply without a capacitor."""
        if not self.supply.has_reservoir:
            raise BadInput(f"{self.name}: this supply has no reservoir capacitor")


class OpenReservoir(_OfTheReservoir):
    """The first capacitor is off: hardly any capacitance is left, and no charge flows."""

    name, description = "open-reservoir", "the reservoir capacitor is disconnected"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Take the capacitor away."""
        return replace(defects, reservoir_left=1e-6)


class DriedReservoir(_OfTheReservoir):
    """Half of the first capacitor's capacitance is left, and its series resistance is twice as large."""

    name, description = "dried-reservoir", "the reservoir has dried out to half its capacitance"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Halve the capacitance."""
        return replace(defects, reservoir_left=0.5 * defects.reservoir_left)


class _OfTheLoad(CircuitFault):
    factor: ClassVar[float] = 1.0

    def refuse_misfit(self) -> None:
        """Refuse a supply without a load."""
        if isinstance(self.supply.parts.load, OpenLoad):
            raise BadInput(f"{self.name}: this supply has no load")

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Change what the load draws."""
        return replace(defects, load=self.factor * defects.load)


class DoubleLoad(_OfTheLoad):
    """A second load is in parallel: half the resistance, or twice the current."""

    name, description = "double-load", "the load draws twice what it should"
    factor = 2.0


class HalfLoad(_OfTheLoad):
    """Half of the load is off: twice the resistance, or half the current."""

    name, description = "half-load", "the load draws half of what it should"
    factor = 0.5


class OpenLoadFault(_OfTheLoad):
    """Nothing is drawn: the output rises to the peak, and the reservoir stays charged."""

    name, description = "open-load", "the load is disconnected"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Take the load off."""
        return replace(defects, load_open=True)


class DriftingResistor(CircuitFault):
    """The load resistor grows by 8 % of its value a minute, as one does whose film or clamp gives way."""

    name, description = "drifting-resistor", "the load resistor creeps upwards by 8 % a minute"

    def refuse_misfit(self) -> None:
        """Refuse a load that is no resistor."""
        if not isinstance(self.supply.parts.load, ResistorLoad):
            raise BadInput(f"{self.name}: the load of this supply is no resistor")

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:
        """Let the resistance grow with the fault's age."""
        return replace(defects, load=defects.load / (1.0 + 0.08 * age / 60.0))


class MainsSag(CircuitFault):
    """The mains falls to 80 % of what was set, as behind a long lead when something large starts."""

    name, description = "mains-sag", "the mains falls to 80 %"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Lower the mains."""
        return replace(defects, mains=0.8 * defects.mains)


class MainsSurge(CircuitFault):
    """The mains rises to 112 % of what was set."""

    name, description = "mains-surge", "the mains rises to 112 %"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Raise the mains."""
        return replace(defects, mains=1.12 * defects.mains)


class MainsFailure(CircuitFault):
    """There is no voltage at the socket: everything discharges and cools."""

    name, description = "mains-failure", "the mains fails"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Take the voltage away."""
        return replace(defects, mains=0.0)


class DistortedMains(CircuitFault):
    """Third and fifth harmonics flatten the top of the mains voltage: rms stays, peak and reservoir voltage fall."""

    name, description = "distorted-mains", "the mains voltage has a flat top: 9 % more distortion"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Flatten the mains."""
        return replace(defects, mains_distortion=0.09 + defects.mains_distortion)


class LooseTerminal(CircuitFault):
    """A bad joint of 8 Ω lies in the primary circuit, behind the meters: it drops and dissipates where nobody looks."""

    name, description = "loose-terminal", "a bad joint of 8 Ω in the primary circuit"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Add the joint."""
        return replace(defects, primary_ohms=8.0 + defects.primary_ohms)


class StuckRelay(CircuitFault):
    """The contacts of the relay in the mains have welded: it says that it is off, and the mains stays on."""

    name, description = "stuck-relay", "the switch in the mains says it is off, but its contacts have welded"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Weld the contacts."""
        return replace(defects, stuck=True)


class LostCooling(CircuitFault):
    """Every thermal resistance to the air is 2.5 times as large: all parts creep towards much higher temperatures."""

    name, description = "lost-cooling", "fan or draught is gone: everything gets hotter"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:  # noqa: ARG002 (a CircuitFault)
        """Insulate everything."""
        return replace(defects, cooling=2.5 * defects.cooling)


class HotRoom(CircuitFault):
    """The air around the supply warms by 5 K a minute, by 20 K at most."""

    name, description = "hot-room", "the air around the supply warms by 20 K"

    def alter(self, defects: SupplyDefects, age: float) -> SupplyDefects:
        """Warm the air."""
        return replace(defects, air=defects.air + min(20.0, 5.0 * age / 60.0))


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
