"""Measures of sampled waves: levels, frequency, harmonics and power, each with its uncertainty.

`captured_wave.measure_wave` and `power.measure_pair` measure captures of any length with uncertainty;
`measures.measure` and `measures.measure_power` are the plain functions behind them.
"""
