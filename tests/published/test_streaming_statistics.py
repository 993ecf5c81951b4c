"""Streaming statistics against the National Institute of Standards and Technology's reference values."""

import pytest

from benchmon.watch.drift.blocks import MovingAverage

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4, "EWMA control charts".
DATA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
DATA += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
AVERAGES = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
AVERAGES += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]


def test_moving_average_of_the_handbook():
    chart = MovingAverage(0.3, 50.0)
    assert [chart.update(value) for value in DATA] == pytest.approx(AVERAGES, abs=0.0051)


def test_control_limits_of_the_handbook():
    limit = MovingAverage(0.3, 50.0).limit(2.0539)
    assert (50.0 + limit, 50.0 - limit) == pytest.approx((52.5884, 47.4115), abs=1e-4)
