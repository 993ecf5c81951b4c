"""benchmon: predict, watch and record the power-on test of a mains-transformer linear power supply."""

__version__ = "0.1.0"
