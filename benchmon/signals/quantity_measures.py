"""The value of a channel's quantity from a captured wave: which measure of the wave it is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from benchmon.errors import BadReply, DataFileError
from benchmon.signals.arrays import Floats
from benchmon.signals.measures import WaveMeasures, measure


@dataclass
class MeasuredWave:
    """A captured wave, `times` (n,) in seconds and `values` (n,), with its measures, which are calculated once.

    Measures that need no period, such as the mean, also exist for a flat wave: then they are of the whole capture.
    Measures that need a period raise `BadReply` if the wave has none.
    """

    times: Floats
    values: Floats

    @cached_property
    def _found(self) -> WaveMeasures | DataFileError:
        try:
            return measure(self.times, self.values)
        except DataFileError as problem:
            return problem

    @property
    def _periodic(self) -> WaveMeasures:
        if isinstance(self._found, DataFileError):
            raise BadReply(f"sends a wave that has no such measure: {self._found}")
        return self._found

    @property
    def rms(self) -> float:
        """The true rms with the mean."""
        return self._found.rms if isinstance(self._found, WaveMeasures) else float(np.sqrt(np.mean(self.values**2)))

    @property
    def mean(self) -> float:
        """The average."""
        return self._found.mean if isinstance(self._found, WaveMeasures) else float(np.mean(self.values))

    @property
    def ac_rms(self) -> float:
        """The rms without the mean."""
        return self._found.ac_rms if isinstance(self._found, WaveMeasures) else float(np.std(self.values))

    @property
    def highest(self) -> float:
        """The highest sample."""
        return float(self.values.max())

    @property
    def lowest(self) -> float:
        """The lowest sample."""
        return float(self.values.min())

    @property
    def largest(self) -> float:
        """The largest magnitude."""
        return max(self.highest, -self.lowest)

    @property
    def ripple(self) -> float:
        """The difference of the highest and the lowest sample."""
        return self.highest - self.lowest

    @property
    def frequency(self) -> float:
        """The fundamental frequency in hertz. Raises `BadReply` if the wave does not repeat."""
        return self._periodic.frequency

    @property
    def thd(self) -> float:
        """The distortion, orders 2 to 40, as a fraction of the fundamental. Raises `BadReply` as `frequency` does."""
        return self._periodic.thd

    @property
    def crest_factor(self) -> float:
        """The largest magnitude over the rms. Raises `BadReply` as `frequency` does."""
        return self._periodic.crest_factor

    @property
    def form_factor(self) -> float:
        """The rms over the magnitude of the mean. Raises `BadReply` if the mean is zero."""
        return self._over_mean(self.rms)

    @property
    def ripple_factor(self) -> float:
        """The rms without the mean over the magnitude of the mean. Raises `BadReply` if the mean is zero."""
        return self._over_mean(self.ac_rms)

    def _over_mean(self, value: float) -> float:
        if self.mean == 0.0:
            raise BadReply("sends a wave without a mean, which has no such factor")
        return value / abs(self.mean)


Measure = Callable[[MeasuredWave], float]

_BY_NAME: Final[dict[str, Measure]] = {
    "rms": lambda wave: wave.rms,
    "mean": lambda wave: wave.mean,
    "ac_rms": lambda wave: wave.ac_rms,
    "peak": lambda wave: wave.highest,
    "valley": lambda wave: wave.lowest,
    "ripple": lambda wave: wave.ripple,
    "headroom": lambda wave: wave.lowest,
    "reverse_peak": lambda wave: wave.largest,
    "frequency": lambda wave: wave.frequency,
    "thd": lambda wave: wave.thd,
    "crest_factor": lambda wave: wave.crest_factor,
    "form_factor": lambda wave: wave.form_factor,
    "ripple_factor": lambda wave: wave.ripple_factor,
}
_SHAPE_ALONE: Final = ("frequency", "thd", "crest_factor", "form_factor", "ripple_factor")
_UNITS: Final = {"voltage": "V", "current": "A"}


def measure_of(quantity: str) -> Measure | None:
    """Return the function that measures `quantity` on a wave of its voltage or current, or None if there is none.

    The peak of an alternating voltage or current may have either sign, so it is the largest magnitude.
    """
    point, _, rest = quantity.partition(".")
    kind, _, measure_name = rest.partition(".")
    if quantity == "mains.frequency":
        return _BY_NAME["frequency"]
    if kind not in _UNITS:
        return None
    if measure_name == "peak" and point in ("mains", "secondary"):
        return lambda wave: wave.largest
    return _BY_NAME.get(measure_name)


def is_of_shape(quantity: str) -> bool:
    """Return whether `quantity` is independent of the scale of the wave."""
    return quantity.rpartition(".")[2] in _SHAPE_ALONE


def unit_of_wave(quantity: str) -> str:
    """Return the unit of the wave that `quantity` is measured on, "" if it has none.

    >>> unit_of_wave("mains.current.thd"), unit_of_wave("mains.frequency")
    ('A', '')
    """
    return _UNITS.get(quantity.split(".")[1] if "." in quantity else "", "")
