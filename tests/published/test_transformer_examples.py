"""A transformer's tests without load and shorted, its regulation and inrush, and limits of public supply, as published.

Figures and formulas are quoted from memory of the books and standards that are named.
"""

import math

import pytest

from benchmon.prediction import predict
from benchmon.prediction.ratings.check import check
from benchmon.prediction.ratings.switch_on import SATURATION, core_inrush, switch_on
from benchmon.standards import PUBLIC_SUPPLY_HARMONICS, PUBLIC_SUPPLY_THD
from support.circuits.drawn import capacitor, plain, resistor
from support.supplies import rated

# Fitzgerald, Kingsley and Umans, Electric Machinery, example 2.6: 50 kVA, 2400 V to 240 V, 60 Hz. From the 240 V side
# it takes 5.41 A and 186 W without load; from the 2400 V side 20.8 A and 617 W at 48 V with the other side shorted.
NO_LOAD = [["240 V", "5.41 A", "186 W"]]
SHORTED = ["4.8 V", "208 A", "617 W"]
TRANSFORMER = {
    "primary_voltage": "240 V",
    "open_circuit_voltage": "2400 V",
    "rating": "50 kVA",
    "no_load": NO_LOAD,
    "short_circuit": SHORTED,
}


def example(load):
    """Return the example's transformer from the 240 V side, a bridge at the other, on a mains without resistance."""
    bench = plain(load=load, filter=[], mains={"voltage": 240.0, "frequency": 60.0, "source_resistance": 0.0})
    data = bench.model_dump(exclude_none=True)
    return type(bench).model_validate(data | {"transformer": TRANSFORMER})


def value(found, quantity):
    return found.quantities[quantity].value


def test_a_published_test_without_load():
    found = predict(example({"kind": "open"}))
    assert value(found, "mains.current.rms") == pytest.approx(5.41, rel=2e-3)
    assert value(found, "mains.power.active") == pytest.approx(186.0, rel=2e-3)
    assert value(found, "mains.power_factor") == pytest.approx(186.0 / (240.0 * 5.41), rel=4e-3)


def test_regulation_and_loss_of_the_published_transformer_at_full_load():
    # From the short-circuit test R = 617/208² and Z = 4.8/208, referred to 240 V; into a resistor of the rated size,
    # which a bridge without a filter leaves a resistor, the phasors give V2/V1 = RL/|R + RL + jX|.
    ohms, impedance, load = 617.0 / 208.0**2, 4.8 / 208.0, 240.0**2 / 50e3
    reactance = math.sqrt(impedance**2 - ohms**2)
    share = load / math.hypot(ohms + load, reactance)
    assert 1.0 / share - 1.0 == pytest.approx(0.0125, abs=2e-4), "1.9 % at a power factor of 0.8, in the book"
    found = predict(example(resistor(100.0 * load)))
    assert value(found, "output.voltage.rms") == pytest.approx(2400.0 * share, rel=2e-3)
    lost = value(found, "mains.power.active") - value(found, "output.power.mean") - 4 * value(found, "diode.power.mean")
    assert lost == pytest.approx(186.0 + 617.0 * share**2, rel=0.02), "803 W, an efficiency of 98 %, in the book"


@pytest.mark.parametrize("remanence", [0.0, 0.4, 0.8])
@pytest.mark.parametrize("level", [0.9, 1.0, 1.1])
def test_a_core_saturates_for_the_published_part_of_a_period(remanence, level):
    # Kulkarni and Khaparde, Transformer Engineering, chapter on inrush: half of the angle for which the core is
    # saturated is arccos((Bs − Bm − Br)/Bm), and all of it lies around the end of the first half period.
    found = core_inrush(rated(), 230.0 * level, remanence)
    half = math.acos(max(-1.0, min(1.0, (SATURATION - level - remanence) / level)))
    assert 180.0 - found.saturated_from == pytest.approx(math.degrees(half), abs=1e-6)


@pytest.mark.parametrize("microfarads", [20.0, 60.0])
def test_a_small_capacitor_switched_on_at_the_crest_charges_as_from_a_battery(microfarads):
    # Closed form, and every maker's note on inrush limiters: V/R at first, and V²·C/(2R) of I²t, half the charge's
    # energy lost in the resistance, where R·C is much less than a period.
    ohms, crest = 5.0, 400.0
    bench = plain(
        filter=[capacitor(microfarads * 1e-6, esr=0.0)],
        load=resistor(1e5),
        transformer={
            "primary_voltage": 230.0,
            "open_circuit_voltage": crest / math.sqrt(2.0),
            "primary_resistance": 0.0,
            "secondary_resistance": ohms,
            "leakage_inductance": 0.0,
        },
        mains={"source_resistance": 0.0},
    )
    found = switch_on(bench)
    assert found.winding_peak == pytest.approx(crest / ohms, rel=0.02)
    ratio = crest / math.sqrt(2.0) / 230.0
    assert found.first_half_cycle_i2t == pytest.approx(ratio**2 * crest**2 * microfarads * 1e-6 / (2 * ohms), rel=0.1)


# EN 50160, table 1, by order: per cent of the fundamental.
TABLE = {2: 2.0, 3: 5.0, 4: 1.0, 5: 6.0, 7: 5.0, 9: 1.5, 11: 3.5, 13: 3.0}


def test_levels_of_public_supply():
    assert {order: 100.0 * size for order, size in PUBLIC_SUPPLY_HARMONICS.items()} == pytest.approx(TABLE)
    assert PUBLIC_SUPPLY_THD == 0.08


def test_public_supply_may_be_a_tenth_higher_or_lower():
    # EN 50160, 4.2.2: 95 % of the 10 min means of a week lie within ±10 %.
    bench = rated(mains='voltage = "230 V"\nfrequency = "50 Hz"')
    assert any("10 % higher or lower" in text for text in check(bench).cautions)
