"""The reservoir circuit once more, integrated by scipy: another method, written from the circuit's equations."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy

from benchmon_simulated import SupplyUnderTest
from support.supplies import SMOOTHING, easy

PERIODS = 25


class ReferenceBridge:
    """A bridge into a capacitor and a resistor, with the very parts of a simulated supply."""

    def __init__(self, supply, frequency, volts, ambient):
        parts = supply.parts
        self.omega = 2 * math.pi * frequency
        self.peak = math.sqrt(2) * volts * parts.ratio
        self.ohms = parts.secondary_resistance + parts.primary_resistance * parts.ratio**2
        self.ohms += 2 * parts.diode.series_resistance
        self.inductance = parts.leakage
        self.slope = 2 * parts.diode.slope_voltage(ambient)
        self.saturation = parts.diode.saturation_at(ambient)
        self.capacitance, self.esr = parts.filter[0].capacitance, parts.filter[0].esr
        self.load = parts.load.resistance
        self.share = self.load / (self.load + self.esr)

    def emf(self, time):
        return self.peak * abs(math.sin(self.omega * time))

    def output(self, charged_to, current):
        return self.share * (charged_to + self.esr * current)

    def current(self, time, charged_to):
        """Return the current without inductance, by scipy's Wright omega."""
        ohms = self.ohms + self.esr * self.share
        drive = self.emf(time) - self.share * charged_to
        z = math.log(self.saturation * ohms / self.slope) + (drive + self.saturation * ohms) / self.slope
        return self.slope / ohms * float(scipy.special.wrightomega(z).real) - self.saturation

    def charging(self, charged_to, current):
        return (current - self.output(charged_to, current) / self.load) / self.capacitance

    def last_period(self):
        """Return time, output voltage and current of the last of many periods."""
        end, start = PERIODS / (self.omega / (2 * math.pi)), (PERIODS - 1) / (self.omega / (2 * math.pi))
        times = np.linspace(start, end, 4001)
        if self.inductance:
            return times, *self._with_inductance(end, times)
        solution = scipy.integrate.solve_ivp(
            lambda time, state: [self.charging(state[0], self.current(time, state[0]))],
            (0, end), [0.9 * self.peak], method="LSODA", t_eval=times, rtol=1e-8, atol=1e-9, max_step=2e-4,
        )  # fmt: skip
        current = np.array([self.current(*pair) for pair in zip(times, solution.y[0], strict=True)])
        return times, self.output(solution.y[0], current), current

    def _with_inductance(self, end, times):
        """Switch between conducting and blocking at the moments where the current begins and ends."""
        state, time, conducting = [0.9 * self.peak, 0.0], 0.0, False
        found = [[], [], []]
        while time < end:
            event = self._current_ends if conducting else self._current_begins
            piece = scipy.integrate.solve_ivp(
                self._conducting if conducting else self._blocking,
                (time, end), state, method="LSODA", events=event, rtol=1e-8, atol=1e-9, max_step=1e-4,
            )  # fmt: skip
            for column, values in zip(found, (piece.t, *piece.y), strict=True):
                column.extend(values[1:])
            time, state, conducting = piece.t[-1] + 1e-9, [piece.y[0][-1], 0.0], not conducting
        voltage, current = (np.interp(times, found[0], column) for column in found[1:])
        return self.output(voltage, current), current

    def _conducting(self, time, state):
        charged_to, current = state[0], max(state[1], 0.0)
        drop = self.ohms * current + self.slope * math.log1p(current / self.saturation)
        return [
            self.charging(charged_to, current),
            (self.emf(time) - drop - self.output(charged_to, current)) / self.inductance,
        ]

    def _blocking(self, _, state):
        return [self.charging(state[0], 0.0), 0.0]

    def _current_ends(self, _, state):
        return state[1] + 1e-7

    def _current_begins(self, time, state):
        return self.emf(time) - self.output(state[0], 0.0) - 1e-6


ReferenceBridge._current_ends.terminal = True
ReferenceBridge._current_ends.direction = -1
ReferenceBridge._current_begins.terminal = True
ReferenceBridge._current_begins.direction = 1


@pytest.mark.parametrize("leakage", ["0 H", "200 µH"])
def test_a_bridge_with_reservoir_is_as_scipy_integrates_it(leakage):
    transformer = 'primary_voltage = "230 V"\nopen_circuit_voltage = "20 V"\nprimary_resistance = "20 Ω"\n'
    transformer += f'secondary_resistance = "0.15 Ω"\nleakage_inductance = "{leakage}"'
    supply = SupplyUnderTest(easy(SMOOTHING, transformer=transformer), seed=11)
    supply.advance(3.0)
    # The windings warm within minutes; a moment after the start they are as good as cold.
    values = supply.snapshot.values
    reference = ReferenceBridge(
        supply, values["mains.frequency"], values["mains.voltage.rms"], values["diode.temperature.junction"]
    )
    time, voltage, current = reference.last_period()
    period = time[-1] - time[0]
    expected = {
        "output.voltage.mean": np.trapezoid(voltage, time) / period,
        "output.voltage.ripple": np.ptp(voltage),
        "output.voltage.ac_rms": voltage.std(),
        "secondary.current.rms": math.sqrt(np.trapezoid(current**2, time) / period),
        "diode.current.mean": np.trapezoid(current, time) / period / 2,
        "diode.current.peak": current.max(),
    }
    assert {name: values[name] for name in expected} == pytest.approx(expected, rel=1.5e-3)
