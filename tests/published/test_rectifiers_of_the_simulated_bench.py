"""The simulated supply against textbooks: rectifiers into a resistor, and into a reservoir.

Diodes cannot be ideal here, but at hundreds or thousands of volts their drop no longer counts.
"""

from __future__ import annotations

import math

import pytest

from benchmon.bench import read_bench
from benchmon_simulated import SupplyUnderTest

HALF, TAP, BRIDGE = "half wave", "centre tap", "bridge"

# Any power-electronics textbook's table of single-phase rectifiers into a resistor, ideal parts; all closed forms.
TABLE = {
    "mean over peak": {HALF: 1 / math.pi, TAP: 2 / math.pi, BRIDGE: 2 / math.pi},
    "rms over peak": {HALF: 0.5, TAP: math.sqrt(0.5), BRIDGE: math.sqrt(0.5)},
    "form factor": {HALF: 1.5708, TAP: 1.1107, BRIDGE: 1.1107},
    "ripple factor": {HALF: 1.2114, TAP: 0.4834, BRIDGE: 0.4834},
    "rectification efficiency": {HALF: 0.4053, TAP: 0.8106, BRIDGE: 0.8106},
    "ripple frequency over mains": {HALF: 1.0, TAP: 2.0, BRIDGE: 2.0},
    "diode mean over load mean": {HALF: 1.0, TAP: 0.5, BRIDGE: 0.5},
    "diode rms over load peak": {HALF: 0.5, TAP: 0.5, BRIDGE: 0.5},
    "reverse peak over winding peak": {HALF: 1.0, TAP: 2.0, BRIDGE: 1.0},
    "secondary utilisation": {HALF: 0.2866, TAP: 0.5732, BRIDGE: 0.8106},
}


def supply(kind: str, winding_volts: float, frequency: float, *, ohms: float = 1e-3, farads: float = 0.0):
    text = f"""
    [mains]
    voltage = "230 V"
    frequency = "{frequency} Hz"
    [transformer]
    primary_voltage = "230 V"
    open_circuit_voltage = "{winding_volts} V"
    primary_resistance = "0 Ω"
    secondary_resistance = "{ohms} Ω"
    rating = "100 kVA"
    secondaries = {2 if kind == TAP else 1}
    connection = "{"series" if kind == TAP else "single"}"
    [rectifier]
    kind = "{kind}"
    [diode]
    saturation_current = "10 µA"
    emission_coefficient = 0.5
    [load]
    kind = "resistor"
    resistance = "1 kΩ"
    """
    capacitor = f'[[filter]]\nkind = "capacitor"\ncapacitance = "{farads} F"\n' if farads else ""
    return SupplyUnderTest(read_bench(text + capacitor), seed=5)


def winding_peak(values: dict[str, float], winding_volts: float) -> float:
    """The unloaded winding's peak at the mains voltage of the moment."""
    return math.sqrt(2) * winding_volts * values["mains.voltage.rms"] / 230.0


@pytest.mark.parametrize("kind", [HALF, TAP, BRIDGE])
def test_the_rectifier_table(kind):
    value = supply(kind, 5000.0, 50.0).advance(2.0).values
    volts, amperes = value["output.voltage.mean"], value["output.current.mean"]
    apparent = value["secondary.voltage.rms"] * value["secondary.current.rms"] * (2 if kind == TAP else 1)
    peak = winding_peak(value, 5000.0)
    found = {
        "mean over peak": volts / peak,
        "rms over peak": value["output.voltage.rms"] / peak,
        "form factor": value["output.voltage.form_factor"],
        "ripple factor": value["output.voltage.ripple_factor"],
        "rectification efficiency": volts * amperes / value["output.power.mean"],
        "ripple frequency over mains": value["output.voltage.frequency"] / value["mains.frequency"],
        "diode mean over load mean": value["diode.current.mean"] / amperes,
        "diode rms over load peak": value["diode.current.rms"] * value["output.voltage.rms"]
        / value["output.current.rms"] / value["output.voltage.peak"],
        "reverse peak over winding peak": value["diode.voltage.reverse_peak"] / peak,
        "secondary utilisation": volts * amperes / apparent,
    }  # fmt: skip
    assert found == pytest.approx({name: row[kind] for name, row in TABLE.items()}, rel=5e-4)


@pytest.mark.parametrize(("kind", "mean", "ripple"), [(HALF, 148.11, 43.13), (TAP, 159.24, 21.88)])
def test_a_worked_example_of_a_peak_rectifier(kind, mean, ripple):
    # Hart, Power Electronics, ch. 3 and 4 (memory; re-computed): 120 V 60 Hz, 500 Ω, 100 µF, ideal. Its peak current
    # begins with a step that no real supply has, and that the time steps here do not follow.
    circuit = supply(kind, 120.0, 60.0, farads=100e-6)
    circuit.set_load(500.0)
    value = circuit.advance(2.0).values
    scale = value["mains.voltage.rms"] / 230.0
    assert value["output.voltage.mean"] == pytest.approx(mean * scale, rel=2e-3)
    assert value["output.voltage.ripple"] == pytest.approx(ripple * scale, rel=1e-2)


@pytest.mark.parametrize(
    ("kind", "omega_c_r", "share", "expected"),
    [
        (BRIDGE, 10, 0.05, 81.67),
        (BRIDGE, 10, 0.20, 64.26),
        (BRIDGE, 50, 0.05, 83.15),
        (BRIDGE, 2, 0.05, 70.04),
        (HALF, 10, 0.05, 70.57),
    ],
)
def test_the_mean_voltage_behind_a_source_resistance(kind, omega_c_r, share, expected):
    # Schade, Proc. IRE 31 (1943) 341-361: his circuit solved exactly, 100 × mean over peak.
    load = 1000.0
    farads = omega_c_r / (2 * math.pi * 50.0 * load)
    circuit = supply(kind, 1000.0, 50.0, ohms=share * load, farads=farads)
    # The winding was drawn within ±3 %: the load goes with it, and the capacitor is as written.
    actual = circuit.parts.secondary_resistance / share
    circuit.set_load(actual)
    value = circuit.advance(4.0).values
    # With the load, ωCR moves by up to 3 % too, which changes the mean by far less than that.
    assert 100 * value["output.voltage.mean"] / winding_peak(value, 1000.0) == pytest.approx(expected, rel=6e-3)


@pytest.mark.parametrize("kind", [HALF, BRIDGE])
def test_ripple_stays_below_the_first_estimate(kind):
    # I/(2·f·C) full-wave, I/(f·C) half-wave is always above the true ripple (from memory).
    value = supply(kind, 100.0, 50.0, farads=500e-6).advance(2.0).values
    estimate = value["output.current.mean"] / (50.0 * 500e-6) / (1 if kind == HALF else 2)
    assert 0.5 * estimate < value["output.voltage.ripple"] < estimate


def test_the_power_factor_follows_from_displacement_and_distortion():
    # IEEE 1459-2010, sinusoidal voltage: PF = DPF / sqrt(1 + THD²); THD here stops at order 40.
    value = supply(BRIDGE, 100.0, 50.0, ohms=5.0, farads=500e-6).advance(2.0).values
    expected = value["mains.displacement_factor"] / math.hypot(1.0, value["mains.current.thd"])
    assert value["mains.power_factor"] == pytest.approx(expected, rel=1e-3)
