"""The waves of a SCPI instrument: which channels share one, and what each makes of it."""

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

Questions = tuple[str, str]


@dataclass
class ScpiCapture:
    """A wave as it was captured, at a monotonic time; `beyond` says that it went beyond the range."""

    time: float
    measured: MeasuredWave
    beyond: bool
    served: set[str] = field(default_factory=set)
    """The channels that have had their reading of it."""


class Waves:
    """The latest capture of each wave. Raises `BadInput` where channels and keys do not fit together."""

    def __init__(self, channels: Sequence[DrivenChannel[ScpiChannel]], keys: WaveKeys | None) -> None:
        self._captures: dict[Questions, ScpiCapture] = {}
        self._stored_as: dict[Questions, DrivenChannel[ScpiChannel]] = {}
        """The channel that a wave is told as: the first that names what it is of."""
        self._measures = {channel.name: _measure_for(channel, keys) for channel in channels if channel.ask.wave}
        for channel in channels:
            if channel.ask.wave and unit_of_wave(channel.quantity):
                self._stored_as.setdefault(_questions(channel), channel)

    def latest(self, channel: DrivenChannel[ScpiChannel], now: float) -> ScpiCapture | None:
        """Return the capture that `channel` may share with others: one that it has not had, of this very period."""
        capture = self._captures.get(_questions(channel))
        fits = capture is not None and channel.name not in capture.served and now - capture.time < 0.5 * channel.period
        return capture if fits else None

    def take(
        self, channel: DrivenChannel[ScpiChannel], now: float, wave: tuple[Floats, Floats, bool]
    ) -> tuple[ScpiCapture, CapturedWave | None]:
        """Take what was captured for `channel`; return it, and as it is told, None where it shows no wave."""
        times, values, beyond = wave
        capture = self._captures[_questions(channel)] = ScpiCapture(now, MeasuredWave(times, values), beyond)
        owner = self._stored_as.get(_questions(channel))
        if owner is None or not np.all(np.isfinite(values)):
            return capture, None
        scaled = values * (owner.ask.factor * owner.scale)
        return capture, CapturedWave(owner.name, now, times, scaled, unit_of_wave(owner.quantity))

    def value(self, channel: DrivenChannel[ScpiChannel], capture: ScpiCapture) -> float | InstrumentError:
        """Return what `channel` reads of a capture, before its scale, or why it reads nothing."""
        capture.served.add(channel.name)
        shape = is_of_shape(channel.quantity)
        if capture.beyond:
            return BadReply("sends a wave beyond its range; set a coarser one") if shape else math.inf
        try:
            found = self._measures[channel.name](capture.measured)
        except BadReply as problem:
            return problem
        # The scale that follows is of volts and amperes alone.
        return found / channel.scale if shape else found * channel.ask.factor


def _questions(channel: DrivenChannel[ScpiChannel]) -> Questions:
    return channel.ask.preamble, channel.ask.wave


def _measure_for(channel: DrivenChannel[ScpiChannel], keys: WaveKeys | None) -> Measure:
    if keys is None:
        raise BadInput(f"channel {channel.name!r} is measured on a wave; add [instrument.waves], how waves are told")
    if bool(channel.ask.preamble) != bool(keys.preamble):
        missing = "the fields of the preamble among waves" if channel.ask.preamble else "preamble, the question for it"
        raise BadInput(f"channel {channel.name!r}: its preamble cannot be read; add {missing}")
    measure = measure_of(channel.quantity)
    if measure is None:
        raise BadInput(f"channel {channel.name!r}: {channel.quantity} is no measure of one wave; give it a query")
    return measure
