"""Drift: slow changes that the noise and the mains do not explain."""
