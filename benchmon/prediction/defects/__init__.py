"""Supplies with a fault: open, shorted or reversed diodes and windings."""
