"""The predicted uncertainty against the package `uncertainties` and against benches drawn at random."""

import cmath
import functools
import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from support.circuits.agreement import predicted
from support.circuits.drawn import capacitor, choke, draw, plain

uncertainties = pytest.importorskip("uncertainties")

from benchmon.bench import read_bench  # noqa: E402
from benchmon.bench.supply import LearnedPart  # noqa: E402
from benchmon.prediction import predict  # noqa: E402
from benchmon.prediction.circuit.parts import parts_of  # noqa: E402
from benchmon.prediction.monte_carlo import monte_carlo  # noqa: E402
from benchmon.prediction.operating_point import OperatingPointPredictor  # noqa: E402
from benchmon.prediction.uncertainty import MODEL_FLOOR, input_uncertainties_of  # noqa: E402

TOLERANCES = {"tolerance": 0.1}
SUPPLY = plain(filter=[capacitor(4.7e-3, 0.05, **TOLERANCES)], mains={"tolerance": 0.06, "harmonics": [[3, 0.03, 0.0]]})
QUANTITIES = (
    "output.voltage.mean",
    "output.voltage.ripple",
    "mains.current.rms",
    "mains.power.active",
    "diode.current.peak",
    "reservoir.current.rms",
)


def with_value(bench, part: str, value: float):
    """Return the bench with one value replaced, by its name as an input."""
    section, _, key = part.partition(".")
    if key.startswith("harmonic."):
        _, order, component = key.split(".")
        known = {one: cmath.rect(size, math.radians(phase)) for one, size, phase in bench.mains.harmonics}
        was = known.get(int(order), 0j)
        known[int(order)] = complex(value, was.imag) if component == "sin" else complex(was.real, value)
        shape = [(one, abs(size), math.degrees(cmath.phase(size))) for one, size in known.items()]
        return bench.model_copy(update={"mains": bench.mains.model_copy(update={"harmonics": tuple(shape)})})
    if key == "winding_warmth":
        for winding in ("transformer.primary_resistance", "transformer.secondary_resistance"):
            bench = with_value(bench, winding, value * getattr(bench.transformer, winding.partition(".")[2]))
        return bench
    if section != "filter":
        return bench.model_copy(update={section: getattr(bench, section).model_copy(update={key: value})})
    index, _, key = key.partition(".")
    parts = list(bench.filter)
    parts[int(index)] = parts[int(index)].model_copy(update={key: value})
    return bench.model_copy(update={"filter": tuple(parts)})


def nominal(bench, part: str) -> float:
    return float(parts_of(bench)[part][0])


def standard(bench) -> dict[str, float]:
    """Return the standard uncertainty of each input in its own unit."""
    entries = input_uncertainties_of(bench, parts_of(bench), mains_is_measured=False)
    return {entry.part: entry.size * (nominal(bench, entry.part) if entry.relative else 1.0) for entry in entries}


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_first_order_agrees_with_the_package_uncertainties(quantity):
    sizes = standard(SUPPLY)

    @functools.cache
    def reading(*values: float) -> float:
        bench = SUPPLY
        for part, value in zip(sizes, values, strict=True):
            bench = with_value(bench, part, value)
        return predicted(bench)[quantity]

    def slope(index):
        def by_difference(*values: float) -> float:
            step = 0.02 * list(sizes.values())[index]
            high, low = (
                reading(*values[:index], values[index] + sign * step, *values[index + 1 :]) for sign in (1, -1)
            )
            return (high - low) / (2 * step)

        return by_difference

    inputs = [uncertainties.ufloat(nominal(SUPPLY, part), size) for part, size in sizes.items()]
    result = uncertainties.wrap(reading, [slope(index) for index in range(len(inputs))])(*inputs)
    found = predict(SUPPLY).quantities[quantity]
    model = MODEL_FLOOR * found.value
    assert ((found.uncertainty / 2) ** 2 - model**2) ** 0.5 == pytest.approx(result.std_dev, rel=0.03)


