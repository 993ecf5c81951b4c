"""Ratings: the arithmetic of every margin, exceeded limits, and the cautions."""

from __future__ import annotations

import math
from dataclasses import asdict

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from benchmon.bench.topology import TOPOLOGIES
from benchmon.prediction import predict
from benchmon.prediction.ratings.cautions import bleed_time
from benchmon.prediction.ratings.check import check
from benchmon.prediction.ratings.margins import above, below, fuse_heating, gate_i2t, headroom, windings_used
from benchmon.prediction.ratings.switch_on import core_inrush, switch_on
from benchmon.prediction.ratings.worst_case import LOW, worst_case_of
from support.supplies import CENTRE_TAPPED, RATED, rated


def by_name(ratings):
    return {margin.name: margin for margin in ratings.margins}


def caution(ratings, *words):
    found = [text for text in ratings.cautions if all(word in text for word in words)]
    assert len(found) == 1, (words, ratings.cautions)
    return found[0]


def test_every_rating_of_the_file_has_a_margin_of_the_contract():
    found = check(rated()).margins
    assert [margin.name for margin in found] == [
        "diode mean current",
        "diode surge current",
        "diode reverse voltage",
        "diode junction temperature",
        "capacitor 1 voltage",
        "capacitor 1 ripple current",
        "fuse current",
        "fuse surge I²t",
        "transformer apparent power",
        "load power",
    ]
    for margin in found:
        assert list(asdict(margin)) == ["name", "value", "limit", "unit", "margin", "ok"]
        assert margin.margin == pytest.approx(1.0 - margin.value / margin.limit)
        assert margin.ok == (margin.value <= margin.limit) == (margin.margin >= 0.0)


def test_values_are_those_of_high_mains():
    found = by_name(check(rated()))
    high = predict(rated(), mains_voltage=230.0 * 1.06).quantities
    for name, quantity in {
        "diode mean current": "diode.current.mean",
        "diode junction temperature": "diode.temperature.junction",
        "capacitor 1 ripple current": "reservoir.current.rms",
        "fuse current": "mains.current.rms",
        "load power": "load.power.mean",
    }.items():
        assert found[name].value == pytest.approx(high[quantity].value, rel=1e-3), name
    surge = switch_on(rated(), mains_voltage=230.0 * 1.06)
    assert found["diode surge current"].value == pytest.approx(surge.diode_peak)


def test_voltages_are_those_of_high_mains_without_load():
    found = by_name(check(rated()))
    top = 18.4 * 1.06 * math.sqrt(2.0)
    assert found["diode reverse voltage"].value == pytest.approx(top, rel=0.01)
    assert top - 1.0 < found["capacitor 1 voltage"].value < top
    loaded = predict(rated(), mains_voltage=230.0 * 1.06).quantities
    assert found["capacitor 1 voltage"].value > loaded["reservoir.voltage.peak"].value


@pytest.mark.parametrize(("kind", "times"), [("centre tap", 2), ("half wave", 2), ("full-wave doubler", 2)])
def test_reverse_voltage_of_other_wirings_is_twice_the_peak(kind, times):
    transformer = CENTRE_TAPPED if kind == "centre tap" else {}
    found = by_name(check(rated(rectifier=f'kind = "{kind}"', transformer=transformer)))
    # Without load the diode sees the winding's peak and the reservoir's, which is a forward drop less.
    assert found["diode reverse voltage"].value == pytest.approx(times * 18.4 * 1.06 * math.sqrt(2.0), rel=0.02)


def test_the_capacitor_input_trap_counts_rms_current():
    high = predict(rated(), mains_voltage=230.0 * 1.06).quantities
    found = by_name(check(rated()))["transformer apparent power"]
    amperes = high["secondary.current.rms"].value
    # The primary's 14 Ω are 14 Ω × (18.4/230)² = 0.0896 Ω at the secondary; 80 VA are 4.588 A at 17.438 V, for they
    # drop 4.588 A × (0.12 + 0.0896) Ω = 0.962 V of the 18.4 V.
    assert found.value == pytest.approx(amperes * 17.438, rel=1e-3)
    assert found.value > 1.3 * high["output.power.mean"].value
    text = caution(check(rated()), "capacitor input")
    assert "rms" in text


def loaded_volts(unloaded, ohms, rating):
    """Return the volts of a winding at rated current, by going round: amperes from volts, volts from amperes."""
    volts = unloaded
    for _ in range(60):
        volts = unloaded - ohms * rating / volts
    return volts


