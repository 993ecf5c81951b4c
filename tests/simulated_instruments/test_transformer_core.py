"""The simulated transformer's core, against scipy with the flux as a state, and by the balance of energy."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy

from benchmon_simulated import Effects, SupplyUnderTest
from benchmon_simulated.supply.core import usual_no_load
from support.supplies import SMOOTHING, easy

CORE_ALONE = Effects(mains=False, leakage=False, parts=False, heat=False, meters=False)
TRANSFORMER = (
    'primary_voltage = "230 V"\nopen_circuit_voltage = "20 V"\nprimary_resistance = "18 Ω"\n'
    'secondary_resistance = "0.15 Ω"\nrating = "50 VA"\nleakage_inductance = "{}"\n'
    'no_load_current = "45 mA"\nno_load_loss = "3 W"\n'
)
MAINS = 'voltage = "{} V"\nfrequency = "50 Hz"\nsource_resistance = "0.5 Ω"\nharmonics = []'
PERIODS = 150


class ReferenceSupply:
    """A half wave or bridge rectifier, a capacitor and a resistor behind a core, with a simulated supply's parts."""

    def __init__(self, supply):
        parts, values = supply.parts, supply.snapshot.values
        junction = values["diode.temperature.junction"]
        self.bridge = supply.wiring.kind == "bridge"
        self.frequency = values["mains.frequency"]
        self.peak = math.sqrt(2.0) * float(supply._mains.level(supply.snapshot.time))
        self.curve, self.ratio, self.load = parts.curve, parts.ratio, parts.load.resistance
        self.primary = parts.source_resistance + parts.primary_resistance
        self.loss = parts.curve.conductance(self.peak / math.sqrt(2.0))
        self.inner = self.primary / (1.0 + self.primary * self.loss)
        diodes = 2 if self.bridge else 1
        self.capacitance, esr = parts.filter[0].capacitance, parts.filter[0].esr
        self.share = self.load / (self.load + esr)
        self.esr = esr * self.share
        self.ohms = parts.secondary_resistance + self.inner * self.ratio**2
        self.ohms += diodes * parts.diode.series_resistance + self.esr
        self.slope = diodes * parts.diode.slope_voltage(junction)
        self.saturation = parts.diode.saturation_at(junction)

    def mains(self, time):
        return self.peak * math.sin(2.0 * math.pi * self.frequency * time)

    def currents(self, time, flux, charged_to):
        """Return the winding's, the magnetising and the line current, and the volts across the primary's inductance."""
        magnetising = self.curve.current(flux)
        driving = (self.mains(time) - self.primary * magnetising) * self.inner / self.primary
        sign = -1.0 if self.bridge and driving < 0.0 else 1.0
        drive = sign * self.ratio * driving - self.share * charged_to
        z = math.log(self.saturation * self.ohms / self.slope) + (drive + self.saturation * self.ohms) / self.slope
        winding = sign * (self.slope / self.ohms * float(scipy.special.wrightomega(z).real) - self.saturation)
        volts = driving - self.inner * self.ratio * winding
        return winding, magnetising, magnetising + self.loss * volts + self.ratio * winding, volts

    def rates(self, time, state):
        winding, _, _, volts = self.currents(time, *state)
        charging = abs(winding) - self.output(state[1], abs(winding)) / self.load
        return [volts, charging / self.capacitance]

    def output(self, charged_to, winding):
        return self.share * charged_to + self.esr * winding

    def last_period(self):
        """Return the output voltage, the winding's and the line current over the last of many periods."""
        end = PERIODS / self.frequency
        times = np.linspace(end - 1.0 / self.frequency, end, 2001)
        start = [-self.peak / (2.0 * math.pi * self.frequency), 0.9 * self.peak * self.ratio]
        found = scipy.integrate.solve_ivp(
            self.rates, (0.0, end), start, method="LSODA", t_eval=times, rtol=1e-7, atol=1e-9, max_step=3e-4
        )
        traces = [
            (self.output(charged_to, abs(winding)), winding, line)
            for time, flux, charged_to in zip(times, *found.y, strict=True)
            for winding, _, line, _ in [self.currents(time, flux, charged_to)]
        ]
        return np.array(traces[:-1]).T


@pytest.mark.parametrize(("kind", "volts"), [("bridge", 230), ("bridge", 250), ("half wave", 230)])
def test_a_supply_behind_a_core_is_as_scipy_integrates_it(kind, volts):
    bench = easy(
        SMOOTHING,
        rectifier=f'kind = "{kind}"',
        transformer=TRANSFORMER.format("0 H"),
        mains=MAINS.format(volts),
        load='kind = "resistor"\nresistance = "25 Ω"',
    )
    supply = SupplyUnderTest(bench, seed=11, effects=CORE_ALONE)
    supply.advance(4.0, each=4.0)
    values = supply.snapshot.values
    output, winding, line = ReferenceSupply(supply).last_period()
    spectrum = np.abs(np.fft.rfft(line))
    rms = math.sqrt(np.mean(line**2))
    expected = {
        "output.voltage.mean": output.mean(),
        "output.voltage.ripple": np.ptp(output),
        "secondary.current.rms": math.sqrt(np.mean(winding**2)),
        "mains.current.rms": rms,
        "mains.current.thd": math.sqrt(np.sum(spectrum[2:41] ** 2)) / spectrum[1],
        "mains.current.crest_factor": np.abs(line).max() / rms,
    }
    assert {name: values[name] for name in expected} == pytest.approx(expected, rel=4e-3)
    assert abs(supply.snapshot.waveforms["mains.current"].mean()) < 0.002 * rms