def test_benches_drawn_within_their_tolerances_spread_as_predicted():
    rng = random.Random("spread")
    sizes = standard(SUPPLY)
    draws = []
    for _ in range(150):
        bench = SUPPLY
        for part, size in sizes.items():
            value = nominal(SUPPLY, part) + rng.gauss(0.0, size)
            bench = with_value(bench, part, value if ".harmonic." in part else max(value, 1e-12))
        draws.append(predicted(bench))
    expected = predict(SUPPLY).quantities
    for quantity in QUANTITIES:
        values = np.array([found[quantity] for found in draws])
        half = expected[quantity].uncertainty / 2
        # 150 draws tell a deviation to 6 %, twice over for what is not quite linear.
        assert np.std(values, ddof=1) == pytest.approx(half, rel=0.15), quantity
        assert abs(np.mean(values) - expected[quantity].value) < 0.25 * half, quantity


@settings(max_examples=15, deadline=None)
@given(
    st.builds(
        draw,
        st.builds(random.Random, st.integers(0, 10**9)),
        st.sampled_from(["half wave", "centre tap", "bridge", "split rail", "full-wave doubler"]),
    )
)
def test_every_uncertainty_is_above_zero_and_finite(bench):
    for name, expected in predict(bench).quantities.items():
        assert np.isfinite(expected.uncertainty), name
        assert expected.uncertainty > 0 or expected.value == 0, name
        assert expected.uncertainty < 3 * abs(expected.value) + 10.0, name


def test_a_measured_mains_removes_the_tolerance():
    bench = plain(filter=[capacitor(4.7e-3)], mains={"tolerance": 0.1})
    wide, narrow = (predict(bench, mains_voltage=volts).quantities for volts in (None, 230.0))
    assert wide["output.voltage.mean"].uncertainty > 6 * narrow["output.voltage.mean"].uncertainty
    assert narrow["output.voltage.mean"].value == pytest.approx(wide["output.voltage.mean"].value)


def test_a_tolerance_with_two_limits_allows_for_the_wider_side():
    def ripple(tolerance):
        return predict(plain(filter=[capacitor(4.7e-3, tolerance=tolerance)])).quantities["reservoir.voltage.ripple"]

    assert ripple(["-20 %", "50 %"]) == ripple(0.5)
    assert ripple(["-50 %", "20 %"]) == ripple(0.5)
    assert ripple(["-20 %", "20 %"]) == ripple("20 %")


def test_a_tolerance_that_is_left_out_is_a_usual_one():
    def ripple(**tolerance):
        return predict(plain(filter=[capacitor(4.7e-3, **tolerance)]))

    left_out, name = ripple(tolerance=None), "reservoir.voltage.ripple"
    assert left_out.quantities[name] == ripple(tolerance="20 %").quantities[name]
    assert ripple(tolerance=0).quantities[name].uncertainty < left_out.quantities[name].uncertainty / 3.0
    assert any("capacitor" in label for label in left_out.unspecified[name])


def test_a_wider_tolerance_widens_only_what_depends_on_it():
    def ripple(tolerance):
        return predict(plain(filter=[capacitor(4.7e-3, tolerance=tolerance), choke(0.01), capacitor(1e-3)])).quantities

    narrow, wide = ripple(0.05), ripple(0.2)
    assert wide["reservoir.voltage.ripple"].uncertainty > 2 * narrow["reservoir.voltage.ripple"].uncertainty
    assert wide["mains.frequency"].uncertainty == narrow["mains.frequency"].uncertainty


def learned(coefficient):
    """Return the supply with two windings known to 10 % each, which are correlated."""
    names = ("transformer.primary_resistance", "transformer.secondary_resistance")
    first, second = (LearnedPart(part=name, uncertainty="10 %") for name in names)
    both = second.model_copy(update={"correlated": ((names[0], coefficient),)})
    return SUPPLY.model_copy(update={"learned": (first, both)})


