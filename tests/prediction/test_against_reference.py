"""Every kind of circuit against its integration by scipy, quantity by quantity."""

import pytest

from benchmon.bench import Bench
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.solved import solve
from support.circuits.agreement import predicted, shares
from support.circuits.drawn import IDEAL, capacitor, choke, current, plain, resistor
from support.circuits.kept import reference
from support.circuits.reference import reference as integrated

LEAKY = {"leakage_inductance": 2e-4}
TWO = {"secondaries": 2, "connection": "series"}
RESERVOIR = [capacitor(4.7e-3, 0.05)]
FLAT = {"harmonics": [[3, 0.05, 0.0]], "source_resistance": 2.0}
ANY_PHASE = {"harmonics": [[3, 0.024, 61.0], [5, 0.022, -141.0], [7, 0.01, 47.0], [11, 0.006, -106.0]]}
EVEN = {"harmonics": [[2, 0.02, 70.0], [3, 0.02, -120.0], [4, 0.01, 200.0]], "source_resistance": 1.0}

CASES = {
    "half wave": plain("half wave"),
    "half wave, reservoir": plain("half wave", filter=RESERVOIR),
    "half wave, choke": plain("half wave", filter=[choke(50e-3, 0.5)]),
    "half wave, choke, leakage": plain("half wave", filter=[choke(50e-3, 0.5)], transformer=LEAKY),
    "half wave, flat mains": plain("half wave", filter=RESERVOIR, mains=FLAT),
    "centre tap": plain("centre tap"),
    "centre tap, reservoir": plain("centre tap", filter=RESERVOIR),
    "centre tap, choke input": plain("centre tap", filter=[choke(50e-3, 0.5), capacitor(2.2e-3)]),
    "centre tap, choke input, leakage": plain(
        "centre tap", filter=[choke(50e-3), capacitor(2.2e-3)], transformer=LEAKY
    ),
    "bridge": plain(),
    "bridge, leakage": plain(transformer=LEAKY),
    "bridge, reservoir": plain(filter=RESERVOIR),
    "bridge, reservoir, leakage": plain(filter=RESERVOIR, transformer=LEAKY),
    "bridge, resistor and capacitor": plain(filter=[capacitor(2.2e-3, 0.1), resistor(2.0), capacitor(2.2e-3)]),
    "bridge, resistor first": plain(filter=[resistor(1.0), capacitor(2.2e-3)]),
    "bridge, capacitor, choke, capacitor": plain(filter=[capacitor(2.2e-3, 0.1), choke(20e-3, 0.5), capacitor(2.2e-3)]),
    "bridge, choke": plain(filter=[choke(50e-3, 0.5)]),
    "bridge, choke input": plain(filter=[choke(50e-3, 0.5), capacitor(2.2e-3)]),
    "bridge, small choke input": plain(filter=[choke(2e-3, 0.1), capacitor(2.2e-3)]),
    "bridge, two chokes in a row": plain(filter=[choke(20e-3, 0.2), choke(30e-3, 0.3), capacitor(1e-3)]),
    "bridge, constant current": plain(filter=RESERVOIR, load=current(1.0)),
    "bridge, constant current, no capacitor": plain(load=current(0.5)),
    "bridge, regulator": plain(
        filter=RESERVOIR, regulator={"output_voltage": 15.0, "dropout": 1.5, "quiescent_current": 5e-3} | IDEAL
    ),
    "bridge, regulator drops out": plain(
        filter=RESERVOIR, regulator={"output_voltage": 21.5, "dropout": 1.5, "quiescent_current": 5e-3} | IDEAL
    ),
    "bridge, regulator without capacitor": plain(regulator={"output_voltage": 12.0, "dropout": 1.0} | IDEAL),
    "bridge, flat mains": plain(filter=RESERVOIR, mains=FLAT),
    "bridge, harmonics of any phase": plain(filter=RESERVOIR, mains=ANY_PHASE),
    "bridge, harmonics, leakage": plain(filter=RESERVOIR, mains=ANY_PHASE, transformer=LEAKY),
    "bridge, even harmonics": plain(filter=RESERVOIR, mains=EVEN),
    "centre tap, even harmonics, choke input": plain("centre tap", filter=[choke(50e-3), capacitor(1e-3)], mains=EVEN),
    "doubler, even harmonics": plain("full-wave doubler", filter=RESERVOIR, load=resistor(80.0), mains=EVEN),
    "split rail, even harmonics": plain("split rail", filter=RESERVOIR, mains=EVEN),
    "half wave, harmonics of any phase": plain("half wave", filter=RESERVOIR, mains=ANY_PHASE),
    "bridge, series": plain(filter=RESERVOIR, transformer=TWO),
    "bridge, parallel": plain(filter=RESERVOIR, transformer={"secondaries": 2, "connection": "parallel"}),
    "bridge, all copper in the primary": plain(filter=RESERVOIR, transformer={"secondary_resistance": 0.0}),
    "bridge, low mains": plain(filter=RESERVOIR, mains={"voltage": 207.0, "frequency": 60.0}),
    "split rail": plain("split rail"),
    "split rail, reservoir": plain("split rail", filter=RESERVOIR),
    "split rail, reservoir, leakage": plain("split rail", filter=RESERVOIR, transformer=LEAKY),
    "doubler": plain("full-wave doubler", filter=[capacitor(4.7e-3)], load=resistor(80.0)),
    "doubler, leakage": plain("full-wave doubler", filter=RESERVOIR, load=resistor(80.0), transformer=LEAKY),
    "doubler, filter": plain(
        "full-wave doubler", filter=[capacitor(4.7e-3, 0.05), resistor(3.0), capacitor(1e-3)], load=resistor(80.0)
    ),
    "doubler, series": plain("full-wave doubler", filter=RESERVOIR, load=resistor(120.0), transformer=TWO),
}


