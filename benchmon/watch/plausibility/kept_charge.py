"""Charge that a reservoir without a load keeps after the mains was turned down: a reading too high, and no fault.

Nothing but leakage takes it, in minutes to hours (`standards`). So its volts are above what the mains would charge it
to, below what it was charged to, and never rise. What rises, or is higher than the reservoir ever was, is a fault.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchmon.bench import Bench, Channel
from benchmon.quantities import Expected, at_first_output, format_value
from benchmon.standards import PUBLIC_SUPPLY_VARIES
from benchmon.watch.plausibility.steadiness import AS_LIKELY
from benchmon.watch.records import Explanation, Verdict
from benchmon.watch.verdict import verdict_of
from benchmon.watch.wording import value_words

STORED_VOLTAGES = tuple(
    f"{point}.voltage.{how}" for point in ("reservoir", "output") for how in ("mean", "rms", "peak", "valley")
)
"""What a voltmeter at a reservoir reads, or at an output without a regulator."""

_FOLLOWING = ("diode.voltage.reverse_peak", "regulator.voltage.headroom")
"""What is higher with the reservoir's volts, and says nothing of its own."""

_CONDITIONS = ("mains.voltage.rms", "mains.frequency", "ambient.temperature")
"""What everything else is expected by: a mains that is not what a step wants says nothing of the charge."""

_NOISE = 0.005
"""The part of a reading, beside its meter's accuracy, by which it may be higher and has not risen. From memory."""

_DROPS = 1.25
"""Times as much as in proportion to the mains to which a reservoir is charged at most: drops are less than in
proportion. From memory."""

_HIGHEST_MAINS = 1.0 + PUBLIC_SUPPLY_VARIES
"""Times its nominal voltage that a public mains has at most."""

REMEDY = "discharge it through a resistor, and measure before you touch anything; then look at the reading again"

KEPT = "the reservoir still holds the charge of a higher mains"


def reads_kept_charge(bench: Bench, channel: Channel) -> bool:
    """Return whether a channel reads a reservoir that nothing but leakage discharges."""
    seen = _seen_from(bench, channel)
    is_stored = at_first_output(channel.quantity) in STORED_VOLTAGES
    return is_stored and seen.load.kind == "open" and seen.reservoir is not None


def _seen_from(bench: Bench, channel: Channel) -> Bench:
    """Return the bench as seen from the output of a channel."""
    is_second = at_first_output(channel.quantity) != channel.quantity
    return bench.seen_from_output_2() if is_second and bench.outputs_apart else bench


@dataclass
class _Reservoir:
    """What one channel shows: its reading and what is expected, and the volts that may be charge from before."""

    channel: Channel
    value: float = math.nan
    expected: Expected | None = None
    en: float | None = None
    most: float = math.inf
    """Volts that the reservoir held at most; infinite where nobody saw it charged."""
    highest_mains: float = 0.0
    """The highest mains since something was expected, V rms."""

    @property
    def is_above(self) -> bool:
        """Whether it reads clearly more than the mains would charge it to."""
        return self.en is not None and self.en > 0.0 and verdict_of(self.en) is Verdict.DISAGREES

    @property
    def slack(self) -> float:
        """Volts by which a reading may be higher and has not risen."""
        return self.channel.accuracy.of(self.value) + _NOISE * abs(self.value)

    def update(self, value: float, expected: Expected | None, en: float | None, mains: float | None) -> None:
        self.value, self.expected, self.en = value, expected, en
        if expected is not None:
            charged = expected.value + expected.reaches[1]
            if mains and self.highest_mains > mains:
                charged *= max(1.0, _DROPS * self.highest_mains / mains)
            self.most = max(self.most, charged)
            self.highest_mains = mains or 0.0
        self.most = min(self.most, value + self.slack)


class KeptChargeWatch:
    """Finds that a reservoir without a load keeps its charge. Give it every reading, in the order of their times."""

    def __init__(self, bench: Bench) -> None:
        self._reservoirs: dict[str, _Reservoir] = {}
        self._others: dict[str, float | None] = {}
        self._mains: float | None = None
        self._fits: dict[str, bool] = {}
        self.change(bench)

    def change(self, bench: Bench) -> None:
        """Use another description of the same channels, or another load, from now on."""
        self._bench = bench
        stored = {one.name: one for one in bench.channel if at_first_output(one.quantity) in STORED_VOLTAGES}
        self._reservoirs = {name: self._reservoirs.get(name) or _Reservoir(one) for name, one in stored.items()}
        for name, one in stored.items():
            self._reservoirs[name].channel = one
        self._quantities = {one.name: one.quantity for one in bench.channel}

    def update(self, channel: str, value: float, expected: Expected | None, en: float | None) -> None:
        """Take a finite reading of `channel` (its unit), what is expected of it, and its En."""
        quantity = self._quantities[channel]
        if quantity == "mains.voltage.rms":
            self._mains = value
            for one in self._reservoirs.values():
                one.highest_mains = max(one.highest_mains, value)
        reservoir = self._reservoirs.get(channel)
        if reservoir is None:
            if quantity not in _CONDITIONS and at_first_output(quantity) not in _FOLLOWING:
                self._others[channel] = en
            return
        before = reservoir.most
        reservoir.update(value, expected, en, self._mains)
        # What is higher than it was, or than any charge, was not stored.
        self._fits[channel] = value <= min(before, self._most_of_any(reservoir)) + reservoir.slack

    def causes(self) -> list[Explanation]:
        """Return that charge is kept, where a reading without a load is too high for that, and all others agree."""
        if any(verdict_of(en) is Verdict.DISAGREES for en in self._others.values()):
            return []
        above = [
            one
            for name, one in self._reservoirs.items()
            if one.is_above and reads_kept_charge(self._bench, one.channel)
        ]
        if not above or not all(self._fits[one.channel.name] for one in above):
            return []
        first = above[0]
        reads = value_words(first.channel, first.value)
        meant = value_words(first.channel, first.expected.value if first.expected else math.nan)
        evidence = f"{first.channel.name} reads {reads}, expected {meant}"
        advice = f"{KEPT}, {self._energy(first)}; {REMEDY}"
        return [Explanation(KEPT, AS_LIKELY, f"{evidence}: {advice}", (), first.channel.name, advice)]

    def _most_of_any(self, reservoir: _Reservoir) -> float:
        """Return the volts to which the highest mains would have charged a reservoir before anybody looked."""
        expected, mains = reservoir.expected, self._mains
        if expected is None or not mains:
            return math.inf if math.isfinite(reservoir.most) else -math.inf
        highest = max(1.0, _HIGHEST_MAINS * self._bench.mains.voltage / mains)
        return (expected.value + expected.reaches[1]) * (_DROPS * highest if highest > _HIGHEST_MAINS else highest)

    def _energy(self, reservoir: _Reservoir) -> str:
        """Return the volts and joules that a reservoir holds, in words."""
        capacitor = _seen_from(self._bench, reservoir.channel).reservoir
        volts = format_value(reservoir.value, "V", 3)
        joules = 0.5 * (capacitor.capacitance if capacitor else 0.0) * reservoir.value**2
        return f"{volts} and {format_value(joules, 'J', 2)}"
