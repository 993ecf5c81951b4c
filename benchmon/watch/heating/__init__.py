"""Heating: fits of rising temperatures and forecasts from them."""
