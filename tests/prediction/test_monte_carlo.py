"""Propagation of distributions: against first order where both hold, and where first order fails."""

from __future__ import annotations

import numpy as np
import pytest

from benchmon.prediction import predict
from benchmon.prediction.monte_carlo import monte_carlo
from support.circuits.drawn import capacitor, choke, plain
from support.supplies import CENTRE_TAPPED, rated

ALMOST_LINEAR = (
    "mains.current.rms",
    "mains.power.active",
    "secondary.voltage.rms",
    "diode.current.mean",
    "diode.current.peak",
    "diode.temperature.junction",
    "reservoir.voltage.mean",
    "output.voltage.mean",
    "output.voltage.peak",
    "output.power.mean",
)


def compare_with_first_order(bench, draws=2000, **options):
    """Return pairs (Monte Carlo, first order) of deviation and of the mean's shift in deviations, by quantity."""
    first = predict(bench, **options).quantities
    drawn = monte_carlo(bench, draws, **options).quantities
    deviations = {name: (drawn[name].deviation, expected.uncertainty / 2) for name, expected in first.items()}
    shifts = {name: (drawn[name].mean - first[name].value) / drawn[name].deviation for name in first}
    return deviations, shifts


def test_agrees_with_first_order_where_the_circuit_is_nearly_linear():
    deviations, shifts = compare_with_first_order(rated(), 4000)
    for name in ALMOST_LINEAR:
        drawn, first = deviations[name]
        # 4000 draws tell a deviation to about 1 %, a mean to 0.016 deviations.
        assert drawn == pytest.approx(first, rel=0.05), name
        assert abs(shifts[name]) < 0.1, name


@pytest.mark.parametrize("kind", ["half wave", "centre tap", "split rail", "full-wave doubler"])
def test_agrees_with_first_order_for_every_wiring(kind):
    transformer = CENTRE_TAPPED if kind in ("centre tap", "split rail") else {}
    deviations, _ = compare_with_first_order(rated(rectifier=f'kind = "{kind}"', transformer=transformer))
    for name in ("output.voltage.mean", "mains.current.rms", "diode.current.peak"):
        drawn, first = deviations[name]
        assert drawn == pytest.approx(first, rel=0.08), name


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"rectifier": 'kind = "half wave"'},
        {"filter": []},
        {"ntc": 'r25 = "5 Ω"\nbeta = "3000 K"\ndissipation_factor = "12 mW/K"\ntime_constant = "40 s"'},
        {"regulator": 'output_voltage = "19 V"\ndropout = "2 V"\nquiescent_current = "5 mA"'},
        {"load": 'kind = "current"\ncurrent = "1 A"'},
    ],
    ids=["bridge", "half wave", "no filter", "limiter", "dropping regulator", "constant current"],
)
def test_the_fast_method_agrees_with_the_full_solution(changes):
    made = rated(**changes)
    quick, full = (monte_carlo(made, 200, seed=5, fast=fast) for fast in (True, False))
    assert full.solved_in_full == 200
    assert quick.solved_in_full < 60
    for name in ("output.voltage.mean", "mains.current.rms", "diode.power.mean", "mains.current.peak"):
        away = np.sqrt(np.mean((quick.values[name] - full.values[name]) ** 2))
        # An error of a tenth of the deviation makes that 0.5 % wider.
        assert away < 0.1 * full.quantities[name].deviation, name


def test_a_regulator_that_may_drop_out_ripples_in_some_draws_only():
    regulator = 'output_voltage = "{} V"\ndropout = "2 V"\nquiescent_current = "5 mA"'
    edge = rated(regulator=regulator.format(18.5))
    drawn = monte_carlo(edge, 2000)
    ripple = drawn.values["output.voltage.ripple"]
    assert 0.02 < np.mean(ripple > 0.05) < 0.6
    high = drawn.quantities["output.voltage.ripple"].high
    assert high > 0.1
    expected = predict(edge).quantities["output.voltage.ripple"]
    # What is left of the input's ripple, and noise: millivolts.
    assert expected.value < 5e-3
    assert expected.high == pytest.approx(high, rel=0.3)
    safe = monte_carlo(rated(regulator=regulator.format(12.0)), 500)
    # Millivolts of ripple and noise, and the floor of what is claimed, 2.5 mV, of which 500 draws reach four times.
    assert np.max(safe.values["output.voltage.ripple"]) < 0.02


def test_a_measured_mains_is_not_drawn():
    wide, known = monte_carlo(rated(), 1000), monte_carlo(rated(), 1000, mains_voltage=230.0)
    name = "output.voltage.mean"
    assert known.quantities[name].deviation < 0.4 * wide.quantities[name].deviation
    first = predict(rated(), mains_voltage=230.0).quantities[name]
    assert known.quantities[name].deviation == pytest.approx(first.uncertainty / 2, rel=0.1)


