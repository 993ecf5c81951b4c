"""Instruments: what a driver offers, how drivers are found, and one polling thread an instrument."""
