"""Where a predicted value comes from: formulas against handbooks, effects against closed forms, the budget's sum."""

from __future__ import annotations

import math
from functools import cache

import pytest

from benchmon.errors import PredictionError
from benchmon.prediction import predict
from benchmon.prediction.explained.derivation import Derivation, explain
from benchmon.prediction.explained.formulas import handbook_of
from benchmon.prediction.explained.wirings import wiring_costs, wirings_as_text
from benchmon.prediction.explained.wording import derivation_as_dict, derivation_as_text
from support.circuits.drawn import capacitor, choke, current, plain, resistor
from support.supplies import bench_of, rated

QUANTITIES = (
    "output.voltage.mean",
    "reservoir.voltage.ripple",
    "diode.temperature.junction",
    "mains.voltage.thd",
    "mains.power_factor",
)


@cache
def of_rated(quantity: str) -> Derivation:
    return explain(rated(mains={"harmonics": None}), quantity)


def handbook(kind, quantity, *, rms=70.7106781187, hertz=60.0, load, filters=()) -> float:
    bench = plain(
        kind,
        mains={"frequency": hertz},
        transformer={"open_circuit_voltage": rms},
        filter=list(filters),
        load=load,
    )
    value = explain(bench, quantity).handbook.value
    assert value is not None
    return value


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_the_effects_add_up_to_the_predicted_value_exactly(quantity):
    found = of_rated(quantity)
    total = found.start + found.left_out + sum(effect.change for effect in found.ladder.effects)
    assert total == pytest.approx(found.expected.value, abs=1e-9)


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_the_budget_adds_up_to_the_stated_uncertainty(quantity):
    found = of_rated(quantity)
    assert 2 * found.budget.combined == pytest.approx(found.expected.uncertainty, rel=1e-3)
    assert math.hypot(*(row.contribution for row in found.budget.rows)) == pytest.approx(found.budget.combined)
    assert sum(row.share for row in found.budget.rows) == pytest.approx(1.0)
    for row in found.budget.rows:
        if row.sensitivity is not None and row.standard is not None:
            assert abs(row.sensitivity) * row.standard == pytest.approx(row.contribution)


@pytest.mark.parametrize(
    ("kind", "mean", "rms", "form", "ripple"),
    [("half wave", 0.3183, 0.5, 1.5708, 1.2114), ("bridge", 0.6366, 0.7071, 1.1107, 0.4834)],
)
def test_into_a_resistor_the_formulas_are_those_of_the_table(kind, mean, rms, form, ripple):
    # Table of single-phase rectifiers with ideal parts, any power-electronics textbook; closed form. Peak 100 V.
    load = resistor(50.0)
    assert handbook(kind, "output.voltage.mean", load=load) == pytest.approx(100 * mean, rel=2e-4)
    assert handbook(kind, "output.voltage.rms", load=load) == pytest.approx(100 * rms, rel=2e-4)
    assert handbook(kind, "output.voltage.form_factor", load=load) == pytest.approx(form, rel=2e-4)
    assert handbook(kind, "output.voltage.ripple_factor", load=load) == pytest.approx(ripple, rel=2e-4)


def test_a_reservoir_behind_a_bridge():
    # Fardo and Patrick, p. 197 (memory): 28.2 V peak, 500 µF, 300 mA, 60 Hz: 25.70 V.
    mean = handbook(
        "bridge",
        "output.voltage.mean",
        rms=28.2 / math.sqrt(2),
        load=current(0.3),
        filters=[capacitor(500e-6)],
    )
    assert mean == pytest.approx(25.70, abs=0.01)


def test_a_peak_rectifier():
    # Sedra and Smith (memory): 100 V peak, 60 Hz, 10 kΩ and 83.3 µF: 2 V of ripple, 638 mA at most in the diode.
    # They take the load's current from the peak voltage, 1 % more than from the mean.
    with_load = {"load": resistor(10e3), "filters": [capacitor(83.3e-6)]}
    assert handbook("half wave", "reservoir.voltage.ripple", **with_load) == pytest.approx(2.0, rel=0.015)
    assert handbook("half wave", "diode.current.peak", **with_load) == pytest.approx(0.638, rel=0.015)


def test_a_choke_input_takes_the_mean_of_the_rectified_sine():
    # Mean 2/π of the peak, and ripple of the second harmonic 4/(3π) behind LC (Fourier series, closed form).
    with_load = {"load": resistor(50.0), "filters": [choke(0.5), capacitor(1e-3)], "hertz": 50.0}
    assert handbook("bridge", "output.voltage.mean", **with_load) == pytest.approx(63.66, rel=1e-3)
    omega = 2 * math.pi * 100
    ripple = 2 * 4 / (3 * math.pi) * 100 / (omega**2 * 0.5 * 1e-3 - 1)
    assert handbook("bridge", "output.voltage.ripple", **with_load) == pytest.approx(ripple, rel=1e-9)


def test_the_resistance_of_a_winding_divides_with_the_load():
    # Closed form: a winding of 1 Ω before 9 Ω takes a tenth of what comes out of the diodes.
    bench = plain(
        "bridge",
        transformer={"open_circuit_voltage": 1000.0, "secondary_resistance": 1.0, "primary_resistance": 0.0},
        diode={"series_resistance": 0.0},
        load=resistor(9.0),
    )
    found = explain(bench, "output.voltage.mean")
    diodes, windings = (each.change for each in found.ladder.effects[:2])
    assert windings == pytest.approx(-0.1 * (found.ladder.ideal + diodes), rel=1e-3)


