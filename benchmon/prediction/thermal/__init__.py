"""Temperatures: equilibrium of dissipation and temperature, rise from ratings."""
