"""Why readings disagree: the true cause comes first, and a sound bench needs no explanation."""

import math
import random as shuffling
from dataclasses import replace

import pytest
import scipy

from benchmon.bench import load_bench, read_bench
from benchmon.errors import PredictionError
from benchmon.prediction import predict
from benchmon.prediction.circuit.meter_response import response_of
from benchmon.prediction.predict import with_load
from benchmon.watch.diagnosis import circuit_hypotheses
from benchmon.watch.diagnosis.circuit_hypotheses import CircuitFaults, faults_of
from benchmon.watch.diagnosis.explainer import NONE_OF_THESE, NOTHING_WRONG, Explainer
from benchmon.watch.diagnosis.likelihood import Observation
from benchmon.watch.diagnosis.meter_values import Detector, meter_values
from benchmon_simulated.scenarios import scenario_named
from support.faults.faulty_bench import SIMULATED_FAULTS, cases, cause_of, faultless, fits, is_named, simulated_case
from support.supplies import supply

NAMES = ["reservoir", "bridge", "centre-tap"]
BENCHES = {name: load_bench(scenario_named(name).path) for name in NAMES}
EXPLAINERS = {name: Explainer(bench) for name, bench in BENCHES.items()}


def causes(name, observations):
    return [one.cause for one in EXPLAINERS[name].explain(observations)]


FIRST, AMONG_THREE = 0.9, 0.98
"""The parts of drawn cases of which the true cause is promised to be the first and among the first three."""


def places(name, every=1):
    """Return of every so many drawn cases whether the true cause comes first, and whether among the first three."""
    drawn = [case for case in cases(BENCHES[name], 1) if case.visible][::every]
    assert len(drawn) > 60 / every
    found = [(case.cause, EXPLAINERS[name].explain(case.observations)) for case in drawn]
    first = [is_named(cause, ranked[0]) for cause, ranked in found]
    return first, [cause in [one.cause for one in ranked[:3]] for cause, ranked in found]


@pytest.mark.long
@pytest.mark.parametrize("name", NAMES)
def test_the_true_cause_comes_first_in_nine_of_ten(name):
    first, among_three = places(name)
    assert sum(first) >= FIRST * len(first)
    assert sum(among_three) >= AMONG_THREE * len(among_three)


def test_the_true_cause_of_a_sample_comes_first_as_often_as_promised():
    # Every sixth case of one bench scatters around what all of them give. A product that just keeps its promise has
    # fewer in one of forty such samples (binomial distribution). `watch_figures.py` measures more benches and seeds
    # against the promise itself.
    for promised, right in zip((FIRST, AMONG_THREE), places("reservoir", every=6), strict=True):
        assert sum(right) >= scipy.stats.binom.ppf(1 / 40, len(right), promised)


@pytest.mark.parametrize("name", NAMES)
def test_a_sound_bench_needs_no_explanation(name):
    # The benchmark of the watch counts a hundred seeds.
    fine = [causes(name, faultless(BENCHES[name], seed))[0] for seed in range(2)]
    assert fine == [NOTHING_WRONG] * 2


def place(name, fault, seed):
    """Return the place, from 0, of a fault of the simulated bench, whose equations are others."""
    found = causes(name, simulated_case(BENCHES[name], fault, seed))
    begins = cause_of(fault, BENCHES[name])
    return next((at for at, cause in enumerate(found) if cause.startswith(begins)), len(found))


QUICK = [
    (name, fault)
    for index, fault in enumerate(fault for fault in SIMULATED_FAULTS if not fault.is_slow)
    for name in [
        ["reservoir", "bridge", "centre-tap"][index % 3]
        if "reservoir" not in fault.name and "distorted" not in fault.name
        else "reservoir"
    ]
]
SLOW = [(name, fault) for fault in SIMULATED_FAULTS for name in NAMES if fits(fault, BENCHES[name])]


@pytest.mark.parametrize(("name", "fault"), QUICK, ids=lambda one: getattr(one, "name", one))
def test_a_fault_of_the_simulated_bench_comes_first(name, fault):
    # A mains with 9 %, hardly more than public supply may have (EN 50160: 8 %), may be no fault at all.
    assert place(name, fault, 1) <= (1 if fault.name == "distorted mains" else 0)


