"""A handbook's value of a quantity for ideal parts, and the numbers of a supply that its formula takes."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchmon.bench import Bench, Capacitor, Choke, CurrentLoad, ResistorLoad
from benchmon.prediction.circuit.rectifier import wiring_of
from benchmon.quantities import format_value


@dataclass(frozen=True)
class WorkStep:
    """One line of a calculation: `name` = `formula`, which gives `value` in `unit`."""

    name: str
    formula: str
    value: float
    unit: str


@dataclass(frozen=True)
class Handbook:
    """A handbook's value for ideal parts, by its `steps`, the last of which is the value; None where there is none.

    `rule` is what an engineer would write on the back of an envelope instead, with the usual drop of the diodes.
    """

    steps: tuple[WorkStep, ...] = ()
    source: str = ""
    rule: WorkStep | None = None

    @property
    def value(self) -> float | None:
        """The value, in the unit of the quantity; None where there is no formula."""
        return self.steps[-1].value if self.steps else None

    @property
    def result(self) -> float:
        """The value where there is a formula. Raises `IndexError` where there is none."""
        return self.steps[-1].value


@dataclass(frozen=True)
class Cascade:
    """What a cascade of equal capacitors loses under load, in multiples of the volts q/C that a period's charge makes.

    `mean` is how far the mean of the output lies below its multiple of the winding's peak, `ripple` what its ripple is.
    The capacitor with the meters is charged to `held` peaks less `falls`, and ripples by `waves`.
    """

    mean: float
    ripple: float
    held: int
    falls: float
    waves: float


CASCADES: dict[str, Cascade] = {
    # The coupling capacitor is full at the one peak of the winding and gives q to the reservoir at the other.
    "half-wave doubler": Cascade(mean=1.5, ripple=1.0, held=2, falls=1.0, waves=1.0),
    # The first capacitor is full at one peak, gives q/2 to the load and q to the second until the other, and q/2 more
    # to the load until it is full again; the second so gets 2 peaks less 1.5·q/C, and the third that less q/C.
    "tripler": Cascade(mean=4.0, ripple=3.0, held=1, falls=0.0, waves=2.0),
}
"""By the kind of rectifier. With instantaneous charge and straight discharge; for the doubler as in Kuffel, Zaengl and
Kuffel, High Voltage Engineering, chapter 2 (from memory), whose drop q/C of one stage is that of the output's peak."""


