"""The simulated meters and oscilloscope."""
