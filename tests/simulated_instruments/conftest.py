"""A supply that is easy to calculate: parts of the bench file can be replaced one by one."""

from __future__ import annotations

import pytest

from benchmon.bench import Bench, read_bench

SUPPLY = {
    "mains": 'voltage = "230 V"\nfrequency = "50 Hz"',
    "transformer": 'primary_voltage = "230 V"\nopen_circuit_voltage = "20 V"\n'
    'primary_resistance = "0 Ω"\nsecondary_resistance = "1 mΩ"',
    "rectifier": 'kind = "bridge"',
    "diode": 'saturation_current = "10 nA"\nemission_coefficient = 1.8\nseries_resistance = "20 mΩ"',
    "load": 'kind = "resistor"\nresistance = "10 Ω"',
}
RESERVOIR = '[[filter]]\nkind = "capacitor"\ncapacitance = "4.7 mF"\nesr = "30 mΩ"\n'


def bench_with(extra: str = "", **sections: str) -> Bench:
    """Return the easy supply with some of its sections replaced, and `extra` TOML at the end."""
    text = "".join(f"[{name}]\n{keys}\n" for name, keys in (SUPPLY | sections).items())
    return read_bench(text + extra)


@pytest.fixture(scope="session")
def make_bench():
    return bench_with


@pytest.fixture(scope="session")
def reservoir() -> str:
    return RESERVOIR