@pytest.mark.parametrize("windings", [1, 2])
def test_measured_values_of_a_rated_transformer_leave_its_margin_as_it_was(windings):
    rated_by_label = f"""
        primary_voltage = "230 V"
        secondaries = {windings}
        rating = "60 VA"
        rated_voltage = "18 V"
        regulation = "11 %"
        leakage_inductance = "0 H"
        """
    label = rated(transformer=rated_by_label)
    known = label.transformer
    measured = {
        "secondaries": windings,
        "rating": "60 VA",
        "open_circuit_voltage": known.open_circuit_voltage,
        "primary_resistance": known.primary_resistance,
        "secondary_resistance": known.secondary_resistance,
        "no_load_current": None,
        "no_load_loss": None,
    }
    before, after = (by_name(check(one))["transformer apparent power"] for one in (label, rated(transformer=measured)))
    assert after.value == pytest.approx(before.value, rel=1e-6)
    assert after.margin == pytest.approx(before.margin, abs=1e-6)


def test_a_rating_that_the_windings_cannot_give_counts_the_most_that_they_can():
    weak = rated(transformer={"secondary_resistance": "20 Ω"}).transformer
    assert weak.full_load_voltage == pytest.approx(9.2)  # matched: half of what it has unloaded


def test_without_a_rating_full_load_is_not_known():
    assert rated(transformer={"rating": None}).transformer.full_load_voltage == pytest.approx(18.4)


def test_an_unused_winding_does_not_add_to_the_rating():
    one = by_name(check(rated()))["transformer apparent power"].value
    two = by_name(check(rated(transformer=CENTRE_TAPPED)))["transformer apparent power"].value
    # The same rating over two windings is half the current, and half the drop, of each.
    volts = [loaded_volts(18.4, 0.12 + of_primary, share) for of_primary, share in ((0.0896, 80.0), (0.1792, 40.0))]
    assert two == pytest.approx(2.0 * one * volts[1] / volts[0], rel=1e-3)
    assert windings_used(rated(transformer=CENTRE_TAPPED)) == 1


def test_rated_windings_count_with_their_rated_voltage():
    windings = (
        'primary_voltage = "230 V"\nsecondaries = 2\nconnection = "series"\nrated_voltage = "9 V"\n'
        'regulation = "12 %"\nrating = "100 VA"'
    )
    found = by_name(check(rated(transformer=windings)))["transformer apparent power"]
    high = predict(rated(transformer=windings), mains_voltage=230.0 * 1.06).quantities
    assert found.value == pytest.approx(high["secondary.current.rms"].value * 18.0, rel=1e-3)


def test_exceeded_limits_are_negative_and_named_first():
    small = RATED["filter"][0] | {"voltage_rating": "25 V"}
    ratings = check(rated(filter=[small], load={"power_rating": "20 W"}))
    found = by_name(ratings)
    assert not ratings.ok
    for name in ("capacitor 1 voltage", "load power"):
        assert not found[name].ok
        assert found[name].margin < 0.0
        assert name in ratings.cautions[0]
    assert found["diode mean current"].ok
    assert check(rated()).ok


@pytest.mark.parametrize(
    ("key", "name"),
    [
        ("mean_current_rating", "diode mean current"),
        ("surge_current_rating", "diode surge current"),
        ("reverse_voltage_rating", "diode reverse voltage"),
        ("max_junction", "diode junction temperature"),
    ],
)
def test_a_missing_rating_is_a_caution(key, name):
    ratings = check(rated(diode={key: None}))
    assert name not in by_name(ratings)
    assert key in caution(ratings, "Not checked")


def test_a_bench_with_hardly_any_rating_still_gets_its_cautions():
    ratings = check(
        rated(
            fuse=None,
            diode=dict.fromkeys(list(RATED["diode"])[3:]),
            filter=['kind = "capacitor"\ncapacitance = "6.8 mF"'],
            load='kind = "resistor"\nresistance = "15 Ω"',
            transformer={"rating": None},
            mains='voltage = "230 V"\nfrequency = "50 Hz"',
        )
    )
    assert ratings.margins == ()
    assert ratings.ok
    for words in (["no fuse"], ["Not checked", "filter[1].voltage_rating"], ["no tolerance"], ["Local electrical"]):
        caution(ratings, *words)


def test_capacitor_voltage_counts_an_overshoot_at_switch_on():
    ladder = [
        'kind = "choke"\ninductance = "20 mH"\nresistance = "0.1 Ω"',
        'kind = "capacitor"\ncapacitance = "1 mF"\nvoltage_rating = "25 V"',
    ]
    quick = rated(filter=ladder, load='kind = "resistor"\nresistance = "12 Ω"')
    found = by_name(check(quick))["capacitor 2 voltage"]
    assert found.value >= switch_on(quick, mains_voltage=230 * 1.06).capacitor_peaks[1] - 1e-9