@pytest.mark.long
@pytest.mark.parametrize(("name", "fault"), SLOW, ids=lambda one: getattr(one, "name", one))
def test_every_fault_of_the_simulated_bench_is_among_the_first_three(name, fault):
    assert place(name, fault, 1) < 3


IDEAL = (
    supply(
        mains={"tolerance": "3 %"},
        transformer={
            "open_circuit_voltage": "200 V",
            "primary_resistance": "0 Ω",
            "secondary_resistance": "1 mΩ",
        },
        diode={"saturation_current": "1 µA", "emission_coefficient": 1},
        load={"resistance": "1 kΩ"},
    )
    + """
[[instrument]]
name = "meter"
driver = "scpi"
[[channel]]
name = "vout"
instrument = "meter"
quantity = "output.voltage.rms"
accuracy = "0.2 %"
[[channel]]
name = "mains"
instrument = "meter"
quantity = "mains.voltage.rms"
accuracy = "0.2 %"
[[channel]]
name = "iout"
instrument = "meter"
quantity = "output.current.mean"
accuracy = "0.5 %"
scale = 20
"""
)


@pytest.fixture(scope="module")
def ideal():
    """Return a nearly ideal full-wave bench, its explainer, and what right meters read."""
    bench = read_bench(IDEAL)
    return bench, Explainer(bench), meter_values(bench, 230.0)


# Closed forms of a full-wave wave: rms of the AC part is sqrt(1 − 8/π²) = 0.4352 of the rms, the mean 0.9003, an
# average-responding meter reads 1.1107 × mean = rms.
@pytest.mark.parametrize(
    ("kind", "part"),
    [(Detector.AC_RMS, 0.4352), (Detector.MEAN, 0.9003), (Detector.RECTIFIED, 1.0), (Detector.PEAK, math.sqrt(2.0))],
)
def test_ways_of_reading_a_full_wave_wave(ideal, kind, part):
    _, _, values = ideal
    rms = values.waves["output.voltage", Detector.RMS].value
    assert values.waves["output.voltage", kind].value / rms == pytest.approx(part, rel=0.005)


def explain(ideal, **factors):
    bench, explainer, values = ideal
    found = []
    for channel in bench.channel:
        value = values.of(channel.quantity).value
        found.append(Observation(channel, value * factors.get(channel.name, 1.0)))
    return explainer.explain(found)


def test_the_message_names_ratio_cause_and_remedy(ideal):
    first = explain(ideal, vout=0.4352)[0]
    assert first.cause == "vout: the meter is on its AC range"
    assert first.message.startswith("vout reads 43.")
    assert first.message.endswith("of the expected rms: the meter is on its AC range; select AC+DC")
    assert first.likelihood > 0.95


@pytest.mark.parametrize(
    ("channel", "factor", "words"),
    [
        ("vout", 0.9003, "DC range"),
        ("vout", 10.0, "ratio is 10 times too large"),
        ("vout", 0.1, "ratio is 10 times too small"),
        ("iout", -1.0, "polarity is reversed"),
        ("iout", 20.0, "declared ratio of 20 is applied twice"),
        ("iout", 1 / 20.0, "declared ratio of 20 is not applied"),
        ("iout", 1000.0, "prefix"),
        ("mains", 0.1, "ratio is 10 times too small"),
    ],
)
def test_mistakes_of_one_meter(ideal, channel, factor, words):
    first = explain(ideal, **{channel: factor})[0]
    assert first.cause.startswith(f"{channel}: ")
    assert words in first.cause


def test_what_no_cause_explains_is_none_of_these(ideal):
    first = explain(ideal, vout=0.77)[0]
    assert first.cause == NONE_OF_THESE
    assert "vout is the odd one" in first.message


def test_likelihoods_are_shares_of_one(ideal):
    for factors in ({}, {"vout": 0.4352}, {"vout": 0.95, "iout": 1.1}):
        found = explain(ideal, **factors)
        assert sum(one.likelihood for one in found) == pytest.approx(1.0, abs=0.1)
        assert [one.likelihood for one in found] == sorted((one.likelihood for one in found), reverse=True)


