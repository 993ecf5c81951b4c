"""The transformer's core: against scipy with flux as a state, textbook figures, and what was measured without load."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from benchmon.bench import Bench, Transformer, read_bench
from benchmon.errors import BenchFileError
from benchmon.prediction import predict
from benchmon.prediction.circuit.no_load import no_load_of
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.ratings.check import check
from support.circuits.agreement import allowed, predicted
from support.circuits.drawn import capacitor, plain, resistor
from support.circuits.kept import saturating
from support.circuits.saturating import saturating as integrated
from support.supplies import supply

CORE = {"no_load_current": 0.045, "no_load_loss": 3.5}
LOSSY = {"primary_resistance": 60.0, "no_load_current": 0.06, "no_load_loss": 4.0}
OPEN = {"kind": "open"}
KETTLE = [[3, 0.0243, 61.0], [5, 0.0199, -141.0], [7, 0.0106, 47.0], [9, 0.0076, 78.0], [11, 0.0061, -106.0]]
"""Harmonics of the mains voltage at the socket of a kettle, worked out from the open data set HFHAD-C."""

CASES = {
    "bridge, hardly loaded": plain(filter=[capacitor(1e-4)], load=resistor(20e3), transformer=CORE),
    "bridge, resistor": plain(transformer=CORE),
    "bridge, reservoir": plain(filter=[capacitor(4.7e-3)], transformer=CORE),
    "bridge, reservoir, high mains": plain(
        filter=[capacitor(4.7e-3)], transformer=CORE, mains={"voltage": 253.0, "source_resistance": 2.0}
    ),
    "bridge, reservoir, harmonics as at a kettle's socket": plain(
        filter=[capacitor(4.7e-3)], transformer=CORE, mains={"harmonics": KETTLE, "source_resistance": 1.0}
    ),
    "bridge, resistor, harmonics as at a kettle's socket": plain(transformer=CORE, mains={"harmonics": KETTLE}),
    "half wave": plain("half wave", transformer=CORE),
    "half wave, reservoir": plain("half wave", filter=[capacitor(4.7e-3)], transformer=CORE),
    "half wave, reservoir, much resistance": plain(
        "half wave", filter=[capacitor(4.7e-3)], transformer=LOSSY, load=resistor(50.0)
    ),
}


@pytest.mark.parametrize("bench", CASES.values(), ids=CASES)
def test_every_line_quantity_is_as_scipy_integrates_it(bench: Bench):
    found, expected = predicted(bench), saturating(bench)
    scale = expected["output.voltage.peak"]
    off = {
        name: (found[name], value)
        for name, value in expected.items()
        if abs(found[name] - value) > 1.5 * allowed(name, value, scale) + 1e-7
    }
    assert off == {}


@pytest.mark.long
@pytest.mark.parametrize("bench", CASES.values(), ids=CASES)
def test_what_is_kept_is_what_is_integrated_again(bench: Bench):
    assert integrated(bench) == pytest.approx(saturating(bench), rel=1e-4, abs=1e-7)


def open_at(volts: float, **transformer) -> dict[str, float]:
    bench = plain(filter=[capacitor(1e-3)], load=OPEN, mains={"voltage": volts})
    data = bench.model_dump(exclude_none=True)
    for key in ("no_load_current", "no_load_loss"):
        del data["transformer"][key]
    return predicted(Bench.model_validate(data | {"transformer": data["transformer"] | transformer}))


POINTS = [["207 V", "15 mA", "1.25 W"], ["230 V", "22 mA", "1.6 W"], ["253 V", "44 mA", "2.1 W"]]


@pytest.mark.parametrize("points", [POINTS[1:2], POINTS[:2], POINTS, POINTS[::2]])
def test_measured_points_are_met(points):
    for volts, milliamperes, watts in ([float(text.split()[0]) for text in point] for point in points):
        found = open_at(volts, no_load=points)
        assert found["mains.current.rms"] == pytest.approx(milliamperes / 1000, rel=0.01)
        assert found["mains.power.active"] == pytest.approx(watts, rel=0.03)


def test_one_measured_point_is_the_no_load_current_and_loss():
    point = open_at(241.0, no_load=[["230 V", "22 mA", "1.6 W"]])
    assert point == pytest.approx(open_at(241.0, no_load_current=0.022, no_load_loss=1.6))


def test_the_no_load_current_is_peaky_and_steep():
    # From experience: THD 0.06 to 0.5, crest factor 1.5 to 2.1, a third more current for 6 % more volts.
    usual, high = open_at(230.0, **CORE), open_at(1.06 * 230.0, **CORE)
    assert 0.06 < usual["mains.current.thd"] < 0.5
    assert 1.5 < usual["mains.current.crest_factor"] < 2.1
    assert 1.2 < high["mains.current.rms"] / usual["mains.current.rms"] < 1.6
    # Fitzgerald, Kingsley and Umans, Electric Machinery, 2.3: the third harmonic of a typical exciting current is 40 %.
    expected = predict(plain(filter=[capacitor(1e-3)], load=OPEN, transformer=CORE)).quantities["mains.current.thd"]
    assert abs(expected.value - 0.4) < expected.uncertainty


def test_the_textbook_s_open_circuit_test():
    # Fitzgerald, Kingsley and Umans, Electric Machinery, example 2.6: 240 V, 5.41 A, 186 W.
    transformer = {"primary_voltage": 240.0, "primary_resistance": 0.0142, "no_load": [["240 V", "5.41 A", "186 W"]]}
    found = open_at(240.0, **transformer)
    assert found["mains.power.active"] == pytest.approx(186.0, rel=1e-3)
    assert found["mains.power_factor"] == pytest.approx(186.0 / (240.0 * 5.41), rel=2e-3)


def test_the_textbook_s_short_circuit_test():
    # The same example: 48 V, 20.8 A, 617 W give 1.42 Ω and 1.82 Ω.
    transformer = Transformer.model_validate(
        {"primary_voltage": 240.0, "open_circuit_voltage": 240.0, "short_circuit": ["48 V", "20.8 A", "617 W"]}
    )
    assert transformer.primary_resistance + transformer.secondary_resistance == pytest.approx(1.42, abs=0.01)
    assert transformer.leakage_reactance == pytest.approx(1.82, abs=0.01)


def test_a_short_circuit_test_gives_leakage_and_what_resistance_is_missing():
    given = {"primary_resistance": None, "short_circuit": ["11.8 V", "0.35 A", "2.1 W"], "secondary_resistance": None}
    given["leakage_inductance"] = None
    text = supply(transformer=given)
    transformer = read_bench(text.replace("'", '"')).transformer
    primary = transformer.primary_resistance + transformer.secondary_resistance / transformer.ratio**2
    assert primary == pytest.approx(2.1 / 0.35**2)
    reactance = 2 * np.pi * 50 * transformer.leakage_inductance / transformer.ratio**2
    assert np.hypot(reactance, primary) == pytest.approx(11.8 / 0.35)


def test_what_is_left_out_is_usual_for_the_rating_and_wide():
    small, large = (predict(load_free(rating=rating)).quantities["mains.current.rms"] for rating in ("5 VA", "500 VA"))
    assert 0.002 < small.value < 0.02 < large.value < 0.2
    for found in (small, large):
        assert found.uncertainty > 0.9 * found.value


def load_free(**transformer) -> Bench:
    left_out = {"no_load_current": None, "no_load_loss": None}
    return read_bench(supply(transformer=left_out | transformer, load={"kind": "open", "resistance": None}))


def test_a_given_zero_is_zero():
    assert predicted(plain(load=OPEN))["mains.current.rms"] < 1e-6


def test_more_measured_points_narrow_the_expected_distortion():
    widths = []
    for points in (POINTS[1:2], POINTS[1:], POINTS):
        text = supply(transformer={"no_load_current": None, "no_load_loss": None, "no_load": points})
        bench = read_bench(text.replace("'", '"'))
        widths.append(predict(bench, load="open").quantities["mains.current.thd"].uncertainty)
    assert all(later < former for former, later in itertools.pairwise(widths))


def test_a_half_wave_has_even_harmonics_and_no_mean_in_the_line():
    bench = plain("half wave", filter=[capacitor(4.7e-3)], transformer=CORE)
    found = predict(bench)
    harmonics = dict(found.harmonics["mains.current"])
    assert harmonics[2] > 0.2 * harmonics[1]
    ideal = predict(plain("half wave", filter=[capacitor(4.7e-3)]))
    # Its core is magnetised, which the line pays for.
    assert found.quantities["mains.current.rms"].value > 1.05 * ideal.quantities["mains.current.rms"].value


@pytest.mark.parametrize(
    ("transformer", "words"),
    [
        ({"no_load": [["230 V", "22 mA"]]}, ("no_load", "volts, amperes and watts")),
        ({"no_load": [["230 V", "22 mA", "16 W"]]}, ("no_load", "watts cannot exceed")),
        ({"no_load": [["230 V", "22 mA", "1 W"], ["207 V", "25 mA", "1 W"]]}, ("no_load", "does not rise")),
        ({"no_load": [["230 V", "22 mA", "1 W"]], "no_load_loss": "1 W"}, ("no_load", "leave out")),
        ({"short_circuit": ["11 V", "0.3 A", "0 W"]}, ("short_circuit", "no watts")),
    ],
)
def test_impossible_measurements_are_refused(transformer, words):
    text = supply(transformer={"no_load_current": None, "no_load_loss": None} | transformer).replace("'", '"')
    with pytest.raises(BenchFileError) as caught:
        read_bench(text)
    assert all(word in str(caught.value) for word in words)


def test_the_shape_of_the_core_follows_from_three_points():
    data = plain().model_dump(exclude_none=True)
    for key in ("no_load_current", "no_load_loss"):
        del data["transformer"][key]
    points = [[207.0, 0.0212, 1.0], [230.0, 0.03, 1.2], [253.0, 0.052, 1.5]]
    made = Bench.model_validate(data | {"transformer": data["transformer"] | {"no_load": points}})
    parts = parts_of(made)
    assert 3.0 < parts["core.exponent"][0] < 30.0
    assert 0.0 < parts["core.saturating"][0] < 1.0


def test_check_warns_that_a_half_wave_magnetises_the_core():
    half, bridge = (
        check(plain(kind, filter=[capacitor(4.7e-3)], transformer=CORE)) for kind in ("half wave", "bridge")
    )
    assert any("magnetises the core" in caution for caution in half.cautions)
    assert not any("magnetises the core" in caution for caution in bridge.cautions)


@pytest.mark.parametrize(("rating", "least", "most"), [(10.0, 0.9, 1.5), (50.0, 0.5, 2.5), (200.0, 2.0, 8.0)])
def test_a_loss_that_is_not_given_lies_among_those_of_such_transformers(rating, least, most):
    """Laminated cores and toroids of that rating, from memory; the smallest are laminated."""
    winding = {"primary_voltage": 230.0, "open_circuit_voltage": 20.0, "primary_resistance": 0.0}
    made = Transformer.model_validate(winding | {"secondary_resistance": 0.1, "rating": rating})
    assert least < no_load_of(made).loss < most
