"""Benches as TOML text for tests: a complete one, and a small writer for changed ones."""

from __future__ import annotations

import json
import math
from typing import Any

COMPLETE = """
title = "workshop supply"

[mains]
voltage = "230 V"
frequency = "50 Hz"
tolerance = "6 %"
source_resistance = "0.4 Ω"
harmonics = [[5, "2.4 %", "180°"], [3, 0.018, 61]]

[transformer]
primary_voltage = "230 V"
secondaries = 2
connection = "series"
rating = "50 VA"
open_circuit_voltage = "18.6 V"
primary_resistance = "12 Ω"
secondary_resistance = "0.31 Ω"
leakage_inductance = "90 µH"
no_load_current = "28 mA"
no_load_loss = "3.1 W"

[fuse]
rating = "630 mA"
speed = "time-lag"
melting_i2t = "1.2 A²s"
resistance = "0.5 ohm"

[ntc]
r25 = "10 Ω"
beta = "2900 K"
dissipation_factor = "17 mW/K"
time_constant = "70 s"
max_current = "4 A"

[rectifier]
kind = "bridge"

[diode]
forward = [["0.72 V", "0.1 A"], ["0.95 V", "3 A"]]
mean_current_rating = "3 A"
surge_current_rating = "125 A"
reverse_voltage_rating = "400 V"
thermal_resistance = "18 K/W"
thermal_time_constant = "9 s"
max_junction = "150 °C"

[[filter]]
kind = "capacitor"
capacitance = "4.7 mF"
esr = "40 mΩ"
tolerance = "20 %"
voltage_rating = "63 V"
ripple_current_rating = "3.2 A"

[[filter]]
kind = "resistor"
resistance = "0.47 Ω"

[[filter]]
kind = "choke"
inductance = "12 mH"
resistance = "0.2 Ω"

[[filter]]
kind = "capacitor"
capacitance = "2.2 mF"

[regulator]
output_voltage = "24 V"
dropout = "1.8 V"
quiescent_current = "6 mA"
thermal_resistance = "4 K/W"
thermal_time_constant = "5 min"
max_junction = "125 °C"
ripple_rejection = "62 dB"
noise = "0.1 mV"

[load]
kind = "resistor"
resistance = "22 Ω"
power_rating = "50 W"
temperature_coefficient = "100 ppm/K"

[ambient]
temperature = "23 °C"

[[instrument]]
name = "meter one"
driver = "scpi"
address = "TCPIP::127.0.0.1::5025::SOCKET"
query = "READ?"

[[channel]]
name = "output"
instrument = "meter one"
quantity = "output.voltage.mean"
accuracy = "0.5 % + 20 mV"
period = "500 ms"
warn_above = "25 V"
trip_above = "26 V"
warn_below = "23 V"
trip_below = "22 V"
scale = 1.0
command = "MEAS:VOLT:DC?"

[[channel]]
name = "case"
instrument = "meter one"
quantity = "diode.temperature.case"
accuracy = "1.5 K"
trip_above = "110 °C"

[[step]]
name = "first"
mains = "120 V"
load = "open"
hold = "20 s"
needs = ["output"]

[[step]]
name = "second"
load = "47 Ω"

[switch_off]
instrument = "meter one"
command = "OUTP OFF"
"""


def written(data: dict[str, Any]) -> str:
    """Return `data` as TOML, one section after another."""
    plain = {key: value for key, value in data.items() if not _is_section(value)}
    lines = [f"{_key(key)} = {_value(value)}" for key, value in plain.items()]
    for name, value in data.items():
        if isinstance(value, dict):
            lines += ["", f"[{_key(name)}]", *_pairs(value)]
        elif _is_section(value):
            for item in value:
                lines += ["", f"[[{_key(name)}]]", *_pairs(item)]
    return "\n".join(lines) + "\n"


def _is_section(value: Any) -> bool:
    tables = isinstance(value, list) and value and all(isinstance(item, dict) for item in value)
    return isinstance(value, dict) or bool(tables)


def _pairs(section: dict[str, Any]) -> list[str]:
    return [f"{_key(key)} = {_value(value)}" for key, value in section.items()]


def _key(name: str) -> str:
    return name if name.isascii() and name.replace("_", "a").isalnum() else _text(name)


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, float):
        return "nan" if math.isnan(value) else ("-inf" if value < 0 else "inf") if math.isinf(value) else repr(value)
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(key)} = {_value(item)}" for key, item in value.items()) + "}"
    return value.isoformat() if hasattr(value, "isoformat") else str(value)
