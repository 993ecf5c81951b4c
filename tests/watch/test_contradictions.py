"""Readings that cannot all be right: every rule is broken by a wrong reading and kept by a right bench."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.bench import load_bench, read_bench
from benchmon.prediction import predict
from benchmon.quantities import UNITS
from benchmon.watch.plausibility.plausibility import MeasuredValue, PlausibilityWatch, contradictions
from benchmon.watch.plausibility.rules import RULES, rules_of
from benchmon_simulated.scenarios import scenario_named
from support.supplies import RESERVOIR, supply

SUPPLY = supply(base=RESERVOIR)


def bench_of(**accuracies):
    """Return a bench with a channel for each quantity, named after it with dashes for points."""
    lines = [SUPPLY, '[[instrument]]\nname = "meter"\ndriver = "scpi"\n']
    lines += [
        f'[[channel]]\nname = "{quantity}"\ninstrument = "meter"\nquantity = "{quantity}"\naccuracy = "{accuracy}"\n'
        for quantity, accuracy in accuracies.items()
    ]
    return read_bench("\n".join(lines))


BENCH = bench_of(**dict.fromkeys(UNITS, "0.5 %"))
RIGHT = {name: expected.value for name, expected in predict(BENCH).quantities.items()}


def readings(values, relative=0.005):
    return [MeasuredValue(name, name, value, relative * abs(value) + 1e-9, None) for name, value in values.items()]


def broken(values, bench=BENCH, relative=0.005):
    return {found.rule for found in contradictions(bench, readings(values, relative), rules_of(bench))}


def test_a_right_bench_breaks_no_rule_even_for_perfect_meters():
    assert broken(RIGHT, relative=1e-6) == set()


BREAKS = {
    "power above volts times amperes": {"mains.power.active": 1.1 * RIGHT["mains.power.apparent"]},
    "active above apparent power": {"mains.power.active": 1.1 * RIGHT["mains.power.apparent"]},
    "apparent power is volts times amperes": {"mains.power.apparent": 1.05 * RIGHT["mains.power.apparent"]},
    "power factor from watts, volts and amperes": {"mains.power_factor": 0.9 * RIGHT["mains.power_factor"]},
    "power factor from active and apparent power": {"mains.power_factor": 0.9 * RIGHT["mains.power_factor"]},
    "power factor against distortion": {"mains.power_factor": 0.99},
    "watts, volts and amperes against distortion": {"mains.current.thd": 2.0},
    "power factor above 1": {"mains.power_factor": 1.05},
    "displacement factor above 1": {"mains.displacement_factor": 1.05},
    "power factor from displacement and distortion": {"mains.displacement_factor": 0.7},
    "crest factor below 1": {"mains.current.crest_factor": 0.9},
    "crest factor from peak and rms": {"mains.current.crest_factor": 1.5},
    "line current's peak below its rms": {"mains.current.peak": 0.9 * RIGHT["mains.current.rms"]},
    "winding current's peak below its rms": {"secondary.current.peak": 0.9 * RIGHT["secondary.current.rms"]},
    "diode rms below its mean": {"diode.current.rms": 0.9 * RIGHT["diode.current.mean"]},
    "diode peak below its rms": {"diode.current.peak": 0.9 * RIGHT["diode.current.rms"]},
    "diode's share of the load current": {"diode.current.mean": RIGHT["output.current.mean"]},
    "diode's share of volts over load": {"diode.current.mean": RIGHT["output.current.mean"]},
    "reservoir peak below its mean": {"reservoir.voltage.peak": 0.95 * RIGHT["reservoir.voltage.mean"]},
    "reservoir mean below its valley": {"reservoir.voltage.valley": 1.05 * RIGHT["reservoir.voltage.mean"]},
    "reservoir ripple from peak and valley": {"reservoir.voltage.ripple": 2 * RIGHT["reservoir.voltage.ripple"]},
    "rms below mean": {"output.voltage.rms": 0.95 * RIGHT["output.voltage.mean"]},
    "rms below its AC part": {"output.voltage.rms": 0.9 * RIGHT["output.voltage.ac_rms"]},
    "peak below rms": {"output.voltage.peak": 0.95 * RIGHT["output.voltage.rms"]},
    "peak below mean": {"output.voltage.peak": 0.95 * RIGHT["output.voltage.mean"]},
    "mean below valley": {"output.voltage.valley": 1.05 * RIGHT["output.voltage.mean"]},
    "rms from mean and AC part": {"output.voltage.ac_rms": 10 * RIGHT["output.voltage.ac_rms"]},
    "ripple from peak and valley": {"output.voltage.ripple": 2 * RIGHT["output.voltage.ripple"]},
    "AC rms above half the ripple": {"output.voltage.ac_rms": RIGHT["output.voltage.ripple"]},
    "form factor below 1": {"output.voltage.form_factor": 0.95},
    "form factor from rms and mean": {"output.voltage.form_factor": 1.11},
    "form factor from ripple factor": {"output.voltage.form_factor": 1.11},
    "ripple factor from AC part and mean": {"output.voltage.ripple_factor": 0.483},
    "ripple frequency against mains frequency": {"output.voltage.frequency": 80.0},
    "load current's rms below its mean": {"output.current.rms": 0.95 * RIGHT["output.current.mean"]},
    "mean volts over amperes is the load": {"output.current.mean": 2 * RIGHT["output.current.mean"]},
    "rms volts over amperes is the load": {"output.current.rms": 2 * RIGHT["output.current.rms"]},
    "output power above volts times amperes": {"output.power.mean": 1.1 * RIGHT["output.power.mean"]},
    "output power from volts and load": {"output.power.mean": 0.9 * RIGHT["output.power.mean"]},
    "output power above input power": {"mains.power.active": 0.9 * RIGHT["output.power.mean"]},
    "load power above input power": {"mains.power.active": 0.9 * RIGHT["output.power.mean"]},
    "output volts times amperes above input power": {"mains.power.active": 0.9 * RIGHT["output.power.mean"]},
    "output volts into the load above input power": {"mains.power.active": 0.9 * RIGHT["output.power.mean"]},
    "diode colder than the air": {"diode.temperature.case": 15.0},
    **{rule.name: {rule.needs[0]: -1.0} for rule in RULES if "below zero" in rule.name},
}


@pytest.mark.parametrize("rule", BREAKS)
def test_a_wrong_reading_breaks_its_rule(rule):
    assert rule in broken(RIGHT | BREAKS[rule])


def test_every_rule_has_a_case_here():
    without_model = {f"{part} colder than the air" for part in ("regulator", "reservoir", "transformer", "load", "ntc")}
    at_one_output = {rule.name for rule in RULES if not any("_2." in need for need in rule.needs)}
    assert at_one_output - without_model == set(BREAKS) - {name for name in BREAKS if "_2." in name}


def test_a_second_output_has_the_rules_of_the_first_one():
    bench = load_bench(scenario_named("two-outputs").path)
    measured = {"output_2.voltage.mean": 5.0, "output_2.voltage.rms": 4.0, "output_2.power.mean": 9.0}
    measured |= {"output.power.mean": 9.0, "mains.power.active": 17.0}
    rules = [rule for rule in RULES if set(rule.needs) <= measured.keys() and rule.applies(bench)]
    names = {one.rule for one in contradictions(bench, readings(measured), rules)}
    assert {"rms below mean, output 2", "power of both outputs above input power"} <= names
    assert not [rule for rule in RULES if rule.name.endswith(", output 2") and rule.applies(BENCH)]


@pytest.mark.parametrize("rule", [rule for rule in RULES if "colder" in rule.name], ids=lambda rule: rule.name)
def test_what_is_powered_is_not_colder_than_the_air(rule):
    found = contradictions(BENCH, readings(dict(zip(rule.needs, (25.0, 20.0), strict=True))), [rule])
    assert [one.rule for one in found] == [rule.name]


def test_the_culprit_is_the_one_farthest_from_its_prediction():
    values = RIGHT | {"mains.power_factor": 0.9 * RIGHT["mains.power_factor"]}
    measured = [
        MeasuredValue(name, name, value, 0.005 * abs(value), 8.0 if name == "mains.power_factor" else 0.3)
        for name, value in values.items()
        if name.startswith("mains.")
    ]
    found = contradictions(BENCH, measured, rules_of(BENCH))
    assert {one.culprit for one in found} == {"mains.power_factor"}
    assert "mains.power_factor is the likelier culprit" in found[0].message


def test_two_meters_on_one_quantity():
    same = [
        MeasuredValue("left", "output.voltage.mean", 22.0, 0.02),
        MeasuredValue("right", "output.voltage.mean", 22.2, 0.05),
    ]
    (found,) = contradictions(BENCH, same, [])
    assert found.rule == "two meters on one quantity"
    assert found.culprit == "right"
    assert "two meters on one quantity agree" in found.message
    assert contradictions(BENCH, [same[0], MeasuredValue("right", "output.voltage.mean", 22.05, 0.05)], []) == []


@settings(max_examples=200, deadline=None)
@given(st.floats(1.0, 300.0), st.floats(1.05, 3.0), st.sampled_from([0.001, 0.003, 0.005]))
def test_rounding_does_not_choose_between_equally_exact_meters(volts, ratio, relative):
    pair = [
        MeasuredValue(name, "output.voltage.mean", value, relative * value)
        for name, value in (("first", volts), ("second", ratio * volts))
    ]
    (found,) = contradictions(BENCH, pair, [])
    assert found.culprit == "first"
    assert "first is the likelier culprit (no other is less exact)" in found.message


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize("factor", [1.0, 1.013, 1.1, 1.37, 1.9])
def test_of_equally_exact_meters_on_a_rule_its_first_is_the_culprit(order, factor):
    wrong = SMALL | {"mains.power.active": 2 * RIGHT["mains.power.apparent"]}
    measured = [MeasuredValue(name, name, factor * value, 0.005 * (factor * value)) for name, value in wrong.items()]
    (found,) = contradictions(BENCH, measured[::order], rules_of(BENCH))
    assert (found.rule, found.culprit) == ("power above volts times amperes", "mains.power.active")


def test_two_meters_that_may_be_on_two_diodes_are_called_so():
    cases = [
        MeasuredValue(name, "diode.temperature.case", value, 2.0) for name, value in (("left", 60.0), ("right", 72.0))
    ]
    (found,) = contradictions(BENCH, cases, [])
    assert "two meters on one quantity (of one diode) agree" in found.message


def test_distortion_and_power_factor_by_the_closed_form():
    # IEEE 1459-2010 with a clean mains: power factor 0.999 bounds the distortion to 4.5 %.
    pair = {"mains.power_factor": 0.999, "mains.current.thd": 0.20}
    assert "power factor against distortion" in broken(pair, relative=0.0005)
    assert broken(pair | {"mains.current.thd": 0.03}, relative=0.0005) == set()


@settings(max_examples=40, deadline=None)
@given(st.permutations(sorted(RIGHT)), st.sampled_from(sorted(BREAKS)))
def test_the_order_of_channels_does_not_matter(order, rule):
    values = RIGHT | BREAKS[rule]
    shuffled = {name: values[name] for name in order} | values
    assert broken(shuffled) == broken(values)


def test_values_that_are_no_numbers_break_nothing():
    values = RIGHT | {"mains.power.active": math.inf, "output.voltage.mean": math.nan}
    assert broken(values) == set()


def feed(watch, values, start, seconds, step=0.5):
    found = []
    for index in range(int(seconds / step)):
        for name, value in values.items():
            found += watch.update(name, start + index * step, value, None)
    return found


SMALL = {name: RIGHT[name] for name in ("mains.voltage.rms", "mains.current.rms", "mains.power.active")}


def test_a_rule_must_be_broken_three_rounds_in_a_row():
    watch = PlausibilityWatch(bench_of(**dict.fromkeys(SMALL, "0.5 %") | {"mains.power.active": "0.6 %"}))
    wrong = SMALL | {"mains.power.active": 2 * RIGHT["mains.power.apparent"]}
    assert feed(watch, SMALL, 0, 20) == []
    assert feed(watch, wrong, 20, 3) == []
    assert feed(watch, SMALL, 23, 10) == []
    assert [one.rule for one in feed(watch, wrong, 33, 12)] == ["power above volts times amperes"]
    assert watch.suspects == {"mains.power.active"}
    assert feed(watch, SMALL, 45, 12) == []
    assert watch.suspects == frozenset()


def test_one_round_logged_by_hand_is_judged_at_once():
    watch = PlausibilityWatch(bench_of(**dict.fromkeys(SMALL, "0.5 %")))
    for name, value in (SMALL | {"mains.power.active": 2 * RIGHT["mains.power.apparent"]}).items():
        assert watch.update(name, 0.0, value, None) == []
    assert [one.rule for one in watch.finish()] == ["power above volts times amperes"]


def test_a_silent_channel_leaves_the_other_rules_at_work():
    channels = (*SMALL, "output.voltage.mean")
    watch = PlausibilityWatch(bench_of(**dict.fromkeys(channels, "0.5 %")))
    wrong = SMALL | {"mains.power.active": 2 * RIGHT["mains.power.apparent"]}
    assert [one.rule for one in feed(watch, wrong, 0, 40)] == ["power above volts times amperes"]


@pytest.mark.parametrize("name", ["reservoir", "bridge", "centre-tap"])
def test_the_example_benches_break_no_rule_of_theirs(name):
    bench = load_bench(scenario_named(name).path)
    found = [
        MeasuredValue(quantity, quantity, expected.value, 1e-6 * abs(expected.value) + 1e-9)
        for quantity, expected in predict(bench).quantities.items()
    ]
    assert contradictions(bench, found, [rule for rule in RULES if rule.applies(bench)]) == []


def watched_by_hand():
    """A watch over two meters on the output, of which a person reads one, and a mains meter."""
    lines = [SUPPLY, '[[instrument]]\nname = "live"\ndriver = "scpi"\n[[instrument]]\nname = "DMM"\ndriver = "hand"\n']
    lines += [
        f'[[channel]]\nname = "{name}"\ninstrument = "{meter}"\nquantity = "{quantity}"\naccuracy = "0.5 %"\n'
        for name, meter, quantity in (
            ("live", "live", "output.voltage.mean"),
            ("mains", "live", "mains.voltage.rms"),
            ("typed", "DMM", "output.voltage.mean"),
        )
    ]
    return PlausibilityWatch(read_bench("\n".join(lines)))


def live_for(watch, seconds, volts, start):
    found = []
    for step in range(round(2 * seconds)):
        found += watch.update("mains", start + 0.5 * step, 230.0, 0.1)
        found += watch.update("live", start + 0.5 * step, volts, 0.1)
    return found


def test_a_typed_value_is_compared_with_what_was_read_just_after_it():
    watch = watched_by_hand()
    live_for(watch, 4.0, 20.0, 0.0)
    watch.update("typed", 4.0, 24.0, 0.1)
    [found] = live_for(watch, 12.0, 20.0, 4.0)
    assert found.rule == "two meters on one quantity"
    # What the live meter reads later is another matter: the output may have moved since.
    watch = watched_by_hand()
    watch.update("typed", 0.0, 20.0, 0.1)
    live_for(watch, 12.0, 20.0, 0.0)
    assert live_for(watch, 60.0, 24.0, 12.0) == []


def test_a_typed_value_is_never_compared_with_an_average_across_a_change():
    watch = watched_by_hand()
    live_for(watch, 4.0, 20.0, 0.0)
    watch.update("typed", 4.0, 20.0, 0.1)
    live_for(watch, 1.0, 20.0, 4.0)
    watch.supply_changed(5.0)
    assert live_for(watch, 20.0, 10.0, 5.0) == []
    # Typed within the round in which the supply changed, it waits for the next one.
    live_for(watch, 1.0, 10.0, 25.0)
    watch.supply_changed(26.0)
    watch.update("typed", 26.0, 20.0, 0.1)
    assert live_for(watch, 20.0, 20.0, 26.0) == []


def test_a_contradiction_of_a_typed_value_ends_with_the_state_it_was_typed_in():
    watch = watched_by_hand()
    watch.update("typed", 0.0, 24.0, 0.1)
    live_for(watch, 12.0, 20.0, 0.0)
    assert watch.suspects
    watch.supply_changed(12.0)
    assert not watch.suspects