def test_the_diodes_of_a_bridge_drop_twice_what_those_of_a_centre_tap_do():
    # Two in the way against one; into a resistor the conduction hardly changes.
    drops = []
    for kind in ("bridge", "centre tap"):
        bench = plain(kind, transformer={"open_circuit_voltage": 100.0, "secondary_resistance": 0.01})
        effects = explain(bench, "output.voltage.mean").ladder.effects
        drops.append(next(each.change for each in effects if "drop" in each.label))
    assert drops[0] == pytest.approx(2 * drops[1], rel=0.02)


def test_a_wide_mains_is_what_to_measure():
    found = of_rated("output.voltage.mean")
    assert found.budget.rows[0].label == "mains voltage"
    assert "mains voltage" in found.budget.halving.inputs
    assert found.budget.halving.reading is not None
    measured = predict(rated(mains={"harmonics": None}), mains_voltage=230.0).quantities["output.voltage.mean"]
    assert found.budget.halving.leaves < found.expected.uncertainty
    assert measured.uncertainty < found.expected.uncertainty / 2


def test_a_quantity_that_is_not_there_is_refused_with_those_that_are():
    with pytest.raises(PredictionError, match=r"regulator\.power\.mean: is not predicted .* output\.voltage\.mean"):
        explain(bench_of(), "regulator.power.mean")


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_the_text_fits_eighty_columns_and_ends_with_the_predicted_value(quantity):
    text = derivation_as_text(of_rated(quantity))
    assert max(len(line) for line in text.splitlines()) <= 80
    assert any(line.split() and line.split()[0] == "predicted" for line in text.splitlines())


def test_the_object_holds_the_whole_sum():
    found = derivation_as_dict(of_rated("output.voltage.mean"))
    start = found["handbook"]["value"]
    assert start + sum(effect["change"] for effect in found["effects"]) == pytest.approx(found["value"])
    assert found["budget"][0]["share"] == max(row["share"] for row in found["budget"])


def test_a_doubler_s_current_is_that_of_two_reservoirs_in_series():
    # Each of two capacitors C is charged to Vp once a period and is on average half its ripple I/(f·C) below (circuit
    # theory), so that I = 2·Vp/(R + 1/(f·C)).
    bench = plain(
        "full-wave doubler",
        transformer={"open_circuit_voltage": 100 / math.sqrt(2)},
        filter=[capacitor(1e-3)],
        load=resistor(200.0),
    )
    found = explain(bench, "output.current.mean").handbook
    assert found.value == pytest.approx(200.0 / (200.0 + 1 / (50.0 * 1e-3)))
    assert "1/(f·C)" in found.steps[-1].formula


@pytest.mark.parametrize(("kind", "below", "ripple"), [("half-wave doubler", 1.5, 1.0), ("tripler", 4.0, 3.0)])
def test_a_cascade_is_explained_by_the_charge_of_a_period(kind, below, ripple):
    winding = {"open_circuit_voltage": 100 / math.sqrt(2)}
    bench = plain(kind, transformer=winding, filter=[capacitor(1e-3)], load=current(0.2))
    times, charge = (3 if kind == "tripler" else 2), 0.2 / 50.0 / 1e-3
    mean, waves = (handbook_of(bench, f"output.voltage.{what}", 230.0).result for what in ("mean", "ripple"))
    assert mean == pytest.approx(times * 100.0 - below * charge)
    assert waves == pytest.approx(ripple * charge)


def test_each_wiring_costs_what_the_table_of_rectifiers_says():
    # At a thousand volts a diode's drop no longer counts. Into a resistor (any table of single-phase rectifiers): a
    # bridge and a split rail use their windings in full, a centre tap and a half wave √2 times that; a diode holds off
    # the peak of the bridge's winding, twice the peak of one half, the peak of the half wave's.
    windings = {"secondaries": 2, "connection": "series", "rating": 1e3}
    volts = {"open_circuit_voltage": 1000.0, "primary_resistance": 1e-3, "secondary_resistance": 1e-3}
    costs = wiring_costs(plain(transformer=windings | volts, load=resistor(4e3)))
    assert [each.power for each in costs] == pytest.approx([1e3] * len(costs), rel=5e-3)
    series = {each.kind: each for each in costs if each.connection == "series"}
    assert {kind: each.use for kind, each in series.items()} == pytest.approx(
        {"bridge": 1.0, "centre tap": math.sqrt(2.0), "half wave": math.sqrt(2.0), "split rail": 1.0}, rel=5e-3
    )
    peaks = {kind: each.reverse / 1000.0 / math.sqrt(2.0) for kind, each in series.items()}
    assert peaks == pytest.approx(dict.fromkeys(series, 2.0), rel=5e-3)
    assert {kind: (each.diodes, each.drops) for kind, each in series.items()} == {
        "bridge": (4, 2), "centre tap": (2, 1), "half wave": (1, 1), "split rail": (4, 1)
    }  # fmt: skip
    text = wirings_as_text(costs)
    assert max(map(len, text.splitlines())) <= 80
    assert "* bridge" in text


def test_without_a_load_no_wiring_costs_anything():
    with pytest.raises(PredictionError, match="give a load"):
        wiring_costs(plain(load={"kind": "open"}))
