"""Measures of sampled waves: levels, frequency, harmonics, power, each with its uncertainty."""
