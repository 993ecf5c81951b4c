"""The supply under test: energy, symmetry, warming, switching. Closed forms stand in tests/published."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.errors import BadInput
from benchmon.quantities import POINTS, UNITS
from benchmon_simulated import SupplyUnderTest
from benchmon_simulated.supply.parts import SupplyDefects
from benchmon_simulated.supply.rectifier import RectifierCircuit
from support.supplies import SMOOTHING, easy

TAPPED = (
    'primary_voltage = "230 V"\nopen_circuit_voltage = "20 V"\nprimary_resistance = "6 Ω"\n'
    'secondary_resistance = "0.2 Ω"\nsecondaries = 2\nconnection = "{}"\n'
    'no_load_current = "40 mA"\nno_load_loss = "3 W"'
)
KINDS = [("half wave", "series"), ("half wave", "parallel"), ("centre tap", "series"), ("bridge", "parallel")]
KINDS += [("bridge", "single"), ("bridge", "series")]


def settled(bench, seconds=5.0, seed=4):
    return SupplyUnderTest(bench, seed).advance(seconds)


@pytest.mark.parametrize("filtered", [False, True])
@pytest.mark.parametrize(("kind", "connection"), KINDS)
def test_what_the_mains_gives_is_what_the_parts_take(kind, connection, filtered):
    bench = easy(
        SMOOTHING if filtered else "",
        rectifier=f'kind = "{kind}"',
        transformer=TAPPED.format(connection),
        mains='voltage = "230 V"\nfrequency = "50 Hz"\nsource_resistance = "0.5 Ω"',
    )
    supply = SupplyUnderTest(bench, seed=4)
    shot = supply.advance(5.0)
    value, parts = shot.values, supply.parts
    diodes = {"half wave": 1, "centre tap": 2, "bridge": 4}[kind] * value["diode.power.mean"]
    in_use = 1 if connection == "single" else 2
    windings = in_use * parts.secondary_resistance * value["secondary.current.rms"] ** 2
    # The model's path resistance carries the whole current, also the direct part that the line current has not.
    reflected = np.array(shot.waveforms["secondary.current"]) * in_use * parts.ratio
    if kind == "centre tap":
        reflected = reflected / math.sqrt(2.0)
    primary = parts.primary_resistance * float(np.mean(reflected**2))
    source = 0.5 * (float(np.mean(reflected**2)) - value["mains.current.rms"] ** 2)
    esr = parts.reservoir_esr * value.get("reservoir.current.rms", 0.0) ** 2
    iron = 3.0 * (value["mains.voltage.rms"] / 230.0) ** 2
    spent = value["output.power.mean"] + diodes + windings + primary + source + esr + iron
    assert value["mains.power.active"] == pytest.approx(spent, rel=3e-3)


@pytest.mark.parametrize("kind", ["half wave", "centre tap", "bridge"])
def test_no_direct_current_crosses_the_transformer(kind):
    bench = easy(SMOOTHING, rectifier=f'kind = "{kind}"', transformer=TAPPED.format("series"))
    line = settled(bench).waveforms["mains.current"]
    assert abs(line.mean()) < 1e-4 * np.abs(line).max()


def test_every_quantity_is_of_the_vocabulary_and_finite_under_power():
    values = settled(easy(SMOOTHING)).values
    assert set(values) <= set(UNITS)
    assert all(math.isfinite(value) for value in values.values())
    missing = {quantity for quantity in UNITS if quantity not in values}
    second = {point for point in POINTS if point.endswith("_2")}
    assert {quantity.split(".")[0] for quantity in missing} == {"regulator", "ntc"} | second


def test_the_same_seed_is_the_same_supply_and_another_is_another():
    bench = easy()
    first, again, other = (settled(bench, 1.0, seed).values for seed in (1, 1, 2))
    assert first == again
    assert first["output.voltage.mean"] != other["output.voltage.mean"]


@pytest.mark.parametrize("seed", range(20))
def test_parts_lie_within_what_the_bench_file_allows(seed):
    bench = easy(
        '[[filter]]\nkind = "capacitor"\ncapacitance = "4.7 mF"\nesr = "30 mΩ"\ntolerance = "20 %"\n',
        mains='voltage = "230 V"\nfrequency = "50 Hz"\ntolerance = "6 %"',
    )
    parts = SupplyUnderTest(bench, seed).parts
    assert parts.mains_voltage == pytest.approx(230.0, rel=0.02)
    assert parts.filter[0].capacitance == pytest.approx(4.7e-3, rel=0.2)
    assert parts.load.resistance == pytest.approx(10.0, rel=0.02)
    assert parts.secondary_resistance == pytest.approx(1e-3, rel=0.03)
    assert 1 / 1.3 <= parts.diode.saturation_current / 10e-9 <= 1.3


def test_cutting_the_mains_ends_every_current_and_restoring_brings_it_back():
    supply = SupplyUnderTest(easy(SMOOTHING), seed=4)
    before = supply.advance(5.0).values
    supply.switch_off()
    off = supply.advance(2.0).values
    for quantity in ("mains.current.rms", "mains.voltage.rms", "secondary.current.peak", "output.current.rms"):
        assert off[quantity] == pytest.approx(0.0, abs=1e-6)
    assert off["diode.current.mean"] == pytest.approx(0.0, abs=1e-6)
    assert math.isnan(off["mains.power_factor"])
    assert math.isnan(off["mains.frequency"])
    supply.switch_on()
    assert supply.advance(3.0).values["output.voltage.mean"] == pytest.approx(before["output.voltage.mean"], rel=0.01)


def test_a_reservoir_discharges_through_its_load_with_the_time_constant_of_both():
    supply = SupplyUnderTest(easy(SMOOTHING), seed=4)
    supply.advance(2.0)
    supply.switch_off()
    first = supply.advance(0.04).values["output.voltage.mean"]
    later = supply.advance(0.1).values["output.voltage.mean"]
    parts = supply.parts
    time_constant = parts.filter[0].capacitance * (parts.load.resistance + parts.reservoir_esr)
    assert math.log(first / later) == pytest.approx(0.1 / time_constant, rel=0.01)


def test_what_is_left_below_a_diode_drop_is_not_stepped_for_ever(monkeypatch):
    abrupt = 'saturation_current = "10 nA"\nemission_coefficient = 0.5'
    doubler = easy(SMOOTHING, rectifier='kind = "full-wave doubler"', diode=abrupt)
    supply = SupplyUnderTest(doubler, seed=4)
    supply.switch_off()
    left = supply.advance(1.5).values["output.voltage.mean"]
    assert left < 0.1
    stepped, run = [], RectifierCircuit.run

    def counted(circuit, wave, now):
        stepped.append(wave)
        return run(circuit, wave, now)

    monkeypatch.setattr(RectifierCircuit, "run", counted)
    day = supply.advance(86_400.0, each=86_400.0).values
    assert 0.0 <= day["output.voltage.mean"] <= left
    assert len(stepped) < 100  # of 4,320,000 periods


def test_a_diode_warms_as_its_thermal_resistance_and_time_constant_say():
    heat = 'thermal_resistance = "18 K/W"\nthermal_time_constant = "40 s"'
    diode = f'saturation_current = "10 nA"\nemission_coefficient = 1.8\nseries_resistance = "20 mΩ"\n{heat}'
    supply = SupplyUnderTest(easy(diode=diode), seed=4)
    cold = supply.advance(0.5).values
    rise = [supply.advance(seconds, each=2.0).values for seconds in (39.5, 200.0)]
    rises = [values["diode.temperature.junction"] - values["ambient.temperature"] for values in rise]
    # The mains wander by half a per cent, and the heat follows late.
    assert rises[1] == pytest.approx(18.0 * rise[1]["diode.power.mean"], rel=1e-2)
    # It loses a little less as it warms, so the rise is slightly ahead of the plain exponential.
    assert rises[0] / rises[1] == pytest.approx(1.0 - math.exp(-1.0), rel=0.03)
    assert rise[1]["diode.power.mean"] < cold["diode.power.mean"]
    case = rise[1]["diode.temperature.case"] - rise[1]["ambient.temperature"]
    assert case == pytest.approx(0.85 * rises[1], rel=1e-9)


def test_without_thermal_resistance_the_junction_is_at_ambient():
    values = settled(easy(), 60.0).values
    assert values["diode.temperature.junction"] == values["ambient.temperature"]


def test_an_inrush_limiter_warms_and_lets_the_current_through():
    limiter = '[ntc]\nr25 = "50 Ω"\nbeta = "3000 K"\ndissipation_factor = "10 mW/K"\ntime_constant = "30 s"\n'
    transformer = TAPPED.format("parallel")
    supply = SupplyUnderTest(easy(limiter, transformer=transformer), seed=4)
    cold, warm = supply.advance(0.2).values, supply.advance(120.0, each=2.0).values
    assert warm["ntc.temperature"] > cold["ntc.temperature"] + 20.0
    assert warm["mains.current.rms"] > cold["mains.current.rms"]


def test_load_and_mains_can_be_changed():
    supply = SupplyUnderTest(easy(), seed=4)
    volts = supply.advance(1.0).values["output.voltage.rms"]
    supply.set_mains(115.0)
    assert supply.advance(1.0).values["output.voltage.rms"] == pytest.approx(volts / 2, rel=0.1)
    supply.set_load("open")
    assert supply.advance(1.0).values["output.current.rms"] == 0.0
    supply.set_load(5.0)
    values = supply.advance(1.0).values
    assert values["output.current.rms"] == pytest.approx(values["output.voltage.rms"] / 5.0, rel=1e-9)
    for wrong in (-1.0, 0.0, math.nan):
        with pytest.raises(BadInput):
            supply.set_load(wrong)
    for wrong in (-1.0, 1001.0, math.nan):
        with pytest.raises(BadInput):
            supply.set_mains(wrong)


def test_a_current_load_draws_its_current_from_a_reservoir():
    values = settled(easy(SMOOTHING, load='kind = "current"\ncurrent = "1 A"')).values
    assert values["output.current.mean"] == pytest.approx(1.0, rel=0.006)
    assert values["output.voltage.ripple"] < 1.0 / (2 * 50 * 4.7e-3)


def test_without_load_a_reservoir_stays_near_the_peak():
    values = settled(easy(SMOOTHING, load='kind = "open"'), 20.0).values
    assert values["output.voltage.ripple"] < 0.01
    assert 0.93 * 20 * math.sqrt(2) < values["output.voltage.mean"] < 20 * math.sqrt(2) * 1.01


def test_a_second_filter_section_smooths():
    section = '[[filter]]\nkind = "{}"\n{}\n'
    plain = settled(easy(SMOOTHING)).values
    for part in (("resistor", 'resistance = "1 Ω"'), ("choke", 'inductance = "20 mH"\nresistance = "1 Ω"')):
        values = settled(easy(SMOOTHING + section.format(*part) + SMOOTHING)).values
        assert values["output.voltage.ripple"] < 0.5 * plain["output.voltage.ripple"]
        drop = values["reservoir.voltage.mean"] - values["output.voltage.mean"]
        assert drop == pytest.approx(values["output.current.mean"] * 1.0, rel=0.03)


def test_a_choke_input_filter_gives_the_mean_of_the_rectified_wave():
    # Large choke, continuous current: the output is the mean, 2/π of the peak, less two diodes (textbook).
    parts = '[[filter]]\nkind = "choke"\ninductance = "300 mH"\n[[filter]]\nkind = "capacitor"\ncapacitance = "1 mF"\n'
    values = settled(easy(parts), 20.0).values
    drop = 2 * values["diode.power.mean"] / values["diode.current.mean"]
    expected = 2 / math.pi * values["secondary.voltage.rms"] * math.sqrt(2) - drop
    assert values["output.voltage.mean"] == pytest.approx(expected, rel=0.02)


def test_mains_distortion_shows_in_the_voltage():
    mains = 'voltage = "230 V"\nfrequency = "50 Hz"\nvoltage_thd = "4 %"'
    shot = settled(easy(mains=mains, load='kind = "open"'))
    spectrum = np.abs(np.fft.rfft(shot.waveforms["mains.voltage"]))
    assert math.sqrt(float(np.sum(spectrum[2:41] ** 2))) / spectrum[1] == pytest.approx(0.04, rel=1e-6)
    assert shot.values["mains.voltage.rms"] == pytest.approx(230.0, rel=0.006)


def test_mains_wander_slowly_by_half_a_per_cent():
    supply = SupplyUnderTest(easy(), seed=4)
    volts = np.array([supply.advance(1.0, each=1.0).values["mains.voltage.rms"] for _ in range(120)])
    assert np.abs(volts / 230.0 - 1.0).max() < 0.0051
    assert np.ptp(volts) > 1.0
    assert np.abs(np.diff(volts)).max() < 0.2


def test_air_too_cold_for_the_model_is_refused():
    with pytest.raises(BadInput, match="ambient"):
        SupplyUnderTest(easy('[ambient]\ntemperature = "-270 °C"\n'))


def size(low, high):
    """A positive value whose magnitude may be anything from `low` to `high`."""
    return st.floats(math.log10(low), math.log10(high)).map(lambda exponent: float(f"{10**exponent:.6g}"))


FILTERS = st.sampled_from(["", "capacitor", "choke", "capacitor choke capacitor", "capacitor resistor capacitor"])
PARTS = {
    "capacitor": 'kind = "capacitor"\ncapacitance = {farads}\nesr = {ohms}',
    "choke": 'kind = "choke"\ninductance = {henries}',
    "resistor": 'kind = "resistor"\nresistance = {ohms}',
}
LOADS = st.sampled_from(
    ['kind = "open"', 'kind = "resistor"\nresistance = {load}', 'kind = "current"\ncurrent = {amperes}']
)


@settings(max_examples=30)
@given(
    kind=st.sampled_from(["half wave", "centre tap", "bridge", "split rail", "full-wave doubler"]),
    broken=st.dictionaries(st.integers(1, 4), st.sampled_from(["open", "shorted"]), max_size=3),
    reversed_one=st.booleans(),
    filters=FILTERS,
    load=LOADS,
    ohms=size(1e-4, 1e3),
    sizes=st.fixed_dictionaries(
        {"farads": size(1e-8, 10), "henries": size(1e-6, 10), "load": size(0.01, 1e6), "amperes": size(1e-4, 50)}
    ),
    leakage=st.one_of(st.just(0.0), size(1e-7, 0.1)),
    volts=size(0.5, 5000),
    heat=size(0.01, 500),
)
def test_whatever_the_parts_the_values_stay_numbers(
    *, kind, broken, reversed_one, filters, load, ohms, sizes, leakage, volts, heat
):
    if kind == "full-wave doubler" and not filters.startswith("capacitor"):
        filters = f"capacitor {filters}"
    sections = "".join(f"[[filter]]\n{PARTS[part].format(ohms=ohms, **sizes)}\n" for part in filters.split())
    transformer = f'primary_voltage = "230 V"\nopen_circuit_voltage = {volts}\nprimary_resistance = {ohms}\n'
    transformer += f'secondary_resistance = {ohms}\nsecondaries = 2\nconnection = "series"\n'
    diode = 'forward = [["0.72 V", "0.1 A"], ["0.95 V", "3 A"]]\n' + f"thermal_resistance = {heat}"
    bench = easy(
        sections,
        rectifier=f'kind = "{kind}"',
        transformer=f"{transformer}leakage_inductance = {leakage}",
        diode=diode,
        load=load.format(**sizes),
    )
    supply = SupplyUnderTest(bench, seed=1)
    defects = SupplyDefects(diodes=broken, reversed_windings=frozenset({2} if reversed_one else ()))
    for act in (lambda: None, lambda: setattr(supply, "defects", defects), supply.switch_off, supply.switch_on):
        act()
        values = supply.advance(0.08).values
        wrong = {name: value for name, value in values.items() if math.isinf(value) or abs(value) > 1e9}
        assert not wrong
    # No supply feeds the mains, but for the reverse leakage of its diodes while a outputs reservoir settles.
    # Through a shorted one it feeds back what it holds, as it should.
    if not broken:
        assert values["mains.power.active"] >= -0.01 * values["mains.power.apparent"] - 1e-5 * volts
