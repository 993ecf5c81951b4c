"""Extreme legal values are predicted, impossible ones are refused in one line, and no result is wrong."""

import math
import random

import numpy as np
import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.bench import Bench
from benchmon.errors import NoSteadyState, PredictionError
from benchmon.prediction import predict
from benchmon.prediction.circuit.circuit import Circuit
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.circuit.steady_state import diagnose_convergence
from benchmon.prediction.monte_carlo import monte_carlo
from benchmon.prediction.predict import with_load
from benchmon.prediction.solved import SolvedQuantities, solve
from benchmon.prediction.sparse_stages import SparseStages, solve_sparsely
from support.circuits.balance import Balance
from support.circuits.drawn import KINDS, capacitor, choke, current, draw, draw_wild, plain, resistor

OPEN = {"kind": "open"}
RESERVOIR = [capacitor(4.7e-3, 0.05)]
THERMAL_VOLTAGE = 1.380649e-23 * 298.15 / 1.602176634e-19

EXTREMES = {
    "1 µF": {"filter": [capacitor(1e-6)]},
    "1 F": {"filter": [capacitor(1.0)]},
    "1 F with 1 mΩ winding": {"filter": [capacitor(1.0)], "transformer": {"secondary_resistance": 1e-3}},
    "0 Ω everywhere": {
        "filter": RESERVOIR,
        "transformer": {"secondary_resistance": 0.0, "primary_resistance": 0.0},
        "diode": {"series_resistance": 0.0},
    },
    "open load": {"filter": RESERVOIR, "load": OPEN},
    "open load behind a regulator": {"filter": RESERVOIR, "load": OPEN, "regulator": {"output_voltage": 12.0}},
    "1 mA": {"filter": RESERVOIR, "load": current(1e-3)},
    "50 A": {
        "filter": [capacitor(0.5)],
        "load": current(50.0),
        "transformer": {"primary_resistance": 0.05, "secondary_resistance": 5e-3},
    },
    "more current than there is": {"filter": RESERVOIR, "load": current(50.0)},
    "1 MΩ": {"filter": RESERVOIR, "load": resistor(1e6)},
    "1 mΩ load": {"load": resistor(1e-3), "filter": RESERVOIR},
    "a schottky diode": {"filter": RESERVOIR, "diode": {"saturation_current": 1e-4, "emission_coefficient": 1.05}},
    "400 Hz": {"filter": RESERVOIR, "mains": {"frequency": 400.0}},
    "leakage of 0 Ω windings": {
        "filter": RESERVOIR,
        "transformer": {"leakage_inductance": 1e-3, "secondary_resistance": 0.0, "primary_resistance": 0.0},
    },
    "freezing": {"filter": RESERVOIR, "ambient": {"temperature": -40.0}},
    "regulator that never regulates": {"filter": RESERVOIR, "regulator": {"output_voltage": 500.0, "dropout": 2.0}},
}


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("name", EXTREMES)
def test_extreme_yet_legal_values_are_predicted(kind, name):
    changes = EXTREMES[name]
    bench = plain(kind, **changes)
    found = predict(bench)
    for quantity, expected in found.quantities.items():
        assert math.isfinite(expected.value), quantity
        assert math.isfinite(expected.uncertainty), quantity
        assert expected.uncertainty >= 0, quantity
    account = Balance(bench, solve(bench, parts_of(bench)))
    assert abs(account.missing()) < 2e-3 or account.supplied() < 1e-3
    for trace in found.waveforms.traces.values():
        assert np.all(np.isfinite(trace))


def solved_or_refused(bench: Bench) -> tuple[SolvedQuantities | None, str]:
    try:
        return solve(bench, parts_of(bench)), ""
    except PredictionError as problem:
        return None, str(problem)


WILD = st.builds(draw_wild, st.builds(random.Random, st.integers(0, 10**9)))


@settings(max_examples=20, deadline=None)
@given(WILD)
def test_any_legal_bench_is_balanced_or_refused_in_one_line(bench):
    assert_balanced_or_refused(bench)


@pytest.mark.long
@pytest.mark.timeout(3000)
@settings(max_examples=600, deadline=None)
@given(WILD)
def test_many_legal_benches_are_balanced_or_refused_in_one_line(bench):
    assert_balanced_or_refused(bench)


