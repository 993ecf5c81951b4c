"""Copper: winding resistances that follow the temperature of the windings."""

import pytest

from benchmon.prediction import predict
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.defects.fault_circuit import solve_fault_circuit
from benchmon.prediction.defects.wiring import Defects
from benchmon.prediction.monte_carlo import monte_carlo
from benchmon.prediction.operating_point import OperatingPointPredictor
from benchmon.prediction.winding_temperature import MeasuredWindings
from support.circuits.drawn import capacitor, plain, resistor

FILTER = [capacitor(4.7e-3, 0.03, tolerance=0.02)]
NO_CORE = {"no_load_current": 0.0, "no_load_loss": 0.0}


def supply(kind="bridge", **transformer):
    return plain(kind, filter=FILTER, transformer=NO_CORE | transformer)


def grown(bench, factor):
    """Return a bench whose windings have `factor` times the resistance, and no temperature."""
    transformer = bench.transformer
    changes = {name: factor * getattr(transformer, name) for name in ("primary_resistance", "secondary_resistance")}
    changes |= {"resistance_temperature": None, "winding_temperature": None}
    return bench.model_copy(update={"transformer": transformer.model_copy(update=changes)})


def values(bench):
    found = {name: entry.value for name, entry in predict(bench).quantities.items()}
    found.pop("transformer.temperature", None)
    return found


@pytest.mark.parametrize("kind", ["bridge", "half wave", "centre tap", "full-wave doubler"])
def test_held_windings_have_copper_s_resistance_at_that_temperature(kind):
    """Copper has 0.393 % of its resistance at 20 °C for each kelvin (IEC 60028, from memory)."""
    bench = supply(kind, resistance_temperature="20 °C", winding_temperature="80 °C")
    by_hand = values(grown(bench, 1.0 + 0.00393 * 60.0))
    for name, value in values(bench).items():
        assert value == pytest.approx(by_hand[name], rel=1e-3, abs=1e-6), name


def test_windings_held_where_they_were_measured_change_nothing():
    bench = supply(resistance_temperature="35 °C", winding_temperature="35 °C")
    plainly = values(supply())
    for name, value in values(bench).items():
        assert value == pytest.approx(plainly[name], rel=1e-6, abs=1e-9), name


def test_estimated_windings_are_those_held_at_the_estimated_temperature():
    bench = supply(resistance_temperature="20 °C", rating="80 VA")
    celsius = predict(bench).quantities["transformer.temperature"].value
    assert celsius > 35.0
    held = supply(resistance_temperature="20 °C", rating="80 VA", winding_temperature=celsius)
    expected = values(held)
    for name, value in values(bench).items():
        assert value == pytest.approx(expected[name], rel=1e-4, abs=1e-6), name


def test_a_circuit_for_faults_has_windings_as_warm():
    bench = supply(resistance_temperature="20 °C", rating="40 VA")
    sound = solve_fault_circuit(bench, parts_of(bench), Defects()).quantities
    expected = values(bench)
    for name in ("output.voltage.mean", "mains.current.rms", "secondary.current.rms"):
        assert sound[name][0] == pytest.approx(expected[name], rel=2e-3), name


def test_the_allowance_covers_cold_windings():
    name = "output.voltage.mean"
    warm = predict(supply(resistance_temperature="25 °C", rating="80 VA"), mains_voltage=230.0).quantities[name]
    cold = predict(
        supply(resistance_temperature="25 °C", rating="80 VA", winding_temperature="25 °C"), mains_voltage=230.0
    ).quantities[name]
    assert cold.value > warm.value
    assert cold.value - warm.value < warm.uncertainty
    assert cold.uncertainty < predict(supply(rating="80 VA"), mains_voltage=230.0).quantities[name].uncertainty


@pytest.mark.parametrize("kind", ["bridge", "half wave"])
@pytest.mark.parametrize("keys", [{}, {"resistance_temperature": "25 °C"}])
def test_what_a_kelvin_of_the_windings_changes_is_known_whatever_the_file_gives(kind, keys):
    """Behind a half wave the watts rise as copper warms, behind a bridge they fall: no rule of thumb has the sign."""
    found = predict(supply(kind, rating="80 VA", **keys), mains_voltage=230.0)
    held = [
        values(supply(kind, resistance_temperature="25 °C", winding_temperature=f"{celsius} °C"))
        for celsius in ((20.0, 30.0) if not keys else (40.0, 50.0))
    ]
    for name in ("output.voltage.mean", "mains.power_factor", "mains.current.crest_factor", "mains.power.active"):
        per_kelvin = (held[1][name] - held[0][name]) / 10.0
        assert found.warming[name] == pytest.approx(per_kelvin, rel=0.1, abs=1e-5 * abs(held[0][name])), name


