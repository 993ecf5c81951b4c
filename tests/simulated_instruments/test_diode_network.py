"""The diode network: against the closed form where rectifiers are healthy, against scipy where they are not."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy

from benchmon_simulated import SupplyUnderTest
from benchmon_simulated.supply.diode_network import SHORT_OHMS
from benchmon_simulated.supply.parts import SupplyDefects
from support.supplies import SMOOTHING, easy

TRANSFORMER = (
    'primary_voltage = "230 V"\nopen_circuit_voltage = "20 V"\nprimary_resistance = "6 Ω"\n'
    'secondary_resistance = "0.2 Ω"\nsecondaries = {}\nconnection = "{}"\n'
)
KINDS = [("half wave", "single"), ("half wave", "series"), ("half wave", "parallel"), ("centre tap", "series")]
KINDS += [("bridge", "single"), ("bridge", "series"), ("bridge", "parallel")]


def bench_of(extra, kind, connection, **sections):
    transformer = TRANSFORMER.format(1 if connection == "single" else 2, connection)
    return easy(extra, rectifier=f'kind = "{kind}"', transformer=transformer, **sections)


@pytest.mark.parametrize("filtered", [False, True])
@pytest.mark.parametrize(("kind", "connection"), KINDS)
def test_both_ways_through_a_period_agree_on_a_sound_rectifier(kind, connection, filtered):
    bench = bench_of(SMOOTHING if filtered else "", kind, connection)
    quick, thorough = SupplyUnderTest(bench, 4), SupplyUnderTest(bench, 4)
    thorough._circuit._single_path = None
    expected, found = quick.advance(1.0).values, thorough.advance(1.0).values
    for quantity, value in expected.items():
        assert found[quantity] == pytest.approx(value, rel=2e-5, abs=1e-4, nan_ok=True), quantity


def loop_current(emf, ohms, diodes, law):
    """Return the amperes that `emf` sends through `ohms` and a number of diodes in series."""
    if emf <= 0.0:
        return 0.0
    saturation, slope = law.saturation_at(25.0), law.slope_voltage(25.0)
    ohms += diodes * law.series_resistance
    return scipy.optimize.brentq(lambda i: diodes * slope * math.log1p(i / saturation) + ohms * i - emf, 0.0, 1e4)


@pytest.fixture
def broken_bridge():
    """Return a function that gives a bridge into 10 Ω with defects, its parts, and the mains' peak."""

    def build(defects, extra=""):
        supply = SupplyUnderTest(bench_of(extra, "bridge", "single"), 4)
        supply.defects = defects
        return supply

    return build


def angles_and_emf(supply, values):
    peak = math.sqrt(2.0) * supply.parts.ratio * values["mains.voltage.rms"]
    angle = 2.0 * np.pi * np.arange(400) / 400
    ohms = supply.parts.secondary_resistance + supply.parts.primary_resistance * supply.parts.ratio**2
    return peak * np.sin(angle), ohms


def test_an_open_diode_leaves_a_half_wave(broken_bridge):
    supply = broken_bridge(SupplyDefects(diodes={2: "open"}))
    value = supply.advance(1.0).values
    emf, ohms = angles_and_emf(supply, value)
    load = supply.parts.load.resistance
    current = np.array([loop_current(volts, ohms + load, 2, supply.parts.diode) for volts in emf])
    assert value["output.current.mean"] == pytest.approx(current.mean(), rel=1e-3)
    assert value["output.current.rms"] == pytest.approx(math.sqrt(np.mean(current**2)), rel=1e-3)
    assert value["output.voltage.frequency"] == pytest.approx(50.0, rel=1e-3)
    assert value["diode.current.mean"] == pytest.approx(value["output.current.mean"], rel=1e-4)


def test_the_meter_on_the_open_diode_shows_zero(broken_bridge):
    value = broken_bridge(SupplyDefects(diodes={1: "open"})).advance(1.0).values
    assert value["diode.current.peak"] == pytest.approx(0.0, abs=1e-9)
    assert value["diode.power.mean"] == pytest.approx(0.0, abs=1e-4)
    assert value["output.voltage.frequency"] == pytest.approx(50.0, rel=1e-3)