def assert_balanced_or_refused(bench: Bench) -> None:
    solved, message = solved_or_refused(bench)
    if solved is None:
        assert message.isprintable()
        assert 20 < len(message) <= 300
        return
    assert all(np.all(np.isfinite(value)) for value in solved.quantities.values())
    account = Balance(bench, solved)
    brought, drawn = account.mean(account.rectified), account.mean(account.drawn)
    assert brought == pytest.approx(drawn, rel=0.011, abs=1e-7 * bench.transformer.open_circuit_voltage)
    if sum(part.kind == "capacitor" for part in bench.filter) <= 2:
        scale = 1e-3 * account.supplied() + 1e-6 * account.quantities["mains.power.apparent"] + 1e-4
        # What stands for an open node's insulation takes nanoamperes, which the account does not list.
        scale += 1e-7 * bench.transformer.open_circuit_voltage**2
        assert abs(account.missing() * account.supplied()) < 10 * scale


@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind != "full-wave doubler"])
def test_an_unloaded_reservoir_balances_forward_and_reverse_current(kind):
    """Mean of Is·(exp((e − V)/a) − 1) = 0 with a sine e gives V = a·ln I0(Ê/a), I0 the Bessel function."""
    bench = plain(kind, filter=RESERVOIR, load=OPEN, diode={"saturation_current": 1e-5})
    a = (2 if kind == "bridge" else 1) * 1.8 * THERMAL_VOLTAGE
    peak = 20.0 * math.sqrt(2)
    expected = peak + a * math.log(scipy.special.ive(0, peak / a))
    assert predict(bench).quantities["reservoir.voltage.mean"].value == pytest.approx(expected, abs=2e-3)


def test_no_variant_of_an_unloaded_supply_stays_charged_above_the_peak():
    """Nothing discharges such a capacitor, so that Newton's steps are small wherever they end."""
    bench = with_load(draw(random.Random("open/18"), "split rail"), "open")
    bench = bench.model_copy(update={"mains": bench.mains.model_copy(update={"tolerance": 0.15})})
    drawn = monte_carlo(bench, 40, seed=18, fast=False)
    peak = np.sqrt(2.0) * drawn.values["mains.voltage.rms"] * bench.transformer.ratio
    # Drawn harmonics of the mains make its crest higher or lower.
    assert np.all(drawn.values["output.voltage.mean"] < 1.2 * peak)


IMPOSSIBLE = {
    "choke into a constant current": (
        {"filter": [choke(0.1)], "load": current(1.0)},
        "filter[1] choke: feeds the constant-current load",
    ),
    "capacitor, choke, constant current": (
        {"filter": [capacitor(1e-3), choke(0.1), resistor(1.0)], "load": current(1.0)},
        "filter[2] choke: feeds the constant-current load",
    ),
    "choke into a regulator": (
        {"filter": [choke(0.1)], "regulator": {"output_voltage": 5.0}},
        "filter[1] choke: feeds the regulator",
    ),
    "diode on fire": ({"load": resistor(0.3), "diode": {"thermal_resistance": 500.0}}, "diode: would be hotter than"),
    "load without resistance": (
        {"load": resistor(10.0) | {"temperature_coefficient": -0.05}, "ambient": {"temperature": 60.0}},
        "load.temperature_coefficient: leaves no resistance",
    ),
}


@pytest.mark.parametrize("name", IMPOSSIBLE)
def test_impossible_circuits_are_named(name):
    changes, message = IMPOSSIBLE[name]
    with pytest.raises(PredictionError) as caught:
        predict(plain(**changes))
    assert message in str(caught.value)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 300


def test_a_circuit_without_a_steady_state_names_the_part_and_a_value_that_has_one():
    stiff = {"secondary_resistance": 0.0, "primary_resistance": 0.0}
    changes = {"mains": {"frequency": 400.0}, "filter": [capacitor(1.6e-3)], "load": resistor(1.5)}
    with pytest.raises(PredictionError) as caught:
        predict(plain("half wave", **changes, transformer=stiff | {"leakage_inductance": 200e-3}))
    assert str(caught.value).startswith("transformer.leakage_inductance: with 200 mH the circuit's steady state was")
    assert str(caught.value).endswith("with 2.00 mH there is one")
    assert predict(plain("half wave", **changes, transformer=stiff | {"leakage_inductance": 2e-3})).quantities


