"""A circuit with defects as the collocation takes it: the stamped network, each diode's junction at its own heat."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from benchmon.bench import Bench
from benchmon.prediction.circuit import mains_wave, slopes, spread
from benchmon.prediction.collocation import Mesh, PeriodicSolution, charge_rates
from benchmon.prediction.defects import Defects
from benchmon.prediction.diode import Junction, conduct
from benchmon.prediction.diode_network import DiodeEquations, assemble_by_diode, differences
from benchmon.prediction.network import load_current, load_is_linear
from benchmon.prediction.parts import Parts
from benchmon.prediction.result import Floats
from benchmon.standards import SHORTED_DIODE

_OFF_CURVE, _STRAY_SIEMENS = 1e-3, 1e-4


@dataclass(frozen=True)
class DiodeCircuit:
    """The equations with each diode's junction, (b, d) of all diodes, as `PeriodicCircuit` takes them."""

    equations: DiodeEquations
    junction: tuple[Floats, Floats]

    @property
    def repeat(self) -> float:
        """A whole period of the mains, in radians."""
        return 2.0 * np.pi

    @property
    def needs_pivoting(self) -> bool:
        """Windings' currents have no diagonal to rely on."""
        return True

    @cached_property
    def angular_frequency(self) -> Floats:
        """Radians per second of the mains, (b,)."""
        return 2.0 * np.pi * self.equations.parts["mains.frequency"]

    @cached_property
    def exchange(self) -> Floats:
        """Nothing changes places over a whole period."""
        return np.eye(self.equations.size)

    def emf(self, angle: Floats) -> Floats:
        """Return one winding's EMF at mains angles (…), volts, (b, …)."""
        at = self.equations
        return mains_wave(at.parts, at.parts["mains.voltage"] * at.ratio, angle)

    def evaluate(self, y: Floats, mesh: Mesh) -> tuple[Floats, Floats, Floats, Floats]:
        """Return q, f and their derivatives at stage values y, as `PeriodicSystem` says."""
        at = self.equations
        current, conductance = self._diodes(y)
        inject = np.broadcast_to(-at.across.T, (len(y), *at.across.T.shape))
        f = spread(at.conductance, y) + spread(inject, current)
        f_slope = at.conductance[:, None, None] + slopes(inject, conductance, at.across)
        emf = self.emf(mesh.stages)
        for turns, unknown in zip(at.turns.tolist(), at.branches, strict=True):
            f[..., unknown] += turns * emf
        if not load_is_linear(at.bench):
            through, slope, _ = load_current(at, y @ at.loads.T)
            drawn = np.broadcast_to(-at.loads.T, (len(y), *at.loads.T.shape))
            f += spread(drawn, through)
            f_slope = f_slope + slopes(drawn, slope, at.loads)
        return spread(at.mass, y), f, np.broadcast_to(at.mass[:, None, None], f_slope.shape), f_slope

    def _diodes(self, y: Floats) -> tuple[Floats, Floats]:
        """Return current and conductance of the diodes that still are some, (b, …, d), at unknowns y (b, …, n)."""
        at = self.equations
        # No diode may be left, as in a half-wave circuit with its diode shorted: sizes are told, not inferred.
        alike = [1] * (y.ndim - 2)
        saturation, thermal = (
            value[:, list(at.conducting)].reshape(len(value), *alike, len(at.conducting)) for value in self.junction
        )
        ohms = at.parts["diode.series_resistance"].reshape(-1, *alike, 1)
        return conduct(y @ at.across.T, ohms, saturation, thermal)

    def all_diodes(self, y: Floats) -> tuple[Floats, Floats]:
        """Return current and voltage of every diode of the wiring, (b, …, d), at unknowns y (b, …, n)."""
        at = self.equations
        volts = y @ differences(at.wiring.diodes, at.size).T
        current = np.zeros_like(volts)
        current[..., list(at.shorted)] = volts[..., list(at.shorted)] / SHORTED_DIODE
        current[..., list(at.conducting)] = self._diodes(y)[0]
        return current, volts

    def currents(self, y: Floats, angle: Floats) -> Floats:  # noqa: ARG002 (a PeriodicCircuit)
        """Return what meshes follow: the windings' and the diodes' currents, (b, …, p)."""
        branches: Floats = y[..., list(self.equations.branches)]
        return np.concatenate([branches, self._diodes(y)[0]], axis=-1)

    def guess(self, mesh: Mesh) -> Floats:
        """Return stage values to start from: every node at common, no current."""
        at = self.equations
        return np.zeros((at.parts.variants, len(mesh.widths), 2, at.size))

    def is_answer(self, found: PeriodicSolution) -> NDArray[np.bool_]:
        """Return which variants, (b,), leave no current unaccounted for at any node."""
        rest = np.abs(charge_rates(self, found) - self.evaluate(found.y, found.mesh)[1])
        most = np.max(np.abs(self.currents(found.y, found.mesh.stages)), axis=(1, 2, 3))
        stray = _STRAY_SIEMENS * self.equations.parts["mains.voltage"] * self.equations.ratio
        met: NDArray[np.bool_] = (
            np.max(rest[..., : self.equations.wiring.nodes], axis=(1, 2, 3)) <= _OFF_CURVE * most + stray
        )
        return met

    def softened(self, factor: float) -> DiodeCircuit:
        """Return the circuit with diodes and loads whose corners are `factor` times wider."""
        saturation, thermal = self.junction
        equations = replace(self.equations, softness=factor)
        return replace(self, equations=equations, junction=(saturation, thermal * factor))

    def energy_lost(self, solution: PeriodicSolution) -> float:  # noqa: ARG002 (a PeriodicCircuit)
        """Return nothing: a faulty circuit is asked for to a few parts in a thousand."""
        return 0.0


def diode_circuit(bench: Bench, parts: Parts, defects: Defects, celsius: Floats) -> DiodeCircuit:
    """Return the circuit with the diodes' junctions at `celsius` (b, d)."""
    values = ("diode.saturation_current", "diode.emission_coefficient", "diode.series_resistance")
    junction = Junction(*(parts[name][:, None] for name in values))
    saturation, thermal = junction.at(celsius)
    return DiodeCircuit(assemble_by_diode(bench, parts, defects), (saturation, np.broadcast_to(thermal, celsius.shape)))