def test_a_tolerance_has_a_rectangular_distribution():
    volts = monte_carlo(rated(), 4000).values["mains.voltage.rms"]
    assert 230 * 0.94 * 0.997 < volts.min() < 230 * 0.945
    assert 230 * 1.055 < volts.max() < 230 * 1.06 * 1.003
    counts, _ = np.histogram(volts, 6, (230 * 0.94, 230 * 1.06))
    assert counts.min() > 550


def test_a_tolerance_with_two_limits_is_drawn_between_them():
    """Without load or mains distortion in it, charge over capacitance makes the ripple: C·ΔV is the same in all."""
    nominal = predict(plain(filter=[capacitor(4.7e-3, tolerance=0.02)])).quantities["reservoir.voltage.ripple"].value
    wide = plain(filter=[capacitor(4.7e-3, tolerance=["-20 %", "80 %"])])
    ripple = monte_carlo(wide, 1000).values["reservoir.voltage.ripple"]
    low, middle, high = np.quantile(nominal / ripple, [0.005, 0.5, 0.995])
    assert low == pytest.approx(0.8, abs=0.06)
    assert middle == pytest.approx(1.3, abs=0.06)
    assert high == pytest.approx(1.8, abs=0.12)


def test_the_same_seed_gives_the_same_draws_whatever_their_number():
    first, again, other = (monte_carlo(rated(), 300, seed=seed) for seed in (7, 7, 8))
    name = "output.voltage.mean"
    assert np.array_equal(first.values[name], again.values[name])
    assert not np.array_equal(first.values[name], other.values[name])
    assert len(first.values[name]) == 300


def test_intervals_contain_95_per_cent_of_the_draws():
    drawn = monte_carlo(rated(), 1000)
    for name, spread in drawn.quantities.items():
        values = drawn.values[name]
        inside = np.mean((values >= spread.low) & (values <= spread.high))
        assert inside == pytest.approx(0.95, abs=0.003) or spread.low == spread.high, name
        assert spread.low <= spread.mean <= spread.high
    assert set(drawn.quantities) == set(predict(rated()).quantities)


def test_an_open_load_can_be_drawn():
    drawn = monte_carlo(rated(load='kind = "open"'), 200)
    first = predict(rated(load='kind = "open"')).quantities["output.voltage.mean"]
    found = drawn.quantities["output.voltage.mean"]
    assert found.deviation == pytest.approx(first.uncertainty / 2, rel=0.15)
    assert found.mean == pytest.approx(first.value, abs=first.uncertainty)


def test_no_draw_strays_where_a_choke_commutates_through_leakage():
    core = {"leakage_inductance": 5e-4, "no_load_current": 0.03, "no_load_loss": 2.0}
    filters = [capacitor(1e-3), choke(20e-3, 0.3), capacitor(2.2e-3)]
    bench = plain("centre tap", filter=filters, transformer=core, mains={"tolerance": 0.1})
    quick, full = (monte_carlo(bench, 100, fast=fast).values["diode.current.peak"] for fast in (True, False))
    assert np.max(quick) == pytest.approx(np.max(full), rel=0.02)
    assert np.std(quick) == pytest.approx(np.std(full), rel=0.03)


def test_a_drawn_core_whose_loss_takes_more_than_its_current_still_balances_direct_current():
    """Loss and current are drawn apart; a core that takes no magnetising current has no steady state with a mean."""
    no_load = {"no_load_current": 35e-3, "no_load_loss": 2.6, "primary_voltage": 93.0}
    parts = [capacitor(5e-3), {"kind": "choke", "inductance": 1.5e-3, "resistance": 0.01}, capacitor(5e-3, 0.01)]
    bench = plain("half wave", filter=parts, transformer=no_load | {"primary_resistance": 0.0})
    bench = bench.model_copy(update={"mains": bench.mains.model_copy(update={"voltage": 93.0})})
    found = monte_carlo(bench, 64)
    assert all(np.all(np.isfinite(values)) for values in found.values.values())


@pytest.mark.parametrize("harmonics", [[], [[2, 0.01, 40.0], [5, 0.03, 10.0]]], ids=["odd", "even"])
def test_draws_of_a_usual_supply_need_no_full_solution(harmonics):
    """Leakage, core and source as usual: both paths may conduct at once, and with an even harmonic they differ."""
    usual = {"leakage_inductance": 2e-4, "no_load_current": 0.02, "no_load_loss": 1.5}
    mains = {"harmonics": harmonics, "source_resistance": 0.4}
    bench = plain(filter=[capacitor(4.7e-3, 0.03)], transformer=usual, mains=mains)
    assert monte_carlo(bench, 100).solved_in_full < 10
