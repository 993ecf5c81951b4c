"""How much warming up may have moved each channel so far: currents, output, power factor and THD follow the copper.

Parts that warm move readings along curves that flatten: a drift that this explains is none. A part whose temperature is
measured shows its progress itself. The others warm with the time constant of the bench file; where it gives none, with
any from a usual one to three times as long, so that each moment counts with the quickest change of them all.

By how much windings warm is nowhere measured, but all channels show the same windings: each is judged by what the
others show (`warmed_by`).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from benchmon.bench import Bench
from benchmon.prediction.result import Prediction
from benchmon.standards import LOAD_WARMS_IN, TRANSFORMER_WARMS_IN
from benchmon.watch.drift.blocks import NORMAL_QUARTILE

TRANSFORMER, LOAD = "transformer.temperature", "load.temperature"

_LOOK_AGAIN = 2.0
"""Seconds after which it is looked again how warm everything is."""

_SLOWEST = 3.0
"""Times the usual time constant that the slowest transformers and loads have. From memory."""

_PART_OF_THE_BAND, _BY_WINDINGS, _BY_OTHERS = 0.7, 0.03, 0.01
"""The part of an uncertainty that one thing's warming up may use, and the part of a reading by which windings of which
no prediction says more, and anything else, move it at most. From memory."""

_USUAL_RISE = 50.0
"""Kelvins by which windings warm where no prediction estimates it. From memory."""

_VOLTS_BY_A_LOAD = 0.3
"""The part of a load's change in ohms by which volts follow it at most, by a small supply's regulation. From memory."""

_VOLTS = tuple(f".voltage.{how}" for how in ("mean", "rms", "peak", "valley"))

_RAISED_BY_COPPER = frozenset({"mains.power_factor", "mains.displacement_factor"})
"""Where no prediction says how a quantity follows warm copper, these rise with it, since it widens and flattens the
pulses of current; volts, amperes, watts, crest and THD fall."""


class Moved(NamedTuple):
    """By how much warming up may have moved a reading so far: in either direction, and windings, with their sign."""

    either_way: float
    by_copper: float


UNMOVED = Moved(0.0, 0.0)


class WarmParts:
    """Follows how warm the parts of a bench are; `measured` names the quantities of temperatures that are read."""

    def __init__(self, bench: Bench, measured: Iterable[str]) -> None:
        self._measured = frozenset(measured)
        self._copper: dict[str, float] = {}
        self._constants: dict[str, tuple[float, float]] = {}
        self._progress: dict[str, float] = {}
        self._grown = {"": 0.0, LOAD: 0.0, TRANSFORMER: 0.0}
        self._moved: dict[str, tuple[float, float, float, Moved]] = {}
        self._until = -math.inf
        self.change(bench)

    def change(self, bench: Bench) -> None:
        """Go by another description of the bench from now on."""
        given = bench.transformer.thermal_time_constant
        shortest = TRANSFORMER_WARMS_IN if given is None else given
        usual = {TRANSFORMER: (shortest, 1.0 if given else _SLOWEST)}
        self._regulates = bench.regulator is not None
        if self._regulates or bench.load.kind == "resistor" or (bench.load_2 or bench.load).kind == "resistor":
            usual[LOAD] = (LOAD_WARMS_IN, _SLOWEST)
        self._constants = {part: one for part, one in usual.items() if part not in self._measured}

    def expect(self, prediction: Prediction) -> None:
        """Learn from a prediction how much, and which way, the windings' warming moves each quantity.

        They are taken to warm by the predicted rise, which is a guess: see `warmed_by`.
        """
        settled = prediction.quantities.get(TRANSFORMER)
        rise = _USUAL_RISE if settled is None else max(0.0, settled.value - prediction.ambient)
        for quantity, slope in prediction.warming.items():
            if isinstance(quantity, str):
                self._copper[quantity] = slope * rise

    def is_due(self, time: float) -> bool:
        """Return whether it is to be looked again, at `time` (s), how warm everything is."""
        return time >= self._until

    def look(self, time: float, power_on: float | None, measured: Mapping[str, float]) -> None:
        """Look how warm everything is at `time` (s): `measured` has the progress, 0 to 1, of temperatures by quantity.

        `power_on` is when a cold supply was switched on, None for one that has long been warm.
        """
        self._until = time + _LOOK_AGAIN
        found = dict(measured)
        if power_on is not None:
            found |= {part: progress_of(time - power_on, *constant) for part, constant in self._constants.items()}
        for part, now in found.items():
            # What begins to warm again starts from nothing; only growth has moved a reading.
            which = part if part in (TRANSFORMER, LOAD) else ""
            self._grown[which] += max(0.0, now - self._progress.get(part, 0.0))
        self._progress = found

    def moved(self, channel: str, quantity: str, value: float, spread: float) -> Moved:
        """Return by how much warming up may have moved a channel so far, since its first reading, in its unit.

        `value` is what it reads, `spread` the expanded uncertainty of that and of what is expected.
        """
        others, load, copper = self._grown[""], self._grown[LOAD], self._grown[TRANSFORMER]
        before = self._moved.get(channel, (others, load, copper, UNMOVED))
        if before[:3] == (others, load, copper) and channel in self._moved:
            return before[3]  # nothing has warmed since its last reading
        usual = min(_PART_OF_THE_BAND * spread, _BY_OTHERS * abs(value))
        by_the_load = usual
        if quantity.endswith(_VOLTS) and not self._regulates:
            # A regulator warms as a load does, and moves volts by as much as anything.
            by_the_load = min(usual, _VOLTS_BY_A_LOAD * _BY_OTHERS * abs(value))
        windings = self._copper.get(quantity)
        if windings is None:
            unknown = min(_PART_OF_THE_BAND * spread, _BY_WINDINGS * abs(value))
            windings = unknown if quantity in _RAISED_BY_COPPER else -unknown
        moved = Moved(
            before[3].either_way + usual * (others - before[0]) + by_the_load * (load - before[1]),
            before[3].by_copper + windings * (copper - before[2]),
        )
        self._moved[channel] = (others, load, copper, moved)
        return moved


def progress_of(since: float, constant: float, slowest: float = 1.0) -> float:
    """Return how much of a warm-up may be done `since` seconds after it began, up to 1 if its `constant` (s) is known.

    It may be `slowest` times as long: then each moment adds as much as it does at most, and the sum passes 1.

    >>> round(progress_of(600.0, 600.0), 3), round(progress_of(1e6, 600.0, 3.0), 3)
    (0.632, 1.404)
    """
    since, longest = max(0.0, since), constant * slowest
    done = -math.expm1(-min(since, constant) / constant)
    # The time constant that changes most at a moment is as long as what has passed: 1/(e·t) a second.
    done += math.log(min(max(since, constant), longest) / constant) / math.e
    return done + math.exp(-1.0) - math.exp(-max(since, longest) / longest)


USUALLY_WARMED, _MOST_WARMED = (0.4, 0.4), 2.0
"""How many times as much as is taken windings warm, and the standard uncertainty of that; and at most: 50 K are taken,
and windings of class F may warm by 100 K. From memory."""

_SHOWS_WARMING, _FEWEST_WARMED = 0.6, 3
"""The standard uncertainty up to which a channel shows that factor, and how many must show it. From memory."""

_WARMED_ALIKE, _WARMED_UNLIKE = 0.3, 0.1
"""How far a channel may follow windings otherwise: by a part of what they do, and of what is taken. From memory."""

_SURELY, _BEYOND = 2.0, 0.3
"""How many standard uncertainties of that factor are innocent; and how far outside of what windings can do a factor is
something else that channels show."""

_MEDIAN = 1.25
"""Times the uncertainty of a mean that a median has (normal noise)."""


class Warmed(NamedTuple):
    """How many times as much as is taken windings warmed: most likely, and by how much more or less they may have."""

    factor: float
    doubt: float


NOT_SHOWN = Warmed(0.5, 0.5)
"""Where nothing shows it: not at all, up to as much as is taken."""

_ANYHOW = Warmed(_MOST_WARMED / 2.0, _MOST_WARMED / 2.0)


def warmed_by(shown: Sequence[tuple[float, float]]) -> Warmed:
    """Return how many times as much as is taken windings have warmed, as a channel may follow it, by what others show.

    `shown` has the factor by each other channel, and its standard uncertainty. Fewer than three that show it say
    nothing. It is their median, so that one that drifts moves it little; channels that contradict each other leave it
    open.

    >>> warmed_by([(1.5, 0.1)] * 2), warmed_by([(-1.0, 0.1)] * 8)
    (Warmed(factor=0.5, doubt=0.5), Warmed(factor=1.0, doubt=1.0))
    >>> [round(one, 1) for one in warmed_by([(0.3, 0.1)] * 8 + [(3.0, 0.1)])]
    [0.3, 0.3]
    """
    clear = np.array(sorted(one for one in shown if one[1] < _SHOWS_WARMING))
    if len(clear) < _FEWEST_WARMED:
        return NOT_SHOWN
    parts, doubts = clear.T
    usual, spread = USUALLY_WARMED
    weights = 1.0 / (doubts**2 + _WARMED_UNLIKE**2 + (_WARMED_ALIKE * usual) ** 2)
    total = float(weights.sum())
    middle = float(parts[np.searchsorted(np.cumsum(weights), total / 2.0)])
    if not -_BEYOND <= middle <= _MOST_WARMED + _BEYOND:
        return _ANYHOW
    # The median of weighted deviations, over that of normal ones: above 1 where channels contradict each other.
    unlike = max(1.0, float(np.median(np.abs(parts - middle) * np.sqrt(weights))) / NORMAL_QUARTILE)
    variance = (_MEDIAN * unlike) ** 2 / total
    mean = (middle / variance + usual / spread**2) / (1.0 / variance + 1.0 / spread**2)
    doubt = math.sqrt(1.0 / (1.0 / variance + 1.0 / spread**2) + _WARMED_UNLIKE**2 + (_WARMED_ALIKE * mean) ** 2)
    low, high = max(0.0, mean - _SURELY * doubt), min(_MOST_WARMED, mean + _SURELY * doubt)
    return Warmed((low + high) / 2.0, (high - low) / 2.0) if low < high else _ANYHOW
