"""A simulated bench of real effects without lines: drawn from a seed, at any time, within what its parts allow."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchmon.bench import load_bench
from benchmon.errors import BadInput
from benchmon_simulated import Effects, OfflineBench, SupplyUnderTest
from benchmon_simulated.effects import SlowNoise
from benchmon_simulated.faults import FAULTS, FURTHER_FAULTS
from benchmon_simulated.scenarios import scenario_named
from support.supplies import SMOOTHING, easy

WINDINGS = (
    'primary_voltage = "230 V"\nopen_circuit_voltage = "20 V"\nprimary_resistance = "18 Ω"\n'
    'secondary_resistance = "0.15 Ω"\nrating = "50 VA"'
)
METERS = """
[[instrument]]
name = "meter"
driver = "hand"

[[channel]]
name = "line"
instrument = "meter"
quantity = "mains.current.rms"
accuracy = "0.5 % + 2 mA"
period = "2 s"

[[channel]]
name = "mains"
instrument = "meter"
quantity = "mains.voltage.rms"
accuracy = "0.2 % + 0.1 V"

[[channel]]
name = "output"
instrument = "meter"
quantity = "output.voltage.mean"
accuracy = "0.1 % + 10 mV"
"""


def supply_bench(mains='voltage = "230 V"\nfrequency = "50 Hz"', more=METERS):
    return easy(SMOOTHING + more, transformer=WINDINGS, mains=mains)


def test_the_same_seed_is_the_same_bench_and_another_is_another():
    logs = [list(OfflineBench(supply_bench(), seed).log(20.0)) for seed in (1, 1, 2)]
    assert logs[0] == logs[1]
    assert logs[0] != logs[2]


def test_a_log_reads_each_channel_once_a_period_in_the_order_of_time_and_not_all_at_once():
    readings = list(OfflineBench(supply_bench(), 1).log(20.0))
    assert [reading.time for reading in readings] == sorted(reading.time for reading in readings)
    assert len({reading.time for reading in readings}) == len(readings)
    times = np.array([reading.time for reading in readings if reading.channel == "line"])
    assert len(times) == 10
    assert all(1.8 < gap < 2.2 for gap in np.diff(times))
    assert np.ptp(np.diff(times)) > 0.001


def test_interpolated_values_are_those_of_stepped_periods():
    bench = supply_bench()
    stepped, quick = (SupplyUnderTest(bench, 3, Effects(), interpolated=quick) for quick in (False, True))
    for until in (12.0, 13.0, 30.0):
        for supply in (stepped, quick):
            supply.advance(until - supply.snapshot.time, each=1.0)
        one, other = stepped.snapshot.values, quick.snapshot.values
        for quantity, value in one.items():
            loose = 0.02 if "thd" in quantity or "peak" in quantity or "ripple" in quantity else 0.005
            assert other[quantity] == pytest.approx(value, rel=loose, abs=1e-3), quantity
    assert quick.snapshot.waveforms["mains.current"] == pytest.approx(
        stepped.snapshot.waveforms["mains.current"], abs=0.03 * stepped.snapshot.values["mains.current.peak"]
    )


@pytest.mark.parametrize("seed", range(3))
def test_meters_show_the_truth_within_their_accuracy(seed):
    offline = OfflineBench(supply_bench(), seed)
    for channel in offline.bench.channel:
        shown, true = [], []
        for _ in range(20):
            shown.append(offline.reading(channel.name, offline.supply.snapshot.time + 1.0))
            true.append(offline.supply.snapshot.values[channel.quantity])
        assert abs(float(np.mean(np.array(shown) - true))) <= channel.accuracy.of(float(np.mean(true)))


def test_a_meter_that_responds_to_the_mean_reads_too_little_on_pulses():
    averaging = METERS.replace('period = "2 s"', 'period = "2 s"\nresponds = "mean"')
    true, shown = (OfflineBench(supply_bench(more=more), 1).reading("line", 10.0) for more in (METERS, averaging))
    assert 0.6 < shown / true < 0.9


@pytest.mark.parametrize("given", ["3 %", "0 %"])
def test_a_distortion_that_is_given_is_met_in_size(given):
    mains = f'voltage = "230 V"\nfrequency = "50 Hz"\nsource_resistance = "0 Ω"\nvoltage_thd = "{given}"'
    size = float(given.removesuffix(" %")) / 100.0
    found = [OfflineBench(supply_bench(mains), seed).values(3.0)["mains.voltage.thd"] for seed in range(3)]
    assert found == pytest.approx([size] * 3, rel=0.15, abs=1e-9)


def test_harmonics_that_are_given_have_their_sizes_and_phases():
    mains = 'voltage = "230 V"\nfrequency = "50 Hz"\nsource_resistance = "0 Ω"\n'
    mains += 'harmonics = [[3, "2 %", "60°"], [5, "3 %", "180°"]]'
    offline = OfflineBench(supply_bench(mains), 1)
    offline.advance(3.0)
    wave = offline.supply.snapshot.waveforms["mains.voltage"]
    spectrum = np.fft.rfft(wave)
    for order, size, degrees in ((3, 0.02, 60.0), (5, 0.03, 180.0)):
        relative = spectrum[order] / abs(spectrum[1]) * 1j
        assert abs(relative) == pytest.approx(size, rel=0.25)
        off = (math.degrees(np.angle(relative)) - degrees + 180.0) % 360.0 - 180.0
        assert abs(off) < 15.0


def test_mains_wander_by_up_to_a_few_per_cent_and_never_jump_far():
    offline = OfflineBench(supply_bench(), 2)
    volts = np.array([offline.values(time)["mains.voltage.rms"] for time in np.arange(2.0, 600.0, 2.0)])
    assert 0.005 < np.ptp(volts) / volts.mean() < 0.06
    assert np.abs(np.diff(volts)).max() / volts.mean() < 0.015


def test_parts_that_are_not_given_get_usual_values_and_zero_stays_zero():
    drawn = [SupplyUnderTest(supply_bench(), seed, Effects()).parts for seed in range(20)]
    impedance = 20.0**2 / 50.0
    reactances = [2 * math.pi * 50 * parts.leakage / impedance for parts in drawn]
    assert all(0.0045 < part < 0.031 for part in reactances)
    assert len({parts.filter[0].capacitance for parts in drawn}) == 20
    assert all(0.8 <= parts.filter[0].capacitance / 4.7e-3 <= 1.8 for parts in drawn)
    zero = easy(
        SMOOTHING, transformer=WINDINGS + '\nleakage_inductance = "0 H"\nno_load_current = "0 A"\nno_load_loss = "0 W"'
    )
    parts = SupplyUnderTest(zero, 1, Effects()).parts
    assert parts.leakage == 0.0
    assert parts.curve is None


def test_doubled_magnitudes_are_farther_from_the_ideal():
    def spread(scale):
        volts = [
            OfflineBench(supply_bench(), seed, Effects(scale=scale, core=False)).values(1.0)["mains.voltage.thd"]
            for seed in range(4)
        ]
        return float(np.mean(volts))

    assert spread(2.0) == pytest.approx(2.0 * spread(1.0), rel=0.15)


def test_a_junction_on_a_heat_sink_has_two_time_constants():
    heat = 'thermal_resistance = "18 K/W"\nthermal_time_constant = "60 s"'
    diode = f'saturation_current = "10 nA"\nemission_coefficient = 1.8\nseries_resistance = "20 mΩ"\n{heat}'
    bench = easy(SMOOTHING, transformer=WINDINGS, diode=diode)
    offline = OfflineBench(bench, 1, Effects(mains=False, parts=False))
    rises = []
    for time in (30.0, 1200.0):
        values = offline.values(time)
        rises.append(values["diode.temperature.junction"] - values["ambient.temperature"])
    # One stage of 60 s would be at 39 % after 30 s.
    assert rises[1] == pytest.approx(18.0 * values["diode.power.mean"], rel=0.17)
    case = (values["diode.temperature.case"] - values["ambient.temperature"]) / rises[1]
    assert 0.7 < case < 0.95


def test_slow_noise_has_its_deviation_and_is_a_function_of_time():
    noise = SlowNoise(np.random.default_rng(1), 0.02, 8.0, 3)
    values = np.array([noise.at(time) for time in np.arange(0.0, 30_000.0, 7.0)])
    assert values.std() == pytest.approx(0.02, rel=0.2)
    assert noise.at(1234.5) == noise.at(1234.5)
    assert np.abs(np.diff([noise.at(time) for time in np.arange(0.0, 60.0, 0.1)])).max() < 0.002


def test_time_never_goes_back_and_an_unknown_channel_is_refused():
    offline = OfflineBench(supply_bench(), 1)
    offline.advance(2.0)
    with pytest.raises(ValueError, match="before"):
        offline.advance(1.0)
    with pytest.raises(BadInput, match="not a channel"):
        offline.reading("nothing", 3.0)


CHANGES = {
    "high-esr": ("output.voltage.ripple", 1.05, 3.0),
    "tenth-reservoir": ("output.voltage.ripple", 3.0, 12.0),
    "secondary-joint": ("output.voltage.mean", 0.85, 0.99),
    "shorted-turns": ("mains.power.active", 1.05, 1.6),
    "direct-mains": ("mains.current.peak", 1.002, 1.6),
    "schottky-diodes": ("diode.power.mean", 0.3, 0.8),
    "smaller-transformer": ("output.voltage.mean", 0.7, 0.97),
    "wrong-tap": ("output.voltage.mean", 0.85, 0.94),
}


@pytest.fixture(scope="module")
def quiet():
    """Return the effects of a bench whose mains stands still."""
    return Effects(mains=False)


@pytest.fixture(scope="module")
def sound(quiet):
    """Return the true values of that bench without a fault."""
    return OfflineBench(load_bench(scenario_named("reservoir").path), 1, quiet).values(8.0)


@pytest.mark.parametrize("name", CHANGES)
def test_faults_outside_the_catalogue_change_what_they_should(quiet, sound, name):
    quantity, least, most = CHANGES[name]
    bench = load_bench(scenario_named("reservoir").path)
    faulty = OfflineBench(bench, 1, quiet, (f"{name}@2s",)).values(8.0)
    assert least < faulty[quantity] / sound[quantity] < most


def test_a_contact_that_opens_now_and_then_does_both():
    bench = load_bench(scenario_named("reservoir").path)
    offline = OfflineBench(bench, 1, faults=["intermittent-contact@5s"])
    currents = [offline.values(time)["output.current.mean"] for time in np.arange(6.0, 24.0)]
    assert 2 < sum(current == 0.0 for current in currents) < 16


def test_faults_of_meters_outside_the_catalogue_show_late_or_drifting_values():
    sound, late, drifting = (
        OfflineBench(supply_bench(), 1, faults=faults)
        for faults in ((), ("late-log:mains",), ("drifting-mains-meter",))
    )
    truth = [sound.reading("mains", time) for time in np.arange(2.0, 200.0, 2.0)]
    behind = [late.reading("mains", time) for time in np.arange(2.0, 200.0, 2.0)]
    assert behind[75] == pytest.approx(truth[50], rel=0.002)
    # It drifts from the first reading on.
    drifting.reading("mains", 1.0)
    assert drifting.reading("mains", 600.0) / sound.reading("mains", 600.0) == pytest.approx(1.05, abs=0.004)


def test_a_fault_of_the_core_is_refused_where_no_core_is_simulated():
    with pytest.raises(BadInput, match="core"):
        OfflineBench(supply_bench(), 1, Effects.none(), ["shorted-turns"])
    assert not {fault.name for fault in FAULTS} & {fault.name for fault in FURTHER_FAULTS}
