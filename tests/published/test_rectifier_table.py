"""The prediction against the textbooks' table of single-phase rectifiers into a resistor, ideal parts.

Any power-electronics textbook has it; every entry is a closed form. At 7 kV the predicted diodes' drop is next to none.
"""

import math

import pytest

from benchmon.prediction import predict
from support.circuits.drawn import plain, resistor

HALF, TAP, BRIDGE = "half wave", "centre tap", "bridge"
WINDING = 5000.0
PEAK = WINDING * math.sqrt(2.0)

TABLE = {
    "mean over peak": {HALF: 1 / math.pi, TAP: 2 / math.pi, BRIDGE: 2 / math.pi},
    "rms over peak": {HALF: 0.5, TAP: 1 / math.sqrt(2), BRIDGE: 1 / math.sqrt(2)},
    "form factor": {HALF: math.pi / 2, TAP: 1.1107, BRIDGE: 1.1107},
    "ripple factor": {HALF: 1.2114, TAP: 0.4834, BRIDGE: 0.4834},
    "rectification efficiency": {HALF: 4 / math.pi**2, TAP: 8 / math.pi**2, BRIDGE: 8 / math.pi**2},
    "ripple frequency over mains": {HALF: 1.0, TAP: 2.0, BRIDGE: 2.0},
    "diode mean over load mean": {HALF: 1.0, TAP: 0.5, BRIDGE: 0.5},
    "diode rms over load peak": {HALF: 0.5, TAP: 0.5, BRIDGE: 0.5},
    "reverse peak over winding peak": {HALF: 1.0, TAP: 2.0, BRIDGE: 1.0},
    "secondary utilisation": {HALF: 0.2866, TAP: 0.5732, BRIDGE: 0.8106},
    "AC-coupled reading over rms": {HALF: 0.7712, TAP: 0.4352, BRIDGE: 0.4352},
}


def readings(kind: str) -> dict[str, float]:
    ideal = {"open_circuit_voltage": WINDING, "primary_resistance": 0.0, "secondary_resistance": 0.0}
    diode = {"saturation_current": 1e-9, "emission_coefficient": 0.5, "series_resistance": 0.0}
    bench = plain(kind, transformer=ideal, diode=diode, load=resistor(10e3))
    return {name: expected.value for name, expected in predict(bench).quantities.items()}


@pytest.mark.parametrize("kind", [HALF, TAP, BRIDGE])
def test_the_rectifier_table(kind):
    q = readings(kind)
    windings = 2 if kind == TAP else 1
    direct = q["output.voltage.mean"] * q["output.current.mean"]
    found = {
        "mean over peak": q["output.voltage.mean"] / PEAK,
        "rms over peak": q["output.voltage.rms"] / PEAK,
        "form factor": q["output.voltage.form_factor"],
        "ripple factor": q["output.voltage.ripple_factor"],
        "rectification efficiency": direct / q["output.power.mean"],
        "ripple frequency over mains": q["output.voltage.frequency"] / q["mains.frequency"],
        "diode mean over load mean": q["diode.current.mean"] / q["output.current.mean"],
        "diode rms over load peak": q["diode.current.rms"] / (q["output.voltage.peak"] / 10e3),
        "reverse peak over winding peak": q["diode.voltage.reverse_peak"] / PEAK,
        "secondary utilisation": direct / (windings * q["secondary.voltage.rms"] * q["secondary.current.rms"]),
        "AC-coupled reading over rms": q["output.voltage.ac_rms"] / q["output.voltage.rms"],
    }
    assert found == pytest.approx({name: row[kind] for name, row in TABLE.items()}, rel=3e-4)


def test_a_mean_reading_of_a_full_wave_is_ten_per_cent_below_its_rms():
    # From memory, and 1/1.1107.
    q = readings(BRIDGE)
    assert q["output.voltage.mean"] / q["output.voltage.rms"] == pytest.approx(1 / 1.1107, rel=2e-4)


def test_a_resistor_behind_a_full_wave_rectifier_is_a_resistor_to_the_mains():
    # Closed form: a sine of current in phase, crest factor √2.
    q = readings(BRIDGE)
    assert q["mains.power_factor"] == pytest.approx(1.0, abs=1e-4)
    assert q["mains.current.thd"] < 1e-3
    assert q["mains.current.crest_factor"] == pytest.approx(math.sqrt(2), rel=1e-3)


def test_a_half_wave_s_line_current_has_its_even_harmonics_and_no_mean():
    # Fourier series of a half sine, closed form: fundamental ½, even orders 2/(π(n² − 1)), no other odd ones.
    ideal = {"open_circuit_voltage": WINDING, "primary_resistance": 0.0, "secondary_resistance": 0.0}
    diode = {"saturation_current": 1e-9, "emission_coefficient": 0.5, "series_resistance": 0.0}
    found = dict(predict(plain(HALF, transformer=ideal, diode=diode, load=resistor(10e3))).harmonics["mains.current"])
    for order in (2, 4, 6, 8):
        assert found[order] / found[1] == pytest.approx(4 / (math.pi * (order**2 - 1)), rel=3e-3)
    for order in (3, 5, 7):
        assert found[order] / found[1] < 1e-3
