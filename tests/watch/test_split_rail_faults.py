"""Faults of a split rail, whose two rails then draw differently: what the simulated bench's meters showed is explained.

The parts are those of the stepped circuit's readings with the fault over those without it, of one draw of parts.
"""

import pytest

from benchmon.bench import load_bench
from benchmon.watch.diagnosis.explainer import NOTHING_WRONG, Explainer
from benchmon.watch.diagnosis.likelihood import Observation
from benchmon.watch.diagnosis.meter_values import meter_values
from benchmon_simulated.scenarios import scenario_named

BENCH = load_bench(scenario_named("split-rail").path)
NAMES = ("output", "ripple", "winding current", "mains voltage", "mains current", "mains power", "diode case", "air")
READ = {
    "open diode 1": ("a diode is open", (0.933, 2.188, 0.556, 1.002, 0.958, 0.967, 0.662, 1.011)),
    "open diode 2": ("a diode is open", (0.933, 2.188, 1.494, 1.002, 0.958, 0.967, 1.333, 1.011)),
    "open diode 3": ("a diode is open", (1.003, 1.368, 0.556, 1.002, 0.958, 0.967, 0.916, 1.011)),
    "open diode 4": ("a diode is open", (1.003, 1.368, 1.494, 1.002, 0.958, 0.967, 1.105, 1.011)),
    "half-wave": ("the rectifier is wired as half-wave", (0.912, 2.115, 1.160, 1.002, 1.041, 0.906, 1.314, 1.011)),
    "open reservoir": ("the reservoir is open", (0.705, 26.399, 0.806, 1.002, 0.721, 0.815, 0.876, 1.011)),
    "sound": (NOTHING_WRONG, (1.0,) * 8),
}

WITHOUT_A_CORE = {("half-wave", "mains current"), ("half-wave", "mains power")}
"""Readings that are left out: the stepped circuit had no core, which half waves magnetise."""


@pytest.fixture(scope="module")
def explainer():
    """Return the explainer of the split rail, which is made once."""
    return Explainer(BENCH)


@pytest.mark.parametrize("fault", READ)
def test_a_fault_of_one_rail_comes_first(explainer, fault):
    cause, parts = READ[fault]
    right = meter_values(BENCH, BENCH.mains.voltage)
    channels = {channel.name: channel for channel in BENCH.channel}
    found = [
        Observation(channels[name], part * right.of(channels[name].quantity).value)
        for name, part in zip(NAMES, parts, strict=True)
        if (fault, name) not in WITHOUT_A_CORE
    ]
    assert explainer.explain(found)[0].cause.startswith(cause)
