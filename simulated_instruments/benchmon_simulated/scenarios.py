"""The example benches that come with benchmon. All of them are invented."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from benchmon.errors import BadInput
from benchmon.text import one_line

_BENCHES = Path(__file__).parent / "benches"
TRANSFORMER_TESTS = Path(__file__).parent / "transformer_tests.toml"
"""Answers to the questions about the tests of an invented transformer."""


@dataclass(frozen=True)
class Scenario:
    """A simulated bench by its name, with the faults that occur on it; `path` is its bench file."""

    name: str
    description: str
    faults: tuple[str, ...] = ()
    bench: str = ""
    """The bench's own name, where several scenarios share one."""

    @property
    def path(self) -> Path:
        """The bench file."""
        return _BENCHES / f"{self.bench or self.name}.toml"


SCENARIOS: tuple[Scenario, ...] = (
    Scenario("reservoir", "a bridge with a reservoir capacitor: the 22 V supply of a conveyor"),
    Scenario("bridge", "a bridge straight into a resistor: the heater of a glue pot"),
    Scenario("centre-tap", "a centre tap straight into a resistor: the window heater of a cold store"),
    Scenario("split-rail", "two rails from a winding with a centre tap: the amplifier of a tone arm"),
    Scenario("two-bridges", "a bridge on each of two windings: the outputs of a chart recorder"),
    Scenario("two-outputs", "two stacked outputs with unequal loads: the motors and the logic of a plotter"),
    Scenario("doubler", "a full-wave doubler: the supply of a counter tube"),
    Scenario("half-wave-doubler", "a half-wave doubler: the supply of a signal relay"),
    Scenario("tripler", "a tripler: the line supply of a telephone"),
    Scenario("regulated", "a regulated 12 V supply with meters of every family, and a relay in the mains"),
    Scenario("sweep", "the conveyor's supply, its regulation swept with an electronic load"),
    Scenario(
        "failing-diode",
        "the conveyor's supply, of which a diode opens after 20 s",
        ("open-diode:2@20s",),
        "reservoir",
    ),
    Scenario(
        "drying-out",
        "the conveyor's supply: the reservoir fails after 15 s, the fan after 30 s",
        ("dried-reservoir@15s", "lost-cooling@30s"),
        "reservoir",
    ),
    Scenario(
        "lost-fan",
        "the regulated supply, whose fan stops after 10 s: it gets hot until a trip switches it off",
        ("lost-cooling@10s",),
        "regulated",
    ),
    Scenario(
        "bad-leads",
        "the conveyor's supply, with a wrong clamp and range, a loose probe, and a cable pulled for a time",
        ("clamp-tenfold:winding current", "ac-coupling:output", "loose-probe@20s", "unplugged:power meter@30s..45s"),
        "reservoir",
    ),
)
"""Every scenario; the first is the default."""


def scenario_named(name: str) -> Scenario:
    """Return the scenario called `name`. Raises `BadInput`, listing the names, if there is none."""
    for scenario in SCENARIOS:
        if scenario.name == name:
            return scenario
    names = ", ".join(scenario.name for scenario in SCENARIOS)
    raise BadInput(f"{one_line(name, 40)!r} is no scenario; the scenarios are {names}")