def test_the_order_of_channels_does_not_matter():
    found = faultless(BENCHES["reservoir"], 2)
    found[3] = replace(found[3], value=0.9 * found[3].value)
    shuffled = found.copy()
    shuffling.Random(1).shuffle(shuffled)
    first, second = EXPLAINERS["reservoir"].explain(found), EXPLAINERS["reservoir"].explain(shuffled)
    assert len(first) > 1
    assert [one.cause for one in first] == [one.cause for one in second]
    assert [one.likelihood for one in first] == pytest.approx([one.likelihood for one in second])


def test_a_channel_that_reads_nothing_usable_is_left_out(ideal):
    bench, explainer, values = ideal
    found = [Observation(bench.channel[0], math.nan)]
    assert explainer.explain(found) == []
    found.append(Observation(bench.channel[1], values.of("mains.voltage.rms").value))
    assert explainer.explain(found)[0].cause == NOTHING_WRONG


def test_overload_is_reported_and_is_not_nothing(ideal):
    bench, explainer, values = ideal
    found = [Observation(bench.channel[0], math.inf)]
    assert [one.cause for one in explainer.explain(found)] == ["vout: the meter shows overload: its range is too low"]
    found.append(Observation(bench.channel[1], values.of("mains.voltage.rms").value))
    first = explainer.explain(found)[0]
    assert first.cause == "vout: the meter shows overload: its range is too low"
    assert "higher range" in first.message


def test_a_mains_that_is_too_high_is_shown_by_the_one_channel_whose_row_disagrees():
    """All other rows compare with what is expected at the mains that are measured, and agree: so does the sentence."""
    bench = BENCHES["bridge"]
    high = predict(bench, mains_voltage=1.12 * bench.mains.voltage).quantities
    found = [Observation(one, high[one.quantity].value) for one in bench.channel if one.quantity in high]
    mains = next(one.name for one in bench.channel if one.quantity == "mains.voltage.rms")
    first = EXPLAINERS["bridge"].explain(found)[0]
    assert first.cause == "the mains is outside its tolerance"
    assert first.message.startswith(f"{mains} reads 112 % of the expected rms: ")


@pytest.mark.parametrize("quantity", ["output.voltage.rms", "mains.power.active", "mains.current.rms"])
def test_a_meter_that_reads_next_to_nothing_has_its_leads_looked_at(quantity):
    """It may be on a range that shows nothing of this wave, or not connected: what it should measure may be live."""
    bench = BENCHES["bridge"]
    right = predict(bench, mains_voltage=bench.mains.voltage).quantities
    found = [
        Observation(one, 5e-4 * right[one.quantity].value if one.quantity == quantity else right[one.quantity].value)
        for one in bench.channel
        if one.quantity in right
    ]
    first = EXPLAINERS["bridge"].explain(found)[0]
    assert first.likelihood > 0.8
    assert (
        "look at its leads, its own fuse and the unit on its display, and take what it should measure for live"
        in first.message
    )


def test_a_reading_of_the_other_sign_is_given_with_its_unit_and_not_as_a_ratio():
    bench = BENCHES["bridge"]
    right = predict(bench, mains_voltage=bench.mains.voltage).quantities
    amperes = next(one for one in bench.channel if one.quantity == "mains.current.rms")
    level = 20.0 * math.log10(right[amperes.quantity].value)
    found = [
        Observation(one, level if one is amperes else right[one.quantity].value)
        for one in bench.channel
        if one.quantity in right
    ]
    first = EXPLAINERS["bridge"].explain(found)[0]
    assert first.cause == f"{amperes.name}: decibels are taken for the unit"
    assert "%" not in first.message


def test_the_ac_range_is_reported_of_a_circuit_that_is_not_ideal():
    # 0.435 is the ideal wave's; where diodes conduct for less of the period, an exact AC range would read 0.457.
    right = meter_values(BENCHES["bridge"], BENCHES["bridge"].mains.voltage)
    found = [
        Observation(one, right.of(one.quantity).value * (0.4352 if one.quantity == "output.voltage.rms" else 1.0))
        for one in BENCHES["bridge"].channel
    ]
    first = EXPLAINERS["bridge"].explain(found)[0]
    assert "is on its AC range; select AC+DC" in first.message
    assert "reads 43.5 % of the expected rms" in first.message
    assert first.likelihood > 0.9


