"""Prediction: what every meter should read, from the circuit alone. Pure: no clock, file, thread or screen."""
