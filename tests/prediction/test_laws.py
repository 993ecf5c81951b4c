"""Scaling laws of a circuit, and equivalent ways to write a bench."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.bench import Bench, Capacitor, Choke, CurrentLoad
from benchmon.prediction import predict
from support.circuits.agreement import predicted
from support.circuits.drawn import KINDS, capacitor, choke, draw, plain, resistor

DRAWN = st.builds(draw, st.builds(random.Random, st.integers(0, 10**9)), st.sampled_from(KINDS))
RESERVOIR = [capacitor(4.7e-3, 0.05)]
TWO = {"secondaries": 2, "connection": "series"}


def of_unit(found: dict[str, float], *endings: str) -> dict[str, float]:
    return {name: value for name, value in found.items() if any(ending in name for ending in endings)}


def impedances_times(bench: Bench, factor: float) -> Bench:
    """Return the bench with every impedance scaled, and everything that carries a current with it."""

    def part(old):
        if isinstance(old, Capacitor):
            return old.model_copy(update={"capacitance": old.capacitance / factor, "esr": old.esr * factor})
        larger = {"resistance": old.resistance * factor}
        if isinstance(old, Choke):
            larger["inductance"] = old.inductance * factor
        return old.model_copy(update=larger)

    t, d, load = bench.transformer, bench.diode, bench.load
    grown = ("primary_resistance", "secondary_resistance", "leakage_inductance")
    shrunk = ("no_load_current", "no_load_loss")
    name = "current" if isinstance(load, CurrentLoad) else "resistance"
    amount = getattr(load, name) * (1 / factor if name == "current" else factor)
    changes = {
        "mains": bench.mains.model_copy(update={"source_resistance": bench.mains.source_resistance * factor}),
        "transformer": t.model_copy(
            update={key: getattr(t, key) * factor for key in grown} | {key: getattr(t, key) / factor for key in shrunk}
        ),
        "diode": d.model_copy(
            update={
                "saturation_current": d.saturation_current / factor,
                "series_resistance": d.series_resistance * factor,
            }
        ),
        "filter": tuple(part(old) for old in bench.filter),
        "load": load.model_copy(update={name: amount}),
    }
    if bench.regulator:
        less = {"quiescent_current": bench.regulator.quiescent_current / factor}
        changes["regulator"] = bench.regulator.model_copy(update=less)
    return bench.model_copy(update=changes)


@settings(max_examples=25, deadline=None)
@given(DRAWN, st.floats(0.1, 10.0))
def test_impedances_times_k_are_currents_over_k(bench, factor):
    before, after = predicted(bench), predicted(impedances_times(bench, factor))
    scale = before["output.voltage.peak"]
    for name, value in before.items():
        power = 1.0 / factor if ".current." in name or ".power." in name else 1.0
        unscaled = any(name.endswith(end) for end in ("thd", "factor"))
        least = 1e-4 * scale if ".voltage." in name and not unscaled else 1e-7
        # The reverse peak of a half wave with a choke is known to 0.2 % only: drawn ones were 0.15 % off.
        close = 2e-3 if name == "diode.voltage.reverse_peak" else 3e-4
        assert after[name] == pytest.approx(value * (1.0 if unscaled else power), rel=close, abs=least), name


@pytest.mark.parametrize("kind", KINDS)
def test_with_almost_ideal_diodes_everything_is_in_proportion_to_the_voltage(kind):
    diode = {"saturation_current": 1e-3, "emission_coefficient": 0.5, "series_resistance": 0.0}
    low = plain(kind, filter=RESERVOIR, diode=diode, transformer={"open_circuit_voltage": 500.0})
    high = low.model_copy(update={"mains": low.mains.model_copy(update={"voltage": 460.0})})
    before, after = predicted(low), predicted(high)
    for name, value in before.items():
        if name.endswith((".voltage.mean", ".current.rms", ".ripple", ".peak", "reverse_peak")):
            assert after[name] == pytest.approx(2 * value, rel=3e-3), name
    assert after["output.power.mean"] == pytest.approx(4 * before["output.power.mean"], rel=4e-3)
    assert after["mains.power_factor"] == pytest.approx(before["mains.power_factor"], abs=2e-3)


def same(one: Bench, other: Bench, *but: str) -> None:
    first, second = predicted(one), predicted(other)
    for name in but:
        first.pop(name), second.pop(name)
    assert second == pytest.approx(first, rel=2e-4, abs=1e-6)


def test_one_capacitor_or_two_of_half_the_value():
    same(plain(filter=[capacitor(4e-3)]), plain(filter=[capacitor(2e-3), capacitor(2e-3)]), "reservoir.current.rms")


def test_one_resistor_or_two_of_half_the_value():
    one = [capacitor(1e-3), resistor(4.0), capacitor(1e-3)]
    two = [capacitor(1e-3), resistor(2.0), resistor(2.0), capacitor(1e-3)]
    same(plain(filter=one), plain(filter=two))


def test_one_choke_or_two_of_half_the_value():
    one = [capacitor(1e-3), choke(40e-3, 1.0), capacitor(1e-3)]
    two = [capacitor(1e-3), choke(20e-3, 0.3), choke(20e-3, 0.7), capacitor(1e-3)]
    same(plain(filter=one), plain(filter=two))


def test_a_resistor_before_or_after_a_choke():
    one = [capacitor(1e-3), choke(20e-3), resistor(2.0), capacitor(1e-3)]
    other = [capacitor(1e-3), resistor(2.0), choke(20e-3), capacitor(1e-3)]
    same(plain(filter=one), plain(filter=other))


def test_resistance_in_the_fuse_the_primary_or_the_source():
    fuse = {"rating": 1.0, "speed": "fast", "resistance": 3.0}
    in_fuse = plain(filter=RESERVOIR, fuse=fuse)
    in_primary = plain(filter=RESERVOIR, transformer={"primary_resistance": 13.0})
    same(in_fuse, in_primary)
    in_source = predicted(plain(filter=RESERVOIR, mains={"source_resistance": 3.0}))
    for name, value in of_unit(predicted(in_fuse), "output.", "diode.", "secondary.", "mains.current").items():
        assert in_source[name] == pytest.approx(value, rel=1e-6), name


def test_resistance_of_the_winding_or_of_the_primary_as_the_turns_see_it():
    ratio = 20.0 / 230.0
    winding = plain(filter=RESERVOIR, transformer={"primary_resistance": 0.0, "secondary_resistance": 1.0})
    primary = plain(filter=RESERVOIR, transformer={"primary_resistance": 1 / ratio**2, "secondary_resistance": 0.0})
    same(winding, primary, "secondary.voltage.rms")


def test_two_windings_in_series_are_one_of_twice_the_voltage():
    two = plain(filter=RESERVOIR, transformer=TWO | {"leakage_inductance": 1e-4})
    one = plain(
        filter=RESERVOIR,
        transformer={"open_circuit_voltage": 40.0, "secondary_resistance": 0.6, "leakage_inductance": 2e-4},
    )
    first, second = predicted(two), predicted(one)
    assert second.pop("secondary.voltage.rms") == pytest.approx(2 * first.pop("secondary.voltage.rms"))
    assert second == pytest.approx(first)


def test_two_windings_in_parallel_are_one_of_half_the_resistance():
    parallel = {"secondaries": 2, "connection": "parallel", "leakage_inductance": 1e-4}
    two = plain(filter=RESERVOIR, transformer=parallel)
    one = plain(filter=RESERVOIR, transformer={"secondary_resistance": 0.15, "leakage_inductance": 0.5e-4})
    first, second = predicted(two), predicted(one)
    for name in ("secondary.current.rms", "secondary.current.peak"):
        assert second.pop(name) == pytest.approx(2 * first.pop(name))
    assert second == pytest.approx(first)


def test_a_split_rail_without_primary_resistance_is_two_centre_taps():
    ideal = {"primary_resistance": 0.0}
    split = predicted(plain("split rail", filter=RESERVOIR, transformer=ideal))
    tapped = predicted(plain("centre tap", filter=RESERVOIR, transformer=ideal))
    # The winding half that blocks one rail's diode conducts for the other rail, and drops some of its voltage.
    assert split["diode.voltage.reverse_peak"] < tapped.pop("diode.voltage.reverse_peak")
    for name, value in of_unit(tapped, "output.", "diode.", "reservoir.").items():
        assert split[name] == pytest.approx(value, rel=1e-4), name
    for name in ("mains.current.rms", "mains.power.active"):
        assert split[name] == pytest.approx(2 * tapped[name], rel=1e-4), name


def test_the_rated_form_gives_the_rated_voltage_at_the_rated_load():
    rated = {"primary_voltage": 230.0, "rated_voltage": 18.0, "regulation": 0.12, "rating": 50.0}
    data = plain().model_dump(exclude_none=True) | {"transformer": rated, "load": resistor(6.0)}
    transformer = Bench.model_validate(data).transformer
    amperes = 50.0 / 18.0
    drop = amperes * (transformer.secondary_resistance + transformer.primary_resistance * transformer.ratio**2)
    assert transformer.open_circuit_voltage - drop == pytest.approx(18.0)


@pytest.mark.parametrize("celsius", [5.0, 40.0])
def test_a_measured_ambient_is_the_bench_s_ambient(celsius):
    load = resistor(22.0) | {"temperature_coefficient": 4e-3}
    bench = plain(filter=RESERVOIR, load=load, diode={"thermal_resistance": 40.0})
    there = bench.model_copy(update={"ambient": bench.ambient.model_copy(update={"temperature": celsius})})
    measured, written = predict(bench, ambient=celsius), predict(there)
    assert measured.ambient == written.ambient == celsius
    assert measured.quantities == written.quantities


def test_a_measured_mains_is_the_bench_s_mains():
    bench = plain(filter=RESERVOIR, mains={"tolerance": 0.1})
    there = bench.model_copy(update={"mains": bench.mains.model_copy(update={"voltage": 241.0, "tolerance": 0.0})})
    assert predict(bench, mains_voltage=241.0).quantities == predict(there).quantities


def test_another_load_is_the_bench_with_that_load():
    bench = plain(filter=RESERVOIR)
    assert predict(bench, load=47.0).quantities == predict(plain(filter=RESERVOIR, load=resistor(47.0))).quantities
    opened = predict(plain(filter=RESERVOIR, load={"kind": "open"})).quantities
    assert predict(bench, load="open").quantities == opened
