"""A direct voltage on the mains, against a core that is stepped through its periods without the engine."""

import numpy as np
import pytest

from benchmon.prediction import predict
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.direct_mains import DIRECT, effects_of_direct_volts
from benchmon.prediction.solved import solve
from support.circuits.drawn import capacitor, plain

CORE = {"no_load_current": 0.04, "no_load_loss": 3.0}
OPEN = {"kind": "open"}


def idle(**mains):
    return plain(filter=[capacitor(4.7e-3)], load=OPEN, transformer=CORE, mains={"harmonics": None} | mains)


def stepped(bench, direct):
    """Return rms and peak of the line current after many periods of explicit steps, with a `direct` voltage (V)."""
    parts = {name: float(value[0]) for name, value in parts_of(bench).values.items()}
    ohms, volts = parts["transformer.primary_resistance"], 230.0
    share, exponent = parts["core.saturating"], parts["core.exponent"]
    reactive = np.sqrt(parts["core.current"] ** 2 - (parts["core.loss"] / volts) ** 2)
    angle = 2.0 * np.pi * np.arange(2000) / 2000
    wave = (1.0 - share) * np.sin(angle) + share * np.sin(angle) * np.abs(np.sin(angle)) ** (exponent - 1.0)
    peak, conductance = reactive / np.sqrt(np.mean(wave**2)), parts["core.loss"] / volts**2
    source = np.sqrt(2.0) * volts * np.sin(angle) + direct
    flux, step = -1.0, 2.0 * np.pi / 2000
    for _ in range(150):
        line = np.empty(2000)
        for at, now in enumerate(source.tolist()):
            magnetising = peak * ((1.0 - share) * flux + share * flux * abs(flux) ** (exponent - 1.0))
            emf = (now - ohms * magnetising) / (1.0 + ohms * conductance)
            line[at] = magnetising + conductance * emf
            flux += step * emf / (np.sqrt(2.0) * volts)
    return float(np.sqrt(np.mean(line**2))), float(np.max(np.abs(line)))


def test_it_moves_the_line_current_as_much_as_a_core_stepped_in_time():
    bench = idle(source_resistance=0.0)
    solved = solve(bench, parts_of(bench))
    levels = {name: float(value[0]) for name, value in solved.quantities.items()}
    found = effects_of_direct_volts(bench, solved.equilibrium, levels)
    (rms, peak), (rms_without, peak_without) = stepped(bench, 0.2), stepped(bench, 0.0)
    assert found["mains.current.rms"] == pytest.approx(rms - rms_without, rel=0.1)
    assert found["mains.current.peak"] == pytest.approx(peak - peak_without, rel=0.1)


def test_it_is_allowed_for_where_nothing_of_the_mains_is_known_and_said_in_the_budget():
    unknown, known = predict(idle()), predict(idle(harmonics=[]))
    name = "mains.current.peak"
    assert DIRECT in dict(unknown.contributions[name])
    assert DIRECT not in dict(known.contributions[name])
    assert unknown.quantities[name].uncertainty > 1.2 * known.quantities[name].uncertainty


def test_it_moves_nothing_behind_the_rectifier():
    assert all(
        DIRECT not in dict(shares) for name, shares in predict(idle()).contributions.items() if "mains" not in name
    )