@pytest.mark.parametrize(
    "name",
    ["a diode is open", "the reservoir is open", "the load draws twice what it should", "the windings are in series"],
)
def test_the_reservoir_bench_knows_its_faults(name):
    assert any(fault.cause.startswith(name) for fault in faults_of(BENCHES["reservoir"]))


def test_without_a_mains_channel_the_mains_tolerance_is_no_fault():
    bench = BENCHES["bridge"]
    values = meter_values(bench, bench.mains.voltage * 1.03)
    high = meter_values(bench.model_copy(update={"mains": bench.mains.model_copy(update={"voltage": 236.9})}), 236.9)
    found = [
        Observation(one, high.of(one.quantity).value) for one in bench.channel if one.quantity != "mains.voltage.rms"
    ]
    assert values.of("output.voltage.rms").value < high.of("output.voltage.rms").value
    assert causes("bridge", found)[0] == NOTHING_WRONG


def observed(bench, values):
    return [Observation(one, values[one.quantity]) for one in bench.channel if one.quantity in values]


def test_a_meter_of_a_small_bandwidth_is_explained_by_what_it_shows():
    """What is solved of a circuit is filtered as expected values are: 150 Hz take much of the line's pulses."""
    bench = BENCHES["reservoir"]
    slow = tuple(
        one.model_copy(update={"bandwidth": 150.0}) if one.quantity == "mains.current.rms" else one
        for one in bench.channel
    )
    current = next(one for one in slow if one.quantity == "mains.current.rms")
    bench = bench.model_copy(update={"channel": slow})
    values = meter_values(bench, bench.mains.voltage)
    expected = predict(bench, mains_voltage=bench.mains.voltage).at(current.quantity, meter=response_of(current))
    assert values.shown_at(current).value == pytest.approx(expected.value, rel=1e-3)
    assert values.shown_at(current).value < 0.95 * values.of(current.quantity).value


def test_charge_that_an_open_load_leaves_in_the_reservoir_is_named():
    bench = with_load(BENCHES["reservoir"], "open")
    right = meter_values(bench, bench.mains.voltage)
    read = {one.quantity: right.of(one.quantity).value for one in bench.channel if right.of(one.quantity)}
    for name in read:
        if name.startswith(("mains.current", "mains.power", "secondary", "diode.current")):
            read[name] = 0.0
        if name in ("output.voltage.mean", "reservoir.voltage.mean"):
            read[name] *= 0.5
        if name.endswith(("ripple", "ac_rms")):
            read[name] = 0.0
    ranked = Explainer(bench).explain(
        observed(bench, {name: one for name, one in read.items() if "factor" not in name})
    )
    assert ranked[0].cause == "no current flows into the supply, and the reservoir still holds its charge"
    assert "discharge it, before you touch anything" in ranked[0].message


def test_a_fault_without_a_steady_state_is_not_tried_again_near_that_mains(monkeypatch):
    """To find out that there is none takes seconds, and each mains voltage of a recording would ask again."""
    bench, tried = BENCHES["reservoir"], []
    faults = CircuitFaults(bench)
    right = faults.right(230.0)

    def none(_right, _bench, parts, *_):
        tried.append(float(parts["mains.voltage"][0]))
        raise PredictionError("no steady state")

    monkeypatch.setattr(circuit_hypotheses, "values_like", none)
    for mains in (230.0, 234.6, 225.4, 115.0):
        faults.hypotheses(bench.channel, mains, right)
    assert set(tried) == {230.0, 115.0}


def test_a_hot_diode_is_cooled_worse_or_leaks_and_both_are_named():
    """By its heat alone nobody can tell: reverse current doubles in about 10 K, and heats (textbooks, from memory)."""
    bench, now = BENCHES["reservoir"], predict(BENCHES["reservoir"])
    right = {one: now.quantities[one.quantity].value for one in bench.channel if one.quantity in now.quantities}
    case = next(one for one in right if one.quantity == "diode.temperature.case")
    hot = right | {case: now.ambient + 2.5 * (right[case] - now.ambient)}
    first = EXPLAINERS["reservoir"].explain([Observation(one, value) for one, value in hot.items()])[0]
    assert first.cause == "the diode is cooled worse than it should be"
    assert "heat sink" in first.message
    assert "leakage grows as it warms" in first.message
