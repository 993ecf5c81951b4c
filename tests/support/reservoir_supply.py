"""The invented supply of the tests of contradictions: a bridge with a reservoir into a resistor, without meters."""

SUPPLY = """
[mains]
voltage = "230 V"
frequency = "50 Hz"
[transformer]
primary_voltage = "230 V"
secondaries = 1
open_circuit_voltage = "20 V"
primary_resistance = "8 Ω"
secondary_resistance = "0.2 Ω"
no_load_current = "30 mA"
no_load_loss = "2 W"
[rectifier]
kind = "bridge"
[diode]
saturation_current = "10 nA"
emission_coefficient = 1.8
thermal_resistance = "20 K/W"
thermal_time_constant = "40 s"
[[filter]]
kind = "capacitor"
capacitance = "4.7 mF"
[load]
kind = "resistor"
resistance = "20 Ω"
"""