@pytest.mark.parametrize("bench", CASES.values(), ids=CASES)
def test_every_quantity_agrees(bench: Bench):
    used = shares(predicted(bench), reference(bench))
    assert {name: share for name, share in used.items() if share > 1.0} == {}


@pytest.mark.long
@pytest.mark.parametrize("bench", CASES.values(), ids=CASES)
def test_the_reference_that_is_kept_is_what_is_integrated_again(bench: Bench):
    kept = reference(bench)
    assert integrated(bench) == pytest.approx(kept, rel=1e-4, abs=1e-6 * kept["output.voltage.peak"])


def test_the_reference_predicts_every_electrical_quantity_that_benchmon_does():
    for name in ("bridge, reservoir", "bridge, regulator", "half wave"):
        found = predicted(CASES[name])
        assert set(found) - {"ambient.temperature"} == set(reference(CASES[name]))


def test_a_warm_junction_agrees_at_its_equilibrium_temperature():
    bench = plain(filter=RESERVOIR, load=resistor(5.0), diode={"thermal_resistance": 40.0})
    found = predicted(bench)
    junction = found["diode.temperature.junction"]
    assert junction == pytest.approx(25.0 + 40.0 * found["diode.power.mean"], abs=0.05)
    assert junction > 100
    used = shares(found, reference(bench, junction=junction))
    assert max(used.values()) <= 1.0


def test_an_inrush_limiter_agrees_at_its_equilibrium_resistance():
    ntc = {"r25": 10.0, "beta": 3000.0, "dissipation_factor": 0.02, "time_constant": 60.0}
    bench = plain(
        filter=RESERVOIR, load=resistor(5.0), ntc=ntc, fuse={"rating": 1.0, "speed": "fast", "resistance": 0.3}
    )
    warm = solve(bench, parts_of(bench)).equilibrium
    ohms = float(warm.parts["ntc.resistance"][0])
    expected = reference(bench, ntc_ohms=ohms)
    assert expected["mains.current.rms"] ** 2 * ohms == pytest.approx(0.02 * (float(warm.ntc[0]) - 25.0), rel=0.003)
    assert max(shares(predicted(bench), expected).values()) <= 1.0
