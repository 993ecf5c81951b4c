"""What leakage takes from a reservoir without a load, against integrals of Shockley's current and stepped supplies."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from benchmon.bench import load_bench
from benchmon.prediction import predict
from benchmon.prediction.circuit.leakage import effects_of_leakage
from benchmon.prediction.predict import with_load
from benchmon_simulated import Effects, SupplyUnderTest
from benchmon_simulated.scenarios import scenario_named
from support.supplies import SMOOTHING, easy

OPEN = 'kind = "open"'


def balanced(wave, slope, saturation, leaking):
    """Return the volts at which the mean of Shockley's current over a wave is `leaking` amperes, by bisection."""

    def surplus(volts):
        return saturation * float(np.mean(np.expm1((wave - volts) / slope))) - leaking

    return brentq(surplus, 0.0, float(wave.max()))


@pytest.mark.parametrize("crest", [1.0, 0.9])
def test_the_drop_is_that_of_shockleys_current_averaged_over_any_wave(crest):
    bench = easy(SMOOTHING, load=OPEN)
    slope, saturation = 2 * 1.8 * 8.617333e-5 * 298.15, 10e-9
    wave = np.minimum(np.abs(np.sin(np.linspace(0.0, 2.0 * np.pi, 20001))), crest) * 2.8
    without = balanced(wave, slope, saturation, 0.0)
    leaking = without * (4.7e-3 / 100.0 + 1e-7)
    drop = effects_of_leakage(bench, {"output.voltage.mean": without})["output.voltage.mean"]
    assert without - balanced(wave, slope, saturation, leaking) == pytest.approx(drop, rel=1e-3)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("volts", [23.0, 230.0])
def test_a_sound_supply_without_load_reads_within_what_is_predicted(seed, volts):
    bench = load_bench(scenario_named("reservoir").path)
    supply = SupplyUnderTest(bench, seed, Effects(mains=False), interpolated=True)
    supply.set_load("open")
    supply.set_mains(volts)
    discharge(supply)
    read = supply.advance(20.0, each=0.5).values
    expected = predict(bench, mains_voltage=read["mains.voltage.rms"], load="open")
    for name in ("output.voltage.mean", "reservoir.voltage.peak", "diode.voltage.reverse_peak"):
        found = expected.quantities[name]
        assert abs(read[name] - found.value) <= found.uncertainty, name


def discharge(supply):
    """Let a resistor empty the reservoir before the mains comes."""
    supply.switch_off()
    supply.set_load(1.0)
    supply.advance(2.0, each=0.25)
    supply.set_load("open")
    supply.switch_on()


def test_it_belongs_to_reservoirs_without_a_load_alone():
    loaded, without_filter = easy(SMOOTHING), easy(load=OPEN)
    levels = {"output.voltage.mean": 27.0, "reservoir.voltage.mean": 27.0}
    assert effects_of_leakage(loaded, levels) == {}
    assert effects_of_leakage(without_filter, levels) == {}
    regulated = load_bench(scenario_named("regulated").path)
    assert effects_of_leakage(with_load(regulated, "open"), levels) == {}
    open_one = effects_of_leakage(with_load(loaded, "open"), levels)
    assert set(open_one) == set(levels)
    # The leakage that a data sheet allows, 0.01·C·U, through two diodes.
    amperes = 0.01e-6 * 4700.0 * 27.0
    assert open_one["output.voltage.mean"] == pytest.approx(2 * 1.8 * 0.02569 * math.log(amperes / 10e-9), rel=0.01)
