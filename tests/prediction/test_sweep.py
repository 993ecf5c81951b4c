"""Sweeps predicted: points against single predictions, figures against closed forms."""

from __future__ import annotations

import math

import pytest

from benchmon.bench import CurrentLoad
from benchmon.prediction import predict
from benchmon.prediction.curves.sweep import predict_sweep
from support.circuits.drawn import capacitor, choke, plain, resistor
from support.supplies import rated


def with_current(bench, amperes):
    return bench.model_copy(update={"load": CurrentLoad(kind="current", current=amperes)})


def test_points_solved_beside_others_are_those_of_single_predictions():
    bench = rated()
    amperes = [0.5 + 0.03 * step for step in range(9)]
    found = predict_sweep(bench, "load.current", amperes, mains_voltage=230.0)
    for point in (found.points[0], found.points[5], found.points[-1]):
        whole = predict(with_current(bench, point.value), mains_voltage=230.0).quantities
        assert point.quantities.keys() == whole.keys()
        for name in ("output.voltage.mean", "output.voltage.ripple", "mains.power.active", "diode.current.peak"):
            assert point.quantities[name].value == pytest.approx(whole[name].value, abs=0.01 * whole[name].uncertainty)
            assert point.quantities[name].uncertainty == pytest.approx(whole[name].uncertainty, rel=0.1)


def test_the_points_keep_the_order_of_the_values_and_know_no_load():
    found = predict_sweep(rated(), "load.resistance", [15.0, math.inf, 30.0])
    assert [point.value for point in found.points] == [15.0, math.inf, 30.0]
    volts = [point.quantities["output.voltage.mean"].value for point in found.points]
    assert volts[1] > volts[2] > volts[0]
    assert found.points[1].efficiency == pytest.approx(0.0, abs=1e-6)


def test_a_choke_input_has_the_resistance_of_what_its_current_passes():
    # In continuous current the mean falls by the ohmic drop and the junctions' logarithm (closed form, circuit theory):
    # choke 0.5 Ω, winding 0.2 Ω, two diodes of 20 mΩ, and 2·n·Vt·ln 2 over 1 A.
    bench = plain(
        "bridge",
        transformer={"open_circuit_voltage": 30.0, "secondary_resistance": 0.2, "primary_resistance": 0.0},
        filter=[choke(0.5, 0.5), capacitor(4.7e-3)],
        load=resistor(20.0),
    )
    found = predict_sweep(bench, "load.current", [1.0, 2.0])
    ohms = next(figure for figure in found.figures if figure.name == "output resistance")
    expected = 0.5 + 0.2 + 2 * 0.02 + 2 * 1.8 * 0.02569 * math.log(2)
    assert ohms.value == pytest.approx(expected, rel=0.02)
    assert ohms.uncertainty < 0.2 * ohms.value


def test_what_is_common_to_both_ends_falls_out_of_the_regulation():
    found = predict_sweep(rated(), "load.current", [0.2, 1.0])
    first, last = (point.quantities["output.voltage.mean"] for point in found.points)
    regulation = next(figure for figure in found.figures if figure.name == "load regulation")
    assert regulation.value == pytest.approx(100.0 * (first.value / last.value - 1.0))
    apart = 100.0 * math.hypot(first.uncertainty, last.uncertainty) / last.value
    assert regulation.uncertainty < apart / 2


def test_the_mains_moves_the_output_in_proportion_where_diodes_drop_little():
    bench = plain("bridge", transformer={"open_circuit_voltage": 1000.0}, load=resistor(1e4))
    found = predict_sweep(bench, "mains.voltage", [207.0, 253.0])
    (line,) = found.figures
    assert line.name == "line regulation"
    assert line.value == pytest.approx(100.0 * (253.0 - 207.0) / 230.0, rel=0.01)


def test_a_current_that_the_supply_does_not_carry_has_its_reason_and_the_others_stay():
    bench = plain("bridge", filter=[capacitor(2.2e-3)], load=resistor(20.0))
    found = predict_sweep(bench, "load.current", [0.5, 1.0, 500.0])
    assert [bool(point.problem) for point in found.points] == [False, False, True]
    assert "not carried" in found.points[-1].problem
    first, second = (point.quantities["output.voltage.mean"].value for point in found.points[:2])
    ohms = next(figure for figure in found.figures if figure.name == "output resistance")
    assert ohms.value == pytest.approx((first - second) / 0.5, rel=1e-3)
