"""Readings that a driver hears by itself."""

import time


def received(driver, number=1, patience=3.0):
    """Return the next readings of a driver that listens, `number` or more, within `patience` seconds."""
    readings, deadline = [], time.monotonic() + patience
    while len(readings) < number:
        assert time.monotonic() < deadline, readings
        readings += driver.receive(0.1)
    return readings
