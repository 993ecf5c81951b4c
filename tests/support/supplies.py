"""Bench files of invented supplies, made from sections that a test changes one by one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from benchmon.bench import Bench, read_bench

Section = str | Mapping[str, Any] | Sequence[Any] | None
Sections = Mapping[str, Section]

WORKSHOP: Sections = {
    "mains": {"voltage": "230 V", "frequency": "50 Hz", "harmonics": [], "source_resistance": "0 Ω"},
    "transformer": {
        "primary_voltage": "230 V",
        "open_circuit_voltage": "18 V",
        "primary_resistance": "9 Ω",
        "secondary_resistance": "0.2 Ω",
        "leakage_inductance": "0 H",
        "no_load_current": "0 A",
        "no_load_loss": "0 W",
    },
    "rectifier": {"kind": "bridge"},
    "diode": {"saturation_current": "10 nA", "emission_coefficient": 1.8},
    "load": {"kind": "resistor", "resistance": "22 Ω"},
}
"""A bridge into a resistor: the least that can be predicted."""

EASY: Sections = {
    "mains": {"voltage": "230 V", "frequency": "50 Hz", "harmonics": [], "source_resistance": "0 Ω"},
    "transformer": {
        "primary_voltage": "230 V",
        "open_circuit_voltage": "20 V",
        "primary_resistance": "0 Ω",
        "secondary_resistance": "1 mΩ",
        "leakage_inductance": "0 H",
        "no_load_current": "0 A",
        "no_load_loss": "0 W",
    },
    "rectifier": {"kind": "bridge"},
    "diode": {"saturation_current": "10 nA", "emission_coefficient": 1.8, "series_resistance": "20 mΩ"},
    "load": {"kind": "resistor", "resistance": "10 Ω"},
}
"""A bridge on windings that drop next to nothing: easy to reckon with by hand."""

RESERVOIR: Sections = {
    "mains": {"voltage": "230 V", "frequency": "50 Hz", "harmonics": [], "source_resistance": "0 Ω"},
    "transformer": {
        "primary_voltage": "230 V",
        "open_circuit_voltage": "20 V",
        "primary_resistance": "8 Ω",
        "secondary_resistance": "0.2 Ω",
        "leakage_inductance": "0 H",
        "no_load_current": "30 mA",
        "no_load_loss": "2 W",
    },
    "rectifier": {"kind": "bridge"},
    "diode": {
        "saturation_current": "10 nA",
        "emission_coefficient": 1.8,
        "thermal_resistance": "20 K/W",
        "thermal_time_constant": "40 s",
    },
    "filter": [{"kind": "capacitor", "capacitance": "4.7 mF", "esr": "0 Ω"}],
    "load": {"kind": "resistor", "resistance": "20 Ω"},
}
"""A bridge with a reservoir, whose diodes warm up."""

RATED: Sections = {
    "mains": {
        "voltage": "230 V",
        "frequency": "50 Hz",
        "tolerance": "6 %",
        "source_resistance": "0.4 Ω",
        "harmonics": [],
    },
    "transformer": {
        "primary_voltage": "230 V",
        "secondaries": 1,
        "open_circuit_voltage": "18.4 V",
        "primary_resistance": "14 Ω",
        "secondary_resistance": "0.12 Ω",
        "leakage_inductance": "0 H",
        "rating": "80 VA",
        "no_load_current": "0 A",
        "no_load_loss": "0 W",
    },
    "fuse": {"rating": "800 mA", "speed": "time-lag", "melting_i2t": "2.4 A²s"},
    "rectifier": {"kind": "bridge"},
    "diode": {
        "saturation_current": "20 nA",
        "emission_coefficient": 1.7,
        "series_resistance": "25 mΩ",
        "mean_current_rating": "3 A",
        "surge_current_rating": "120 A",
        "reverse_voltage_rating": "200 V",
        "thermal_resistance": "18 K/W",
        "thermal_time_constant": "40 s",
        "max_junction": "150 °C",
    },
    "filter": [
        {
            "kind": "capacitor",
            "capacitance": "6.8 mF",
            "esr": "35 mΩ",
            "tolerance": "20 %",
            "voltage_rating": "40 V",
            "ripple_current_rating": "4 A",
        }
    ],
    "load": {"kind": "resistor", "resistance": "15 Ω", "power_rating": "60 W"},
    "ambient": {"temperature": "25 °C"},
}
"""A bridge with a reservoir, a fuse, and every rating that can be checked."""

SMOOTHING = '[[filter]]\nkind = "capacitor"\ncapacitance = "4.7 mF"\nesr = "30 mΩ"\n'
"""A reservoir to be added to a bench file that has none."""

CENTRE_TAPPED = {"secondaries": 2}
"""What makes the transformer of any of these one of two windings."""


def supply(title: str = "Workshop supply", base: Sections = WORKSHOP, **changes: Section) -> str:
    """Return the bench file of the supply `base` with some of its sections changed, to which meters can be added.

    A mapping changes keys of a section, None as a value leaves a key out; text replaces a whole section; a list
    replaces the sections of that name; None leaves a section out.
    """
    sections = {name: _changed(section, changes.get(name, {})) for name, section in base.items()}
    sections |= {name: change for name, change in changes.items() if name not in base}
    return f'\ntitle = "{title}"\n' + "".join(_table(name, section) for name, section in sections.items())


def bench_of(base: Sections = WORKSHOP, more: str = "", **changes: Section) -> Bench:
    """Return the bench of `supply`, with `more` TOML at its end."""
    return read_bench(supply(base=base, **changes) + more)


def easy(more: str = "", **changes: Section) -> Bench:
    """Return the bench that is easy to reckon with, with some of its sections changed, and `more` TOML at its end."""
    return bench_of(EASY, more, **changes)


def rated(**changes: Section) -> Bench:
    """Return the bench with every rating, with some of its sections changed."""
    return bench_of(RATED, **changes)


def _changed(section: Section, change: Section) -> Section:
    both_mappings = isinstance(section, Mapping) and isinstance(change, Mapping)
    return section | change if both_mappings else (section if change == {} else change)


def _table(name: str, section: Section) -> str:
    if section is None:
        return ""
    if isinstance(section, str | Mapping):
        return f"[{name}]\n{_body(section)}"
    return "".join(f"[[{name}]]\n{_body(part)}" for part in section)


def _body(section: str | Mapping[str, Any]) -> str:
    if isinstance(section, str):
        return section if section.endswith("\n") else section + "\n"
    return "".join(f"{key} = {_value(value)}\n" for key, value in section.items() if value is not None)


def _value(value: Any) -> str:
    return f'"{value}"' if isinstance(value, str) else repr(value)
