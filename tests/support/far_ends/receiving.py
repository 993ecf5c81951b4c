"""Reading from streaming drivers in tests."""

import time


def next_readings(driver, number=1, patience=60.0):
    """Return the next readings of a streaming driver, `number` or more, within `patience` seconds."""
    readings, deadline = [], time.monotonic() + patience
    while len(readings) < number:
        assert time.monotonic() < deadline, readings
        readings += driver.receive(0.1)
    return readings