class SupplyNumbers:
    """The few numbers of a bench that handbook formulas take: volts, amperes, hertz, farads and ohms."""

    def __init__(self, bench: Bench, mains_voltage: float) -> None:
        self.bench, self.mains = bench, mains_voltage
        self.topology = bench.rectifier.topology
        self.frequency = bench.mains.frequency
        self.pulses = self.topology.ripple_order
        self.ohms = bench.load.resistance if isinstance(bench.load, ResistorLoad) else math.inf
        self.first = bench.filter[0] if bench.filter else None
        turns = wiring_of(bench).turns
        self.emf = bench.transformer.ratio * turns * mains_voltage
        self.peak = math.sqrt(2.0) * self.emf
        self.half = self.pulses == 1
        self.series_ohms = sum(part.resistance for part in bench.filter if not isinstance(part, Capacitor))

    @property
    def cascade(self) -> Cascade | None:
        """What the capacitors of a cascade lose; None for other rectifiers."""
        return CASCADES.get(self.bench.rectifier.kind)

    @property
    def is_known(self) -> bool:
        """Whether handbooks have this rectifier: one output of one winding, or a multiplier."""
        return self.cascade is not None or not self.topology.capacitors or self.topology.repeats_after_half

    @property
    def times(self) -> int:
        """How many capacitors, each charged to the peak, are in series at the output."""
        return max(1, len(self.topology.capacitors))

    @property
    def charges(self) -> int:
        """How often in a period of the mains a first capacitor is charged."""
        return 1 if self.topology.capacitors else self.pulses

    def winding(self) -> list[WorkStep]:
        """Return the step from the winding's rms voltage to its peak."""
        return [WorkStep("Vp, peak of the winding", f"√2 × {volts_text(self.emf)}", self.peak, "V")]

    def current(self) -> WorkStep:
        """Return the step of the load's direct current behind a reservoir."""
        regulator, load = self.bench.regulator, self.bench.load
        if isinstance(load, CurrentLoad):
            return WorkStep("I, load", "given", load.current, "A")
        if math.isinf(self.ohms):
            return WorkStep("I, load", "none", 0.0, "A")
        ohms = format_value(self.ohms, "Ω")
        if regulator is not None:
            value = regulator.output_voltage
            return WorkStep("I, load", f"{volts_text(value)} / {ohms}", value / self.ohms, "A")
        level, whole = self.times * self.peak, self.ohms + self.series_ohms
        # Vdc = n·Vp − k·I/(f·C) with I = Vdc/R, solved for Vdc: n·Vp/(1 + k/(f·C·R)).
        mean = level / (1.0 + self._falls / (self.frequency * self._farads * whole))
        loss = f"{self._falls:g}" if self._falls >= 1.0 else "1"
        rate = "" if self._falls >= 1.0 else f"{1.0 / self._falls:g}·"
        formula = f"{self._level} / (R + {loss}/({rate}f·C)), R = {format_value(whole, 'Ω')}"
        return WorkStep("I, load", formula, mean / whole, "A")

    @property
    def _falls(self) -> float:
        """How far the mean lies below the multiple of the peak, in I/(f·C); each capacitor by half of its ripple."""
        if self.cascade is not None:
            return self.cascade.mean
        return self.times / (2.0 * self.charges)

    @property
    def _level(self) -> str:
        return f"{self.times} × Vp" if self.times > 1 else "Vp"

    @property
    def _farads(self) -> float:
        return self.first.capacitance if isinstance(self.first, Capacitor) else math.nan

    def charge_volts(self) -> list[WorkStep]:
        """Return the steps to what the charge of one period makes on one capacitor: I/(f·C)."""
        current = self.current()
        volts = current.value / (self.frequency * self._farads)
        formula = f"I / (f·C), C = {format_value(self._farads, 'F')}"
        return [current, WorkStep("q/C, charge of a period", formula, volts, "V")]

    def reservoir_ripple(self) -> list[WorkStep]:
        """Return the steps to the ripple of one reservoir: I/(m·f·C) with m charges a period."""
        if self.cascade is not None:
            current, charge = self.charge_volts()
            times = self.cascade.waves
            ripple = WorkStep("Vr, ripple of the reservoir", f"{times:g} × q/C", times * charge.value, "V")
            return [current, charge, ripple]
        current = self.current()
        rate = f"{self.charges}·" if self.charges > 1 else ""
        value = current.value / (self.charges * self.frequency * self._farads)
        formula = f"I / ({rate}f·C), C = {format_value(self._farads, 'F')}"
        return [current, WorkStep("Vr, ripple of the reservoir", formula, value, "V")]

    def passed(self) -> tuple[float, str] | None:
        """Return the part of the ripple that the sections after the reservoir pass, and its formula.

        None where the sections are not pairs of a series part and a capacitor, or their ripple is no saw-tooth.
        """
        sections = self.bench.filter[1:]
        if not sections:
            return 1.0, ""
        if len(sections) % 2 or (self.cascade is not None and self.cascade.ripple != 1.0):
            return None
        factor, words = 2.0 / math.pi, ["2/π"]
        omega = 2.0 * math.pi * self.pulses * self.frequency
        for series, across in zip(sections[::2], sections[1::2], strict=True):
            if isinstance(series, Capacitor) or not isinstance(across, Capacitor):
                return None
            if isinstance(series, Choke):
                factor /= abs(omega**2 * series.inductance * across.capacitance - 1.0)
                words.append("1/(ω²LC − 1)")
            else:
                factor /= math.hypot(1.0, omega * series.resistance * across.capacitance)
                words.append("1/√(1 + (ωRC)²)")
        return factor, " × ".join(words)


def volts_text(volts: float) -> str:
    """Return volts as text with their unit."""
    return format_value(volts, "V")
