"""What each effect of a real supply adds to a quantity or takes from it: the circuit solved with it and without it.

The first circuit has ideal parts. The effects are then put in one by one, in a fixed order, until the circuit is the
one that is predicted, so their sum is exact. An effect's size depends a little on the order, since effects act on each
other: a resistance matters less where diodes already take some of the peak.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.diode import BOLTZMANN_PER_CHARGE, REFERENCE, ZERO_CELSIUS
from benchmon.prediction.circuit.parts import Parts
from benchmon.prediction.solved import solve
from benchmon.prediction.thermal.rated_rise import copper_warms
from benchmon.quantities import is_temperature
from benchmon.signals.arrays import Floats
from benchmon.standards import DIODE_FALL

_IDEAL_EMISSION, _IDEAL_SATURATION = 5e-4, 1e-6
"""Emission coefficient for each volt of the winding, and amperes, of a diode that drops some 0.02 % of the winding.

That is small enough to count as none, and large enough for its current to be solved.
"""

Supply = tuple[Bench, Parts]


@dataclass(frozen=True)
class Effect:
    """What `label` changes: the quantity with it less the quantity without it, in the unit of the quantity."""

    label: str
    change: float


@dataclass(frozen=True)
class Ladder:
    """The value of the circuit of ideal parts, and the effects that lead from it to the value of the real one.

    `ideal` plus all changes is the predicted value. `left_in` are the labels of effects that the first circuit still
    has, since it could not be solved without them; usually there are none.
    """

    ideal: float
    effects: tuple[Effect, ...]
    left_in: tuple[str, ...] = ()


@dataclass(frozen=True)
class _EffectKind:
    """A kind of effect: whether a bench has it, and the supply without it."""

    label: str
    is_there: Callable[[Bench, Parts], bool]
    without: Callable[[Bench, Parts], Supply]


def ladder_of(bench: Bench, parts: Parts, quantity: str, value: float) -> Ladder:
    """Return the effects that lead to the predicted `value` of `quantity` on a bench with the values in `parts`.

    Effects are taken away one after another. Where the circuit left cannot be solved, it is left out, and the effects
    on both sides of it are stated together.
    """
    effects: list[Effect] = []
    together: list[str] = []
    level = value
    for labels, supply in _stripped(bench, parts, quantity):
        together = [*labels, *together]
        found = _solved(supply, quantity)
        if found is None:
            continue
        effects.insert(0, Effect(" and ".join(together), level - found))
        level, together = found, []
    return Ladder(level, tuple(effects), tuple(together))


def _stripped(bench: Bench, parts: Parts, quantity: str) -> Iterator[tuple[list[str], Supply]]:
    """Yield the supply without the last effect, without the last two, and so on, with the label of the one taken."""
    for kind in reversed(_KINDS):
        # A diode that stays at ambient has no temperature to explain.
        if not kind.is_there(bench, parts) or (kind is _WARM_DIODES and is_temperature(quantity)):
            continue
        label = kind.label
        if kind is _DIODES and bench.rectifier.topology.drops > 1:
            label = "two diode drops"
        bench, parts = kind.without(bench, parts)
        yield [label], (bench, parts)


def _solved(supply: Supply, quantity: str) -> float | None:
    try:
        found = solve(*supply).quantities.get(quantity)
    except PredictionError:
        return None
    return None if found is None else float(found[0])


def _zeroed(parts: Parts, names: Sequence[str]) -> Parts:
    return parts.replaced({name: np.zeros(parts.variants) for name in names})


def _zeroing(label: str, *names: str) -> _EffectKind:
    """Return an effect of parts that an ideal supply has none of, named in full or by their last word, as `*.esr`."""

    def is_meant(name: str) -> bool:
        return any(name.endswith(wanted[1:]) if wanted.startswith("*") else name == wanted for wanted in names)

    def of(parts: Parts) -> list[str]:
        return [name for name in parts.values if is_meant(name)]

    def is_there(_: Bench, parts: Parts) -> bool:
        return any(bool(np.any(parts[name])) for name in of(parts))

    return _EffectKind(label, is_there, lambda bench, parts: (bench, _zeroed(parts, of(parts))))


def _without_diodes(bench: Bench, parts: Parts) -> Supply:
    emission = _IDEAL_EMISSION * parts["transformer.open_circuit_voltage"]
    thermal = emission * BOLTZMANN_PER_CHARGE * (REFERENCE + ZERO_CELSIUS)
    fall = np.clip(DIODE_FALL * (parts["ambient.temperature"] - REFERENCE) / thermal, -100.0, 100.0)
    ideal: dict[str, Floats] = {
        "diode.emission_coefficient": emission,
        # The drop of an ideal diode does not depend on the ambient.
        "diode.saturation_current": _IDEAL_SATURATION * np.exp(-fall),
        "diode.series_resistance": np.zeros(parts.variants),
    }
    return bench, parts.replaced(ideal)


def _without_limiter(bench: Bench, parts: Parts) -> Supply:
    return bench.model_copy(update={"ntc": None}), _zeroed(parts, ["ntc.resistance"])


def _with_cold_copper(bench: Bench, parts: Parts) -> Supply:
    cold = {"resistance_temperature": None, "winding_temperature": None}
    return bench.model_copy(update={"transformer": bench.transformer.model_copy(update=cold)}), parts


_LOAD_COEFFICIENTS = ("load.temperature_coefficient", "load_2.temperature_coefficient")


def _load_warms(_: Bench, parts: Parts) -> bool:
    return any(name in parts and bool(np.any(parts[name])) for name in _LOAD_COEFFICIENTS)


_DIODES = _EffectKind("diode drop", lambda *_: True, _without_diodes)
_WARM_DIODES = _zeroing("diodes warm by their own heat", "diode.thermal_resistance")
_KINDS = (
    _DIODES,
    _zeroing("resistance of the windings", "transformer.primary_resistance", "transformer.secondary_resistance"),
    _zeroing("resistance of the socket and the fuse", "mains.source_resistance", "fuse.resistance"),
    _EffectKind("inrush limiter", lambda bench, _: bench.ntc is not None, _without_limiter),
    _zeroing("leakage inductance", "transformer.leakage_inductance"),
    _zeroing("capacitors' series resistance", "*.esr"),
    _zeroing("regulator's own current", "*.quiescent_current"),
    _zeroing("magnetising current and loss of the core", "core.current", "core.loss"),
    _zeroing("shape of the mains voltage", "*.sin", "*.cos"),
    _EffectKind(
        "load's temperature",
        _load_warms,
        lambda bench, parts: (bench, _zeroed(parts, [name for name in _LOAD_COEFFICIENTS if name in parts])),
    ),
    _EffectKind("warm windings", lambda bench, _: copper_warms(bench), _with_cold_copper),
    _WARM_DIODES,
)
"""The effects in the order in which they are put in."""