def test_a_regulator_needs_its_dropout_at_low_mains():
    regulator = (
        'output_voltage = "{} V"\ndropout = "2 V"\nquiescent_current = "5 mA"\n'
        'thermal_resistance = "{} K/W"\nmax_junction = "125 °C"'
    )
    enough = by_name(check(rated(regulator=regulator.format(12, 4))))
    low = predict(rated(regulator=regulator.format(12, 4)), mains_voltage=230 * 0.94).quantities
    assert enough["regulator headroom"].value == pytest.approx(low["regulator.voltage.headroom"].value, rel=1e-3)
    assert enough["regulator headroom"].ok
    assert enough["regulator junction temperature"].ok
    starved = by_name(check(rated(regulator=regulator.format(19, 4))))["regulator headroom"]
    assert not starved.ok
    assert starved.margin < 0.0
    # Out of regulation the output falls with the input; what counts is the output that was asked for.
    worst_case = worst_case_of(rated(regulator=regulator.format(19, 4)))
    assert headroom(worst_case)[LOW] < 2.0 - 0.05
    hot = by_name(check(rated(regulator=regulator.format(5, 40))))["regulator junction temperature"]
    assert not hot.ok


def test_margins_of_limits_from_above_and_below():
    assert below("x", 1.0, 4.0, "A").margin == 0.75
    assert above("x", 4.0, 1.0, "V").margin == 0.75
    assert above("x", 1.0, 4.0, "V").margin == -0.75
    assert above("x", 0.0, 0.0, "V").ok
    assert not above("x", -1.0, 0.0, "V").ok
    assert not below("x", 30.0, -5.0, "°C").ok
    assert below("x", 30.0, -5.0, "°C").margin < 0


def test_fuse_heating_is_between_one_pulse_and_the_whole_surge():
    worst_case = worst_case_of(rated())
    pulse = worst_case.surge.first_half_cycle_i2t
    assert pulse <= fuse_heating(worst_case) <= worst_case.surge.surge_i2t
    slow = worst_case_of(
        rated(filter=['kind = "capacitor"\ncapacitance = "0.5 F"'], fuse='rating = "20 A"\nspeed = "fast"')
    )
    # A long, weak surge is carried by a fuse that carries more than it for ever.
    assert fuse_heating(slow) < 0.5 * slow.surge.surge_i2t


def test_gates_replace_a_missing_melting_i2t_only_if_they_cover_the_surge():
    lag = rated(fuse='rating = "1 A"\nspeed = "time-lag"')
    found = by_name(check(lag))["fuse surge I²t (least by IEC 60127-2)"]
    assert found.limit == pytest.approx(2.0)
    quick = rated(fuse='rating = "200 mA"\nspeed = "fast"')
    assert not any("I²t" in name for name in by_name(check(quick)))
    caution(check(quick), "not known", "melting_i2t")
    assert gate_i2t(quick.fuse, 0.5) == pytest.approx(0.16 * 0.2**2)
    assert gate_i2t(rated(fuse='rating = "20 A"\nspeed = "time-lag"').fuse, 1.0) is None


def first_half_wave(core, level, angle, air_core):
    """Return peak and I²t of the current into a core whose flux is integrated by scipy, closed at `angle`.

    Flux counts in that of the rated voltage's peak: nothing flows below saturation, 1.25; beyond it the winding has
    its `air_core` reactance (ohms). Flux doubling from 80 % of remanence is in every textbook on transformers.
    """
    top = core.peak * core.resistance
    turns = 2.0 * math.pi * 50.0

    def current(flux):
        return max(flux - 1.25, 0.0) * top / level / air_core

    def slope(time, state):
        amperes = current(state[0])
        flux = (top * math.sin(turns * time + angle) - core.resistance * amperes) * turns * level / top
        return [flux, amperes**2]

    found = solve_ivp(slope, (0.0, 0.02), [0.8, 0.0], method="LSODA", rtol=1e-7, atol=1e-9, max_step=1e-5)
    return max(map(current, found.y[0])), found.y[1][-1]


def test_core_inrush_bounds_what_an_integrated_core_takes():
    core = core_inrush(rated(), 230.0)
    peak, i2t = first_half_wave(core, 1.0, 0.0, 0.02 * core.resistance)
    assert core.peak == pytest.approx(peak, rel=0.02), "nearly no air-core reactance: the resistance alone limits it"
    assert core.i2t == pytest.approx(i2t, rel=0.02)
    for angle in (0.0, 0.4, 1.0):
        for air_core in (0.3, 1.0, 3.0):
            peak, i2t = first_half_wave(core, 1.0, angle, air_core * core.resistance)
            assert peak < core.peak
            assert i2t < core.i2t