def test_giving_up_on_a_circuit_takes_few_steps(monkeypatch):
    """The steps of one mesh, plain, damped and along wider corners, and of all milder circuits at once."""
    taken = []
    evaluate = Circuit.evaluate
    monkeypatch.setattr(Circuit, "evaluate", lambda self, *rest: taken.append(1) or evaluate(self, *rest))
    with pytest.raises(PredictionError, match="with 321 mH there is one"):
        predict(draw_wild(random.Random("wbridge/26")))
    assert len(taken) < 600


def test_a_large_choke_alone_behind_a_half_wave_has_a_steady_state():
    # Conduction lasts nearly the whole period, and the choke holds almost all of the voltage: its mean current is
    # V̂/(ωL), as for an ideal diode and no resistance (a textbook's case, from memory).
    bench = plain("half wave", filter=[choke(5.0, 0.1)], load=resistor(10.0))
    found = solve(bench, parts_of(bench)).quantities
    assert found["output.current.mean"] == pytest.approx((20.0 * 2**0.5 - 0.7) / (314.16 * 5.0), rel=0.1)


def test_a_choke_before_a_regulator_has_a_steady_state_from_a_guess_nearer_to_zero():
    bench = draw(random.Random(6383168), "centre tap")
    found = predict(bench).quantities
    assert found["output.voltage.mean"].value == pytest.approx(bench.regulator.output_voltage, rel=1e-6)
    assert found["diode.current.mean"].value == pytest.approx(bench.load.current / 2.0, rel=1e-3)


def test_without_a_single_cause_the_message_says_so(monkeypatch):
    def never(*_):
        raise NoSteadyState("none")

    monkeypatch.setattr("benchmon.prediction.circuit.steady_state.circuit_of", never)
    bench = plain(filter=[choke(0.1), capacitor(1e-3)])
    assert "no single part is to blame" in diagnose_convergence(bench, parts_of(bench))


def test_a_measured_ambient_of_an_oven_is_refused():
    with pytest.raises(PredictionError, match="diode: would be hotter than"):
        predict(plain(), ambient=900.0)


def test_a_mains_of_zero_is_refused():
    with pytest.raises(PredictionError, match=r"mains\.voltage: is zero"):
        predict(plain(), mains_voltage=0.0)


def test_a_hot_diode_converges_in_spite_of_strong_thermal_feedback():
    bench = plain(filter=[capacitor(1e-2)], load=resistor(2.0), diode={"thermal_resistance": 55.0})
    found = predict(bench).quantities
    junction = found["diode.temperature.junction"].value
    assert 200 < junction < 300
    assert junction == pytest.approx(25 + 55 * found["diode.power.mean"].value, abs=0.1)


def test_an_elimination_of_what_is_not_zero_agrees_with_lapack():
    """A chain of chokes and nodes: nothing is on a node's diagonal until the current of a choke is eliminated."""
    random = np.random.default_rng(3)
    chain = np.diag(np.tile([1.0, 0.0], 4)[:7]) + np.diag(np.ones(6), 1) - np.diag(np.ones(6), -1)
    local = chain[..., None, None] * random.uniform(0.5, 2.0, (7, 7, 30, 20))
    right = np.eye(7)[:, [1, 5], None, None] * random.uniform(0.5, 2.0, (7, 2, 30, 20))
    by_lapack = np.linalg.solve(local.transpose(2, 3, 0, 1), right.transpose(2, 3, 0, 1)).transpose(2, 3, 0, 1)
    entries = {(row, column): local[row, column] for row, column in np.argwhere(chain).tolist()}
    stages = SparseStages(7, entries, {(1, 0): right[1, 0]}, 1)
    assert solve_sparsely(stages, right[:, 1]) == pytest.approx(by_lapack, rel=1e-9, abs=1e-12)


def test_a_matrix_without_anything_on_its_diagonal_is_refused():
    with pytest.raises(PredictionError, match="no unique solution"):
        solve_sparsely(SparseStages(2, {(0, 1): np.ones((3, 4))}, {}, 0), np.ones((2, 3, 4)))