def test_without_a_rating_nothing_changes():
    plainly, with_temperature = predict(supply()), predict(supply(resistance_temperature="20 °C"))
    assert with_temperature.quantities == plainly.quantities


@pytest.mark.parametrize("kind", ["bridge", "half wave"])
def test_where_no_temperature_is_given_the_allowance_covers_resistances_of_cold_windings(kind):
    """Windings that were measured cold end about a rated rise above that."""
    windings = {"primary_resistance": 60.0, "secondary_resistance": 0.5}
    bench = plain(kind, filter=FILTER, load=resistor(68.0), transformer=NO_CORE | windings | {"rating": "16 VA"})
    found = predict(bench, mains_voltage=230.0)
    warm = found.quantities["transformer.temperature"].value
    assert 50.0 < warm < 120.0
    by_hand = values(grown(bench, (234.5 + warm) / (234.5 + 25.0)))
    for name in ("output.voltage.mean", "mains.current.rms", "mains.power.active", "secondary.current.rms"):
        assert abs(by_hand[name] - found.quantities[name].value) < found.quantities[name].uncertainty, name
    assert "winding temperature (not given)" in found.unspecified["output.voltage.mean"]


def test_draws_follow_the_windings_as_full_solutions_do():
    bench = supply(resistance_temperature="20 °C", rating="40 VA")
    fast, full = (monte_carlo(bench, 100, mains_voltage=230.0, fast=way) for way in (True, False))
    for name in ("output.voltage.mean", "mains.current.rms", "transformer.temperature"):
        assert fast.values[name] == pytest.approx(full.values[name], rel=2e-3), name


def test_a_time_constant_is_that_of_the_transformer_s_warm_up():
    bench = supply(rating="80 VA", thermal_time_constant="30 min")
    assert predict(bench).warm_up["transformer.temperature"] == 1800.0


def test_a_winding_temperature_needs_that_of_the_measurement():
    with pytest.raises(ValueError, match="resistance_temperature"):
        supply(winding_temperature="60 °C")


@pytest.mark.parametrize("celsius", ["-60 °C", "400 °C", "20"])
def test_no_winding_is_that_warm(celsius):
    with pytest.raises(ValueError, match="resistance_temperature"):
        supply(resistance_temperature=celsius)


def followed(bench, celsius):
    """Return what is expected at 230 V and 25 °C, with a sensor on the windings that reads `celsius`, or without."""
    grid = OperatingPointPredictor(bench).around(230.0, 25.0)
    windings = None if celsius is None else MeasuredWindings(celsius)
    return {name: grid.expected(name, 230.0, 25.0, windings=windings) for name in predict(bench).quantities}


@pytest.mark.parametrize(
    ("kind", "celsius", "rating"),
    [
        ("bridge", 25.0, "160 VA"),
        ("bridge", 90.0, None),
        ("half wave", 90.0, "160 VA"),
        ("half wave", 25.0, None),
        ("centre tap", 25.0, "160 VA"),
        ("centre tap", 90.0, None),
        ("full-wave doubler", 90.0, "160 VA"),
        ("full-wave doubler", 25.0, None),
    ],
)
def test_measured_windings_are_followed_as_if_they_were_held(kind, celsius, rating):
    warmth = {"resistance_temperature": "20 °C", "rating": rating}
    found, before = (followed(supply(kind, **warmth), now) for now in (celsius, None))
    held_there = supply(kind, **warmth | {"winding_temperature": celsius, "rating": "80 VA"})
    held = predict(held_there, mains_voltage=230.0, ambient=25.0).quantities
    for name, entry in found.items():
        if name == "transformer.temperature":
            assert entry == before[name], "it is what the reading is compared with"
            continue
        assert abs(entry.value - held[name].value) <= 0.5 * entry.uncertainty, name


def test_a_measured_temperature_narrows_what_its_estimate_leaves_open():
    bench = supply("full-wave doubler", resistance_temperature="20 °C", rating="80 VA")
    name = "output.voltage.mean"
    assert followed(bench, 140.0)[name].uncertainty < 0.5 * followed(bench, None)[name].uncertainty


@pytest.mark.parametrize("celsius", [-60.0, 850.0])
def test_a_sensor_off_its_winding_is_not_followed(celsius):
    bench = supply(resistance_temperature="20 °C", rating="80 VA")
    assert followed(bench, celsius) == followed(bench, None)


def test_windings_whose_resistance_has_no_temperature_or_is_held_are_not_followed():
    held = {"resistance_temperature": "20 °C", "winding_temperature": "60 °C"}
    for warmth in ({}, held):
        bench = supply(rating="80 VA", **warmth)
        assert followed(bench, 90.0) == followed(bench, None)