def test_parts_that_are_correlated_move_together():
    """JCGM 100:2008, 5.2.2: the variances with opposite coefficients lie as far on either side of that without one."""
    apart, like, unlike = (predict(learned(each), mains_voltage=230.0).quantities for each in (0.0, 0.9, -0.9))
    for name in QUANTITIES:
        variance, more, less = (one[name].uncertainty ** 2 for one in (apart, like, unlike))
        # Both resistances act in the same direction, so together they do more than each by itself.
        assert more > variance > less, name
        assert more + less == pytest.approx(2.0 * variance, rel=0.02), name


def test_draws_are_as_correlated_as_first_order_says():
    """10,000 supplies against the budget, which knows nothing of them."""
    for coefficient in (0.95, -0.95):
        bench = learned(coefficient)
        expected = predict(bench, mains_voltage=230.0).quantities
        drawn = monte_carlo(bench, 3000, mains_voltage=230.0).quantities
        for name in ("output.voltage.mean", "mains.power.active"):
            assert 2.0 * drawn[name].deviation == pytest.approx(expected[name].uncertainty, rel=0.1), name


def test_coefficients_that_cannot_be_together_are_made_smaller():
    names = [f"transformer.{one}" for one in ("open_circuit_voltage", "primary_resistance", "secondary_resistance")]
    entries = tuple(
        LearnedPart(part=name, uncertainty="5 %", correlated=tuple((other, sign) for other, sign in pairs))
        for name, pairs in zip(names, ([(names[1], 0.99), (names[2], 0.99)], [(names[2], -0.99)], []), strict=True)
    )
    bench = SUPPLY.model_copy(update={"learned": entries})
    inputs = input_uncertainties_of(bench, parts_of(bench), mains_is_measured=True)
    assert all(math.isfinite(one.size) and one.size > 0.0 for one in inputs if one.part in names)
    whole = input_uncertainties_of(bench, parts_of(bench), mains_is_measured=True, correlated=False)
    assert [one.size for one in whole if one.part in names] == pytest.approx([0.025] * 3)


IDLE = """
[mains]
voltage = "230 V"
frequency = "50 Hz"
[transformer]
primary_voltage = "230 V"
rating = "3 VA"
rated_voltage = "50 V"
regulation = "20 %"
[rectifier]
kind = "half wave"
[diode]
forward = [["0.7 V", "0.1 A"], ["0.9 V", "1 A"]]
[[filter]]
kind = "capacitor"
capacitance = "47 µF"
[load]
"""


@pytest.mark.parametrize("load", ['kind = "open"', 'kind = "current"\ncurrent = "2 mA"'])
def test_no_interval_holds_what_a_quantity_cannot_be(load):
    """The bounds are those of the definitions: IEEE 1459 for power factors, peak over rms for a crest factor."""
    expected = predict(read_bench(IDLE + load)).quantities
    assert expected["mains.power_factor"].low is not None, "an idle core's power factor is hardly known"
    for name, entry in expected.items():
        below, above = entry.reaches
        how = name.rpartition(".")[2]
        is_known = entry.uncertainty <= 0.1 * abs(entry.value)
        if how in ("power_factor", "displacement_factor") and not is_known:
            assert entry.value - below >= 0.0, name
            assert entry.value + above <= 1.0, name
        if how == "crest_factor" and not is_known:
            assert entry.value - below >= 1.0, name


def test_what_a_measurement_narrows_is_not_cut_off_before():
    """A measured shape of the mains takes its share from an interval of first order: one that was cut would stay."""
    bench = read_bench(IDLE + 'kind = "open"')
    at_a_mains_meter = OperatingPointPredictor(bench).at(mains_voltage=230.0).quantities
    assert predict(bench).quantities["mains.power_factor"].low is not None
    assert at_a_mains_meter["mains.power_factor"].low is None
