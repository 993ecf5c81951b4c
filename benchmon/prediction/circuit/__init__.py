"""The circuit: parts, rectifier, diode and network, and what a solved period shows."""