def test_a_shorted_diode_shorts_the_winding_in_every_other_half(broken_bridge):
    supply = broken_bridge(SupplyDefects(diodes={1: "shorted"}))
    # One period, before a fuse or heat could matter.
    value = supply.advance(0.04).values
    emf, ohms = angles_and_emf(supply, value)
    load = supply.parts.load.resistance
    feeding = np.array([loop_current(volts, ohms + load, 1, supply.parts.diode) for volts in emf])
    shorting = np.array([loop_current(-volts, ohms + SHORT_OHMS, 1, supply.parts.diode) for volts in emf])
    assert value["output.current.mean"] == pytest.approx(feeding.mean(), rel=3e-3)
    assert value["secondary.current.peak"] == pytest.approx(shorting.max(), rel=2e-3)
    squares = np.mean(feeding**2) + np.mean(shorting**2)
    assert value["secondary.current.rms"] == pytest.approx(math.sqrt(squares), rel=3e-3)
    # The winding's resistance alone limits it: far beyond what it is made for.
    assert value["secondary.current.peak"] > 10 * value["output.current.rms"]


def test_a_shorted_diode_with_a_reservoir_as_scipy_integrates_it():
    supply = SupplyUnderTest(bench_of(SMOOTHING, "bridge", "single"), 4)
    supply.defects = SupplyDefects(diodes={1: "shorted"})
    value = supply.advance(1.0).values
    parts = supply.parts
    emf, ohms = angles_and_emf(supply, value)
    capacitor, load = parts.filter[0], parts.load.resistance
    share = load / (load + capacitor.esr)

    def rate(time, state):
        drive = emf.max() * math.sin(2 * math.pi * 50 * time) - share * state[0]
        current = loop_current(drive, ohms + capacitor.esr * share, 1, parts.diode)
        return [(current - share * (state[0] + capacitor.esr * current) / load) / capacitor.capacitance]

    solution = scipy.integrate.solve_ivp(
        rate, (0, 1), [15.0], rtol=1e-7, max_step=5e-4, t_eval=np.linspace(0.98, 1, 2001)
    )
    # The winding warms within seconds of a short; what the output loses by it is small.
    assert value["output.voltage.mean"] == pytest.approx(solution.y[0].mean(), rel=5e-3)
    assert value["output.voltage.ripple"] == pytest.approx(np.ptp(solution.y[0]), rel=2e-2)


@pytest.mark.parametrize("kind", ["split rail", "full-wave doubler"])
def test_more_rails_and_the_doubler_as_scipy_integrates_them(kind):
    connection = "series" if kind == "split rail" else "single"
    supply = SupplyUnderTest(bench_of(SMOOTHING, kind, connection), 4)
    value = supply.advance(1.5).values
    parts, capacitor = supply.parts, supply.parts.filter[0]
    emf, _ = angles_and_emf(supply, value)
    own, reflected = parts.secondary_resistance, parts.primary_resistance * parts.ratio**2
    # In a split rail both rails draw through the primary at once; they are alike, so one stands for both.
    ohms = own + (2 if kind == "split rail" else 1) * reflected + capacitor.esr
    load = parts.load.resistance
    rails = kind == "split rail"

    def rate(time, state):
        wave = emf.max() * math.sin(2 * math.pi * 50 * time)
        drawn = state[0] / load if rails else (state[0] + state[1]) / load
        injections = (abs(wave), abs(wave)) if rails else (wave, -wave)
        return [
            (loop_current(push - held, ohms, 1, parts.diode) - drawn) / capacitor.capacitance
            for push, held in zip(injections, state, strict=True)
        ]

    solution = scipy.integrate.solve_ivp(
        rate, (0, 0.6), [20.0, 20.0], rtol=1e-6, max_step=5e-4, t_eval=np.linspace(0.58, 0.6, 2001)
    )
    output = solution.y[0] if rails else solution.y.sum(axis=0)
    # The reference takes the series resistance of its capacitors out of their load's current.
    assert value["output.voltage.mean"] == pytest.approx(output.mean(), rel=1e-2)
    assert value["reservoir.voltage.ripple"] == pytest.approx(np.ptp(solution.y[0]), rel=4e-2)
    assert value["output.voltage.frequency"] == pytest.approx(100.0, rel=1e-3)