KINDS = ("half wave", "centre tap", "bridge", "split rail", "full-wave doubler")


@pytest.mark.parametrize("kind", KINDS)
def test_line_watts_are_copper_core_diodes_and_load(kind):
    windings = 2 if kind in ("centre tap", "split rail") else 1
    bench = easy(
        SMOOTHING,
        rectifier=f'kind = "{kind}"',
        transformer=TRANSFORMER.format("200 µH")
        + f"secondaries = {windings}\n"
        + 'connection = "series"\n' * (windings - 1),
        mains=MAINS.format(230),
    )
    supply = SupplyUnderTest(bench, seed=4, effects=CORE_ALONE)
    shot = supply.advance(6.0, each=6.0)
    value, parts, waves = shot.values, supply.parts, shot.waveforms
    line, volts = waves["mains.current"], waves["mains.voltage"]
    induced = volts - parts.primary_resistance * line
    core = parts.curve.conductance(value["mains.voltage.rms"]) * float(np.mean(induced**2))
    primary = parts.primary_resistance * float(np.mean(line**2))
    secondary = windings * parts.secondary_resistance * value["secondary.current.rms"] ** 2
    diodes = len(supply.wiring.diodes) * value["diode.power.mean"]
    rails = {"split rail": 2}.get(kind, 1)
    capacitors = 2 if kind in ("split rail", "full-wave doubler") else 1
    esr = capacitors * parts.reservoir_esr * value["reservoir.current.rms"] ** 2
    spent = rails * value["output.power.mean"] + diodes + secondary + primary + core + esr
    assert value["mains.power.active"] == pytest.approx(spent, rel=5e-3)
    assert core > 2.0


def test_unloaded_the_no_load_figures_of_the_bench_file_are_met_at_rated_volts():
    bench = easy(load='kind = "open"', transformer=TRANSFORMER.format("0 H"), mains=MAINS.format(230))
    for seed in range(4):
        values = SupplyUnderTest(bench, seed, CORE_ALONE).advance(3.0, each=3.0).values
        # 5 % of the part's own spread, and the mains' wander of half a per cent times a steepness of up to 8.
        assert values["mains.current.rms"] == pytest.approx(0.045, rel=0.1)
        assert values["mains.power.active"] == pytest.approx(3.0, rel=0.1)


def test_the_no_load_current_is_peaky_and_grows_steeply_with_the_mains():
    bench = easy(load='kind = "open"', transformer=TRANSFORMER.format("0 H"), mains=MAINS.format(230))
    for seed in range(3):
        supply = SupplyUnderTest(bench, seed, CORE_ALONE)
        supply.set_mains(230.0)
        before = supply.advance(3.0, each=3.0).values
        supply.set_mains(1.06 * 230.0)
        after = supply.advance(3.0, each=3.0).values
        assert 1.12 < after["mains.current.rms"] / before["mains.current.rms"] < 1.6
        assert 0.05 < before["mains.current.thd"] < 0.6
        assert 1.45 < before["mains.current.crest_factor"] < 2.6


def test_half_wave_magnetises_the_core_and_makes_even_harmonics():
    kinds = {}
    for kind in ("half wave", "bridge"):
        bench = easy(
            SMOOTHING,
            rectifier=f'kind = "{kind}"',
            transformer=TRANSFORMER.format("200 µH"),
            mains=MAINS.format(230),
            load='kind = "resistor"\nresistance = "40 Ω"',
        )
        kinds[kind] = SupplyUnderTest(bench, 1, CORE_ALONE).advance(6.0, each=6.0)
    even = {}
    for kind, shot in kinds.items():
        spectrum = np.abs(np.fft.rfft(shot.waveforms["mains.current"]))
        even[kind] = math.sqrt(np.sum(spectrum[2:41:2] ** 2)) / spectrum[1]
    assert even["half wave"] > 0.2
    assert even["bridge"] < 0.01
    assert kinds["half wave"].values["mains.power_factor"] < 0.8 * kinds["bridge"].values["mains.power_factor"]


def test_a_no_load_current_that_is_given_as_zero_is_zero_and_one_left_out_is_usual():
    zero = TRANSFORMER.format("0 H").replace("45 mA", "0 A").replace("3 W", "0 W")
    assert SupplyUnderTest(easy(transformer=zero), 1, CORE_ALONE).parts.curve is None
    left_out = "\n".join(line for line in TRANSFORMER.format("0 H").splitlines() if "no_load" not in line)
    bench = easy(load='kind = "open"', transformer=left_out, mains=MAINS.format(230))
    part, watts = usual_no_load(50.0)
    values = SupplyUnderTest(bench, 1, CORE_ALONE).advance(3.0, each=3.0).values
    assert values["mains.current.rms"] == pytest.approx(part * 50.0 / 230.0, rel=0.8)
    assert values["mains.power.active"] == pytest.approx(watts, rel=0.6)


def test_cutting_the_mains_leaves_no_line_current():
    supply = SupplyUnderTest(easy(SMOOTHING, transformer=TRANSFORMER.format("0 H")), 2, CORE_ALONE)
    supply.advance(1.0)
    supply.switch_off()
    assert supply.advance(0.5).values["mains.current.rms"] == pytest.approx(0.0, abs=1e-6)
