"""Diagnosis: which faults and meter faults explain the readings, and how likely each is."""
