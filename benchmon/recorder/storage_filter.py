"""What is worth writing down again: a forecast that tells something else than the one before it, a wave now and then.

Forecasts are made once a second. Over a day's soak they would take as much room as the readings they are made from, and
captured waves far more.
"""

from __future__ import annotations

from benchmon.watch.records import Forecast, Waveform

_STANDS_FOR = 30.0
"""Seconds after which a forecast is written down again, whatever it tells."""
_OF_UNCERTAINTY, _OF_TIME, _SECONDS = 0.1, 0.03, 1.0

_WAVE_EVERY, _SAMPLES_A_SECOND = 2.0, 250.0
"""Seconds from one wave of a channel to the next, and samples a second on the average: at most 1 kB."""


def tells_the_same(forecast: Forecast, former: Forecast) -> bool:
    """Return whether `forecast` tells nobody anything new after `former`.

    It does not where it is of the same kind, its final value is within a tenth of the uncertainty, and the limit is
    passed at the same moment: within a second, or 3 % of the time that is left.
    """
    if forecast.time - former.time >= _STANDS_FOR or forecast.state != former.state:
        return False
    spread = max(forecast.uncertainty or 0.0, former.uncertainty or 0.0)
    left = max(forecast.to_limit or 0.0, former.to_limit or 0.0)
    return (
        _near(forecast.final, former.final, _OF_UNCERTAINTY * spread)
        and _near(forecast.uncertainty, former.uncertainty, _OF_UNCERTAINTY * spread)
        and all(
            _near(_moment(forecast, now), _moment(former, then), max(_SECONDS, _OF_TIME * left))
            for now, then in (
                (forecast.to_limit, former.to_limit),
                (forecast.earliest, former.earliest),
                (forecast.latest, former.latest),
            )
        )
    )


def _moment(forecast: Forecast, ahead: float | None) -> float | None:
    return None if ahead is None else forecast.time + ahead


def _near(one: float | None, other: float | None, allowed: float) -> bool:
    if one is None or other is None:
        return one is other
    return one == other or abs(one - other) <= allowed


class WavesToKeep:
    """Which captured waves are written down: of each channel one every few seconds, and the one at an event."""

    def __init__(self) -> None:
        self._kept: dict[str, Waveform] = {}
        self._held: dict[str, Waveform] = {}
        """The latest of each channel, where it was not written down."""

    def offer(self, wave: Waveform) -> list[Waveform]:
        """Take a wave; return what is to be written down."""
        former = self._kept.get(wave.channel)
        pause = 0.0 if former is None else max(_WAVE_EVERY, len(former.times) / _SAMPLES_A_SECOND)
        if former is not None and wave.time - former.time < pause:
            self._held[wave.channel] = wave
            return []
        return [self._keep(wave)]

    def at_event(self) -> list[Waveform]:
        """Return the waves that were held back, since something has just happened; as often as one may pass at most."""
        return [
            self._keep(wave)
            for wave in list(self._held.values())
            if wave.time - self._kept[wave.channel].time >= _WAVE_EVERY
        ]

    def _keep(self, wave: Waveform) -> Waveform:
        self._held.pop(wave.channel, None)
        self._kept[wave.channel] = wave
        return wave
