"""Captured waves, as an oscilloscope gives them: a preamble that says what the codes mean, and a block of codes.

A SCPI twin answers what the bench file's channels ask for, their `preamble` and `wave`, as its [instrument.waves] says
that they are told. Its channel n, in the order of the bench file, whose quantity is of a wave answers besides

    TRACe<n>:PREamble?  captures anew and answers  points,dx,x0,dy,y0  : sample k is at x0 + k·dx seconds, code c
                        is y0 + c·dy in the unit of the wave
    TRACe<n>:DATA?      the codes of the last capture as a definite block (IEEE 488.2, 8.7.9), two bytes each, signed,
                        the higher first

The words are after SCPI's TRACe, the answers are our own. A capture is of four periods. The codes have twelve bits (or
eight where there is no room for more), with half a step of noise, as an oscilloscope of some quality has.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import Keys
from benchmon_simulated.servers.scpi_instrument import real
from benchmon_simulated.supply.circuit import Floats
from benchmon_simulated.supply.supply import Snapshot

PERIODS = 4
LEVELS = {"int8": 128, "uint8": 128}
MOST_LEVELS = 2048
"""Codes go from −2048 to 2047, or as far as they have room."""

FIELDS = ("points", "x_increment", "x_origin", "y_increment", "y_origin")
_CODES = ("int8", "uint8", "int16", "uint16", "int32", "uint32", "float32", "float64", "ascii")
_SCALE = ("x_increment", "x_origin", "x_reference", "y_increment", "y_origin", "y_reference")


def definite_block(data: bytes) -> bytes:
    """Return `data` as a definite-length arbitrary block (IEEE 488.2, 8.7.9).

    >>> definite_block(b"HELLO")
    b'#15HELLO'
    """
    count = str(len(data)).encode()
    return b"#" + str(len(count)).encode() + count + data


@dataclass(frozen=True)
class Telling:
    """How waves are told: the preamble's fields, the codes, and the scale that is fixed and not told."""

    fields: Sequence[str] = FIELDS
    codes: str = "int16"
    byte_order: str = "big"
    format: str = ""
    fixed: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, keys: Keys) -> Telling:
        """Return what an [instrument.waves] says. Raises `BadInput`."""
        formats = keys.section("formats")
        codes = keys.choice("codes", "int16", _CODES)
        said = ""
        if formats is not None:
            said = formats.names()[0]
            codes = formats.choice(said, "int16", _CODES)
        fixed = {name: keys.real(name, 0.0) for name in _SCALE if keys.has(name)}
        return cls(keys.texts("preamble"), codes, keys.choice("byte_order", "big", ("big", "little")), said, fixed)

    def preamble(self, points: int, scale: Mapping[str, float]) -> str:
        """Return the preamble of a wave of so many points."""
        told = {name: real(value) for name, value in scale.items()} | {"points": str(points), "format": self.format}
        return ",".join(told.get(name, "0") for name in self.fields)

    def data(self, codes: Floats) -> bytes:
        """Return codes as a block, or as text."""
        if self.codes == "ascii":
            return ",".join(real(code) for code in codes.tolist()).encode()
        kind = np.dtype(self.codes).newbyteorder(">" if self.byte_order == "big" else "<")
        return definite_block(codes.astype(kind).tobytes())


class ScopeTrace:
    """The last wave that was captured, told in one way. `meters` are those of the channels that share it."""

    def __init__(self, wave: str, meter: Meter, seed: int, telling: Telling) -> None:
        self._wave, self._telling = wave, telling
        self.meters = [meter]
        self._random = np.random.default_rng([seed, len(wave)])
        self._codes = np.zeros(0)
        self._scale: dict[str, float] = {}

    def preamble(self, snapshot: Snapshot) -> str:
        """Capture anew; return what the codes mean."""
        self._capture(snapshot)
        return self._telling.preamble(len(self._codes), self._scale)

    def data(self, snapshot: Snapshot) -> bytes:
        """Return the codes of the last capture as a block; of a new one where no preamble tells of it."""
        if not len(self._codes) or not self._telling.fields:
            self._capture(snapshot)
        return self._telling.data(self._codes)

    def _capture(self, snapshot: Snapshot) -> None:
        wave, times = np.tile(snapshot.waveforms[self._wave], PERIODS), snapshot.waveforms["time"]
        for mishap in (mishap for meter in self.meters for mishap in meter.mishaps):
            wave = mishap.captured(wave)
        first = self.meters[0]
        wave = first.calibration.of_wave(wave) / first.channel.scale
        floating = self._telling.codes.startswith(("float", "ascii"))
        levels = LEVELS.get(self._telling.codes, MOST_LEVELS)
        step = full_scale(wave) / levels
        middle = float(levels if self._telling.codes.startswith("u") else 0)
        self._scale = {
            "x_increment": float(times[1] - times[0]),
            "x_origin": 0.0,
            "x_reference": 0.0,
            "y_increment": 1.0 if floating else step,
            "y_origin": 0.0,
            "y_reference": middle,
        } | dict(self._telling.fixed)
        noisy = wave + 0.5 * step * self._random.standard_normal(len(wave))
        codes = (noisy - self._scale["y_origin"]) / self._scale["y_increment"] + self._scale["y_reference"]
        self._codes = codes if floating else np.clip(np.rint(codes), middle - levels, middle + levels - 1.0)


def full_scale(wave: Floats) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that holds `wave`, at least a microvolt or microampere.

    >>> full_scale(np.array([-3.1, 1.0])), full_scale(np.array([0.0]))
    (5.0, 1e-06)
    """
    size = max(float(np.abs(wave).max()), 1e-6)
    decade = 10.0 ** math.floor(math.log10(size))
    return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if size <= step * decade * (1.0 + 1e-12))