def test_an_unloaded_doubler_stands_at_twice_the_peak():
    supply = SupplyUnderTest(bench_of(SMOOTHING, "full-wave doubler", "single"), 4)
    supply.set_load("open")
    value = supply.advance(6.0).values
    peak = math.sqrt(2) * 20.0 / 230.0 * value["mains.voltage.rms"]
    assert 2 * (peak - 0.7) < value["output.voltage.mean"] < 2 * peak
    assert value["reservoir.voltage.mean"] == pytest.approx(value["output.voltage.mean"] / 2, rel=1e-3)


def test_a_split_rail_into_resistors_is_the_textbook_s_full_wave():
    # 2/π, 1/√2 and 0.4834 of the table of single-phase rectifiers; at 5 kV the diodes no longer count.
    transformer = TRANSFORMER.format(2, "series").replace("20 V", "5 kV").replace('"6 Ω"', '"0 Ω"')
    bench = easy(
        rectifier='kind = "split rail"', transformer=transformer, load='kind = "resistor"\nresistance = "100 kΩ"'
    )
    value = SupplyUnderTest(bench, 4).advance(0.5).values
    peak = math.sqrt(2) * 5000.0 / 230.0 * value["mains.voltage.rms"]
    assert value["output.voltage.mean"] / peak == pytest.approx(2 / math.pi, rel=1e-3)
    assert value["output.voltage.rms"] / peak == pytest.approx(math.sqrt(0.5), rel=1e-3)
    assert value["output.voltage.ripple_factor"] == pytest.approx(0.4834, rel=2e-3)
    assert value["diode.voltage.reverse_peak"] / peak == pytest.approx(2.0, rel=1e-3)


def test_one_reversed_winding_of_a_centre_tap_makes_both_halves_conduct_at_once():
    supply = SupplyUnderTest(bench_of("", "centre tap", "series"), 4)
    right = supply.advance(0.5).values
    supply.defects = SupplyDefects(reversed_windings=frozenset({2}))
    wrong = supply.advance(0.5).values
    assert wrong["output.voltage.frequency"] == pytest.approx(50.0, rel=1e-3)
    assert wrong["output.voltage.mean"] == pytest.approx(right["output.voltage.mean"] / 2, rel=0.03)
    assert wrong["diode.current.mean"] == pytest.approx(wrong["output.current.mean"] / 2, rel=1e-3)


def test_one_reversed_winding_in_series_cancels_and_in_parallel_shorts():
    for connection in ("series", "parallel"):
        supply = SupplyUnderTest(bench_of("", "bridge", connection), 4)
        supply.defects = SupplyDefects(reversed_windings=frozenset({2}))
        value = supply.advance(0.2).values
        assert value["output.voltage.peak"] == pytest.approx(0.0, abs=1e-3)
        if connection == "series":
            assert value["secondary.current.rms"] == pytest.approx(0.0, abs=1e-6)
        else:
            # Both EMFs drive round one loop of two windings; both draw through the primary.
            parts = supply.parts
            ohms = parts.secondary_resistance + 2 * parts.primary_resistance * parts.ratio**2
            emf = parts.ratio * value["mains.voltage.rms"]
            assert value["secondary.current.rms"] == pytest.approx(emf / ohms, rel=0.01)


