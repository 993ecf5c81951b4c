"""Half-wave doubler and tripler against the charge balance of a cascade: by the prediction and by the simulated supply.

For the doubler as in Kuffel, Zaengl and Kuffel, High Voltage Engineering, chapter 2 (from memory): of one stage the
peak falls by I/(f·C) and the ripple is I/(f·C). For the tripler the same reasoning capacitor by capacitor: the first is
full at one peak of the winding, the second a charge and a half below twice the peak at the other, the third one more
below that; the output loses what the load takes from two in series, and what the second takes from the first.
"""

from __future__ import annotations

import math

import pytest

from benchmon.bench import Bench
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.solved import solve
from benchmon_simulated import SupplyUnderTest
from benchmon_simulated.effects import Effects
from support.circuits.drawn import capacitor, current, plain

PEAK, FARADS, AMPERES = 1000.0, 1e-3, 1.0
CHARGE = AMPERES / 50.0 / FARADS
"""Volts that the charge of a period makes on a capacitor: 20."""

# Multiple of the peak; then, in charges of a period, how far the mean lies below it, and the ripple.
DOUBLER, TRIPLER = ("half-wave doubler", 2, 1.5, 1.0), ("tripler", 3, 4.0, 3.0)


def ideal(kind: str) -> Bench:
    # At a thousand volts the drop of a diode, some 0.6 V, no longer counts.
    winding = {
        "open_circuit_voltage": PEAK / math.sqrt(2.0), "primary_resistance": 1e-3, "secondary_resistance": 1e-3,
        "rating": 1e4,
    }  # fmt: skip
    return plain(kind, transformer=winding, filter=[capacitor(FARADS)], load=current(AMPERES))


@pytest.mark.parametrize(("kind", "times", "below", "ripple"), [DOUBLER, TRIPLER])
def test_a_predicted_cascade_loses_what_the_charge_balance_says(kind, times, below, ripple):
    found = {name: float(value[0]) for name, value in solve(ideal(kind), parts_of(ideal(kind))).quantities.items()}
    # Its diodes take some volts, and it is charged for a little while, not in no time.
    assert times * PEAK - found["output.voltage.mean"] == pytest.approx(below * CHARGE, abs=3.0)
    assert found["output.voltage.ripple"] == pytest.approx(ripple * CHARGE, rel=0.07)
    assert found["diode.current.mean"] == pytest.approx(AMPERES, rel=1e-3)
    assert found["diode.voltage.reverse_peak"] == pytest.approx(2.0 * PEAK, rel=0.02)
    assert found["output.voltage.frequency"] == 50.0


@pytest.mark.parametrize(("kind", "times", "below", "ripple"), [DOUBLER, TRIPLER])
def test_a_simulated_cascade_loses_what_the_charge_balance_says(kind, times, below, ripple):
    supply = SupplyUnderTest(ideal(kind), 1, Effects.none())
    supply.advance(0.5)
    value = supply.snapshot.values
    # Its mains wanders and its parts differ a little from what the bench file says.
    peak = math.sqrt(2.0) * supply.parts.ratio * value["mains.voltage.rms"]
    charge = value["output.current.mean"] / value["mains.frequency"] / supply.parts.filter[0].capacitance
    assert times * peak - value["output.voltage.mean"] == pytest.approx(below * charge, abs=3.0)
    assert value["output.voltage.ripple"] == pytest.approx(ripple * charge, rel=0.07)
