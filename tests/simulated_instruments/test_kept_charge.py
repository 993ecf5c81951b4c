"""A reservoir without a load keeps its charge, loses it by leakage, and gets none from nowhere."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import i0e

from benchmon.bench import load_bench
from benchmon_simulated import Effects, OfflineBench, SupplyUnderTest
from benchmon_simulated.scenarios import scenario_named
from benchmon_simulated.supply.parts import SupplyDefects
from support.supplies import SMOOTHING, easy

QUIET = Effects(mains=False)
BOTH = pytest.mark.parametrize("effects", [Effects.none(), QUIET], ids=["ideal", "real"])
VOLTS = "output.voltage.mean"


def stepped(supply, seconds, quantity=VOLTS):
    return supply.advance(seconds, each=0.25).values[quantity]


def bench_of(name):
    return load_bench(scenario_named(name).path)


@pytest.mark.parametrize("interpolated", [False, True])
def test_a_load_that_is_taken_away_leaves_what_the_reservoir_had(interpolated):
    supply = SupplyUnderTest(bench_of("reservoir"), 1, interpolated=interpolated)
    stepped(supply, 5.0)
    supply.set_mains(23.0)
    for seconds in (6.0, 4.0):
        loaded = stepped(supply, seconds)
        assert loaded < 1.1
        supply.set_load("open")
        without = stepped(supply, 4.0)
        # No more than the peak of the winding: 23 V of 230 V on 19.6 V.
        assert loaded < without < math.sqrt(2.0) * 19.7 * 0.1005
        supply.restore_load()


@BOTH
def test_mains_that_are_turned_down_take_nothing_from_a_reservoir_without_load_and_up_fill_it_at_once(effects):
    offline = OfflineBench(bench_of("reservoir"), 1, effects)
    supply = offline.supply
    supply.set_load("open")
    full = offline.values(20.0)[VOLTS]
    supply.set_mains(23.0)
    turned_down = offline.values(20.25)
    assert turned_down[VOLTS] == pytest.approx(full, rel=1e-3)
    assert turned_down["secondary.voltage.rms"] == pytest.approx(0.1 * 19.7, rel=0.02)
    assert turned_down["diode.current.mean"] == pytest.approx(0.0, abs=1e-6)
    supply.switch_off()
    later = offline.values(60.0)[VOLTS]
    assert 0.95 * full < later < full
    supply.switch_on()
    supply.set_mains(245.0)
    assert offline.values(62.0)[VOLTS] == pytest.approx(full * 245.0 / supply.parts.mains_voltage, rel=0.01)


@BOTH
@pytest.mark.parametrize("mains", [0.0, 60.0])
def test_stored_charge_falls_as_the_leakage_of_capacitor_and_meter_says(effects, mains):
    # The law of RC discharge. Two diodes in series block besides, of 0.1 µS each where the circuit has them.
    offline = OfflineBench(bench_of("reservoir"), 3, effects)
    supply = offline.supply
    supply.set_load("open")
    offline.advance(20.0)
    supply.set_mains(mains)
    first, later = (offline.values(time)[VOLTS] for time in (25.0, 625.0))
    parts = supply.parts
    time_constant = 1.0 / (1.0 / parts.self_discharge + 1e-7 / parts.filter[0].capacitance)
    assert math.log(first / later) == pytest.approx(600.0 / time_constant, rel=0.05)


def test_without_a_load_the_reservoir_settles_where_the_rectifier_gives_what_leaks():
    # The mean over a period of Shockley's current is Is·(exp(−V/a)·I0(v/a) − 1), with v the peak and a the slope of
    # both diodes in the path (I0: Abramowitz and Stegun 9.6.16). Two such paths take turns in a bridge.
    supply = SupplyUnderTest(bench_of("reservoir"), 2, interpolated=True)
    supply.set_load("open")
    supply.set_mains(23.0)
    supply.switch_off()
    supply.set_load(1.0)
    stepped(supply, 2.0)
    supply.set_load("open")
    supply.switch_on()
    found = stepped(supply, 30.0)
    values, parts = supply.snapshot.values, supply.parts
    law = parts.diode
    slope = 2.0 * law.slope_voltage(parts.ambient)
    peak = math.sqrt(2.0) * values["secondary.voltage.rms"]
    leaking = found * (parts.filter[0].capacitance / parts.self_discharge + 1e-7)
    # |cos| spends twice the time of cos at the top.
    balance = 2.0 * i0e(peak / slope) / (1.0 + leaking / law.saturation_at(parts.ambient))
    assert found == pytest.approx(peak + slope * math.log(balance), abs=0.02)


ACTS = st.one_of(
    st.tuples(st.just("mains"), st.sampled_from([0.0, 23.0, 115.0, 200.0, 230.0, 245.0])),
    st.tuples(st.just("load"), st.sampled_from(["open", "open", 10.0, 2e3, 1e6])),
    st.tuples(st.just("power"), st.booleans()),
    st.tuples(st.just("fault"), st.sampled_from([{}, {"load": 2.0}, {"mains": 0.8}, {"load_open": True}])),
)


@settings(max_examples=15)
@given(
    kind=st.sampled_from(["half wave", "centre tap", "bridge"]),
    acts=st.lists(st.tuples(ACTS, st.sampled_from([0.25, 1.0, 6.0, 40.0])), min_size=3, max_size=8),
)
def test_no_reservoir_ever_holds_more_than_it_was_charged_to(kind, acts):
    transformer = 'primary_voltage = "230 V"\nopen_circuit_voltage = "20 V"\nprimary_resistance = "6 Ω"\n'
    transformer += 'secondary_resistance = "0.2 Ω"\nsecondaries = 2\nconnection = "series"'
    bench = easy(SMOOTHING, rectifier=f'kind = "{kind}"', transformer=transformer)
    supply = SupplyUnderTest(bench, 4, interpolated=True)
    windings = 1 if kind == "centre tap" else 2
    held = supply.advance(1.0).values["reservoir.voltage.mean"]
    for (what, value), seconds in acts:
        if what == "mains":
            supply.set_mains(value)
        elif what == "load":
            supply.set_load(value)
        elif what == "power":
            (supply.switch_on if value else supply.switch_off)()
        else:
            supply.defects = SupplyDefects(**value)
        for part in (0.02, seconds):
            shot = supply.advance(part, each=min(part, 1.0))
            now = shot.values["reservoir.voltage.mean"]
            given_now = windings * float(np.abs(shot.waveforms["secondary.voltage"]).max())
            # The mains swings by half a per cent meanwhile.
            assert now <= max(held, 1.01 * given_now) + 0.01
            held = now