def test_core_inrush_is_bounded_by_the_primary_resistance():
    core = core_inrush(rated(), 230.0)
    assert core.resistance == pytest.approx(14.4)
    assert core.peak == pytest.approx(230 * math.sqrt(2) / 14.4)
    angle = np.linspace(math.acos(1 + 0.8 - 1.25), math.pi, 100_001)
    numeric = np.trapezoid((core.peak * np.sin(angle)) ** 2, angle) / (2 * math.pi * 50)
    assert core.i2t == pytest.approx(numeric, rel=1e-6)
    assert core_inrush(rated(), 243.8).i2t > core.i2t * 1.06**2
    assert core_inrush(rated(), 230.0, remanence=0.2).i2t < core.i2t
    bare = rated(transformer={"primary_resistance": "0 Ω"}, mains='voltage = "230 V"\nfrequency = "50 Hz"')
    assert core_inrush(bare, 230.0).peak is None
    caution(check(bare), "cannot be bounded")


def test_stored_energy_and_bleed_time_are_closed_forms():
    ratings = check(rated())
    volts = by_name(ratings)["capacitor 1 voltage"].value
    text = caution(ratings, "capacitors hold")
    assert f"{0.5 * 6.8e-3 * volts**2:.3g} J" in text
    seconds = 15 * 6.8e-3 * math.log(volts / 5)
    assert bleed_time(rated(), 6.8e-3, volts, 5.0) == pytest.approx(seconds)
    assert f"{seconds * 1e3:.3g} ms below 5 V" in text
    constant = rated(load='kind = "current"\ncurrent = "0.5 A"')
    assert bleed_time(constant, 6.8e-3, volts, 5.0) == pytest.approx(6.8e-3 * (volts - 5) / 0.5)
    assert bleed_time(constant, 6.8e-3, 4.0, 5.0) == 0.0


def test_a_regulated_load_bleeds_at_constant_current_until_it_drops_out():
    regulated = rated(regulator='output_voltage = "10 V"\ndropout = "2 V"\nquiescent_current = "0 A"')
    expected = 1e-3 * (20 - 12) / (10 / 15) + 15 * 1e-3 * math.log(12 / 5)
    assert bleed_time(regulated, 1e-3, 20.0, 5.0) == pytest.approx(expected)
    assert bleed_time(regulated, 1e-3, 20.0, 15.0) == pytest.approx(1e-3 * 5 / (10 / 15))


def test_an_open_load_bleeds_nothing():
    assert bleed_time(rated(load='kind = "open"'), 1e-3, 20.0, 5.0) is None
    caution(check(rated(load='kind = "open"')), "Nothing bleeds")


def test_high_secondary_voltages_are_a_caution():
    assert not any("ES1" in text for text in check(rated()).cautions)
    doubler = rated(rectifier='kind = "full-wave doubler"', transformer={"open_circuit_voltage": "24 V"})
    assert "before it" in caution(check(doubler), "ES1")


@pytest.mark.parametrize("kind", TOPOLOGIES)
def test_every_topology_has_a_caution_on_earthed_probes(kind):
    tapped, two = kind in ("centre tap", "split rail"), TOPOLOGIES[kind].needs_two_windings
    transformer = CENTRE_TAPPED if tapped else {"secondaries": 2} if two else {}
    text = caution(check(rated(rectifier=f'kind = "{kind}"', transformer=transformer)), "ground clip")
    assert ("tap" in text) == tapped


@pytest.mark.parametrize(("outputs", "words"), [("isolated", "share nothing"), ("stacked", "upper")])
def test_how_two_outputs_are_joined_decides_what_may_be_earthed_and_touched(outputs, words):
    windings = {"secondaries": 2, "open_circuit_voltage": "25 V"}
    bench = rated(rectifier=f'kind = "two bridges"\noutputs = "{outputs}"', transformer=windings)
    found = check(bench)
    assert words in caution(found, "ground clip")
    # Either output stays below 60 V d.c. (ES1 of IEC 62368-1, from memory), both together do not.
    assert any("not safe to touch" in text for text in found.cautions) == (outputs != "isolated")


def test_hot_parts_are_named_with_their_temperature():
    text = caution(check(rated(diode={"thermal_resistance": "80 K/W"})), "Hot at high mains")
    assert "diode's case" in text
    assert not any("Hot at high mains" in text for text in check(rated()).cautions)


@pytest.mark.parametrize(
    "changes",
    [
        {"filter": []},
        {"filter": ['kind = "choke"\ninductance = "80 mH"\nresistance = "0.5 Ω"']},
        {"filter": ['kind = "capacitor"\ncapacitance = "1 µF"']},
        {"load": 'kind = "current"\ncurrent = "1 A"'},
        {"load": 'kind = "open"', "filter": []},
    ],
    ids=["no filter", "choke", "small", "current", "nothing"],
)
def test_every_circuit_can_be_checked(changes):
    ratings = check(rated(**changes))
    for margin in ratings.margins:
        assert math.isfinite(margin.value)
        assert math.isfinite(margin.margin)
    assert all(text.endswith(".") and "\n" not in text and "nan" not in text.split() for text in ratings.cautions)
