"""Our own invented supplies, drawn up part by part, for the tests beside it."""

from __future__ import annotations

import pytest

from benchmon.bench import read_bench

PARTS = {
    "mains": 'voltage = "230 V"\nfrequency = "50 Hz"\ntolerance = "6 %"\nsource_resistance = "0.4 Ω"',
    "transformer": (
        'primary_voltage = "230 V"\nsecondaries = 1\nopen_circuit_voltage = "18.4 V"\n'
        'primary_resistance = "14 Ω"\nsecondary_resistance = "0.12 Ω"\nrating = "80 VA"'
    ),
    "fuse": 'rating = "800 mA"\nspeed = "time-lag"\nmelting_i2t = "2.4 A²s"',
    "rectifier": 'kind = "bridge"',
    "diode": (
        'saturation_current = "20 nA"\nemission_coefficient = "1.7"\nseries_resistance = "25 mΩ"\n'
        'mean_current_rating = "3 A"\nsurge_current_rating = "120 A"\nreverse_voltage_rating = "200 V"\n'
        'thermal_resistance = "18 K/W"\nthermal_time_constant = "40 s"\nmax_junction = "150 °C"'
    ),
    "filter": [
        (
            'kind = "capacitor"\ncapacitance = "6.8 mF"\nesr = "35 mΩ"\ntolerance = "20 %"\n'
            'voltage_rating = "40 V"\nripple_current_rating = "4 A"'
        )
    ],
    "load": 'kind = "resistor"\nresistance = "15 Ω"\npower_rating = "60 W"',
    "ambient": 'temperature = "25 °C"',
}
CENTRE_TAPPED = PARTS["transformer"].replace("secondaries = 1", "secondaries = 2")


@pytest.fixture(scope="session")
def bench():
    """Return a function that makes a bench from PARTS, some replaced by text, some left out by None."""

    def make(**changes):
        parts = PARTS | changes
        text = 'title = "a workshop supply"\n'
        for name, body in parts.items():
            if name == "filter":
                text += "".join(f"[[filter]]\n{section}\n" for section in body)
            elif body is not None:
                text += f"[{name}]\n{body}\n"
        return read_bench(text)

    return make


@pytest.fixture(scope="session")
def parts():
    """Return the sections that `bench` starts from, and a transformer of two windings as `centre-tapped`."""
    return PARTS | {"centre-tapped": CENTRE_TAPPED}
