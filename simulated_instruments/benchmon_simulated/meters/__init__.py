"""The simulated meters: detector, filter, calibration, ranges and last digit."""