@pytest.mark.parametrize(("kind", "connection"), [*KINDS, ("split rail", "series")])
def test_leakage_inductance_delays_and_never_rings(kind, connection):
    bench = bench_of(SMOOTHING, kind, connection)
    without = SupplyUnderTest(bench, 4).advance(1.0)
    leaking = easy(
        SMOOTHING,
        rectifier=f'kind = "{kind}"',
        transformer=TRANSFORMER.format(1 if connection == "single" else 2, connection)
        + 'leakage_inductance = "8 mH"\n',
    )
    with_it = SupplyUnderTest(leaking, 4).advance(1.0)
    assert with_it.values["diode.current.peak"] < without.values["diode.current.peak"]
    assert with_it.values["output.voltage.mean"] < without.values["output.voltage.mean"]
    current = with_it.waveforms["diode.current"]
    # One pulse a period, or two without a pause between: it rises and falls once.
    rising = np.diff((current > 0.05 * current.max()).astype(int))
    assert (rising == 1).sum() <= 1
    assert current.min() > -1e-3


REGULATOR = '[regulator]\noutput_voltage = "12 V"\ndropout = "1.5 V"\nquiescent_current = "5 mA"\n'


def test_a_regulator_holds_its_output_and_burns_the_rest():
    bench = bench_of(SMOOTHING + REGULATOR + 'thermal_resistance = "4 K/W"\n', "bridge", "single")
    supply = SupplyUnderTest(bench, 4)
    value = supply.advance(1.0).values
    regulator = supply.parts.regulator
    assert value["output.voltage.mean"] == pytest.approx(regulator.output_voltage, rel=1e-9)
    assert value["output.voltage.ripple"] == 0.0
    over = value["reservoir.voltage.mean"] - value["output.voltage.mean"]
    expected = over * value["output.current.mean"] + regulator.quiescent_current * value["reservoir.voltage.mean"]
    assert value["regulator.power.mean"] == pytest.approx(expected, rel=1e-3)
    assert value["regulator.voltage.headroom"] == pytest.approx(
        value["reservoir.voltage.valley"] - regulator.output_voltage, rel=1e-9
    )
    drawn = value["output.current.mean"] + regulator.quiescent_current
    assert 2 * value["diode.current.mean"] == pytest.approx(drawn, rel=1e-3)
    value = supply.advance(59.0, each=2.0).values
    rise = value["regulator.temperature.junction"] - value["ambient.temperature"]
    # A minute is the time constant that is taken for it.
    assert rise == pytest.approx(4.0 * value["regulator.power.mean"] * (1 - math.exp(-1)), rel=3e-2)


def test_a_regulator_without_headroom_lets_the_ripple_through():
    bench = bench_of(SMOOTHING + REGULATOR.replace("12 V", "24 V"), "bridge", "single")
    supply = SupplyUnderTest(bench, 4)
    value = supply.advance(1.0).values
    assert value["regulator.voltage.headroom"] == pytest.approx(supply.parts.regulator.dropout, rel=1e-6)
    assert value["output.voltage.ripple"] == pytest.approx(value["reservoir.voltage.ripple"], rel=0.02)


FUSE = '[fuse]\nrating = "1.6 A"\nspeed = "time-lag"\nmelting_i2t = "12 A²s"\n'


def test_the_fuse_ends_a_short_and_a_new_one_restores_what_is_mended():
    supply = SupplyUnderTest(bench_of(FUSE + SMOOTHING, "bridge", "single"), 4)
    before = supply.advance(5.0).values
    assert not supply.fuse_blown
    supply.defects = SupplyDefects(diodes={1: "shorted"})
    square = supply.advance(0.05).values["mains.current.rms"] ** 2
    while not supply.fuse_blown:
        supply.advance(0.05)
        assert supply.snapshot.time < 30.0
    value = supply.advance(2.0).values
    assert value["mains.current.rms"] == 0.0
    assert value["mains.voltage.rms"] == pytest.approx(230.0, rel=0.01)
    assert value["output.voltage.mean"] < 1.0
    # First order: 1.6 times the rating for ever, the melting I²t far above.
    held = (1.6 * 1.6) ** 2
    expected = -12.0 / held * math.log(1.0 - held / square)
    assert supply.snapshot.time - 7.0 == pytest.approx(expected, rel=0.25, abs=0.1)
    supply.defects = SupplyDefects()
    supply.replace_fuse()
    assert supply.advance(2.0).values["output.voltage.mean"] == pytest.approx(before["output.voltage.mean"], rel=0.01)
