"""The invented workshop supply of many tests: a bridge into a resistor, without instruments."""


def supply(title: str = "Workshop supply", mains: str = "") -> str:
    """Return its bench file, to which instruments and channels are added; `mains` holds more lines of that table."""
    return f"""
title = "{title}"
[mains]
voltage = "230 V"
frequency = "50 Hz"
{mains}[transformer]
primary_voltage = "230 V"
open_circuit_voltage = "18 V"
primary_resistance = "9 Ω"
secondary_resistance = "0.2 Ω"
[rectifier]
kind = "bridge"
[diode]
saturation_current = "10 nA"
emission_coefficient = 1.8
[load]
kind = "resistor"
resistance = "22 Ω"
"""
