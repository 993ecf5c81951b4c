"""Captured waves of a SCPI instrument: which channels share a capture, and the value of each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from benchmon.errors import BadInput, BadReply, InstrumentError
from benchmon.instruments.types import CapturedWave, DrivenChannel
from benchmon.signals.arrays import Floats
from benchmon.signals.quantity_measures import Measure, MeasuredWave, is_of_shape, measure_of, unit_of_wave
from benchmon_drivers.scpi.settings import ScpiChannel
from benchmon_drivers.scpi.waveform_format import WaveKeys

QueryPair = tuple[str, str]


@dataclass
class ScpiCapture:
    """A captured wave with its monotonic time; `beyond` is whether it exceeds the range."""

    time: float
    measured: MeasuredWave
    beyond: bool
    served: set[str] = field(default_factory=set)
    """The channels that have had their reading of it."""


class WaveCaptures:
    """The latest capture of each wave. Raises `BadInput` where channels and keys do not match."""

    def __init__(self, channels: Sequence[DrivenChannel[ScpiChannel]], keys: WaveKeys | None) -> None:
        self._captures: dict[QueryPair, ScpiCapture] = {}
        self._owners: dict[QueryPair, DrivenChannel[ScpiChannel]] = {}
        """The channel under which a wave is stored: the first whose quantity names its voltage or current."""
        self._measures = {channel.name: _measure_for(channel, keys) for channel in channels if channel.settings.wave}
        for channel in channels:
            if channel.settings.wave and unit_of_wave(channel.quantity):
                self._owners.setdefault(_queries_of(channel), channel)

    def latest(self, channel: DrivenChannel[ScpiChannel], now: float) -> ScpiCapture | None:
        """Return the capture of the present period that `channel` has not used yet, None if there is none."""
        capture = self._captures.get(_queries_of(channel))
        fits = capture is not None and channel.name not in capture.served and now - capture.time < 0.5 * channel.period
        return capture if fits else None

    def take(
        self, channel: DrivenChannel[ScpiChannel], now: float, wave: tuple[Floats, Floats, bool]
    ) -> tuple[ScpiCapture, CapturedWave | None]:
        """Add a capture made for `channel`; return it, and the wave to store, None if there is none."""
        times, values, beyond = wave
        capture = self._captures[_queries_of(channel)] = ScpiCapture(now, MeasuredWave(times, values), beyond)
        owner = self._owners.get(_queries_of(channel))
        if owner is None or not np.all(np.isfinite(values)):
            return capture, None
        scaled = values * (owner.settings.factor * owner.scale)
        return capture, CapturedWave(owner.name, now, times, scaled, unit_of_wave(owner.quantity))

    def value(self, channel: DrivenChannel[ScpiChannel], capture: ScpiCapture) -> float | InstrumentError:
        """Return the value of `channel` in a capture, before its scale, or why it has none."""
        capture.served.add(channel.name)
        shape = is_of_shape(channel.quantity)
        if capture.beyond:
            return BadReply("sends a wave beyond its range; set a coarser one") if shape else math.inf
        try:
            found = self._measures[channel.name](capture.measured)
        except BadReply as problem:
            return problem
        # A dimensionless value must not be changed by the scale that follows.
        return found / channel.scale if shape else found * channel.settings.factor


def _queries_of(channel: DrivenChannel[ScpiChannel]) -> QueryPair:
    return channel.settings.preamble, channel.settings.wave


def _measure_for(channel: DrivenChannel[ScpiChannel], keys: WaveKeys | None) -> Measure:
    if keys is None:
        raise BadInput(f"channel {channel.name!r} is measured on a wave; add their format as [instrument.waves]")
    if bool(channel.settings.preamble) != bool(keys.preamble) and not keys.descriptor:
        missing = (
            "the fields of the preamble among waves" if channel.settings.preamble else "preamble, the query for it"
        )
        raise BadInput(f"channel {channel.name!r}: its preamble cannot be read; add {missing}")
    measure = measure_of(channel.quantity)
    if measure is None:
        raise BadInput(f"channel {channel.name!r}: {channel.quantity} is no measure of one wave; give it a query")
    return measure
