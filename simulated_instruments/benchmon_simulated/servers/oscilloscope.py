"""The oscilloscope: captured waveforms as a preamble, which gives the scale, and a block of codes.

A SCPI server answers the `preamble` and `wave` queries of the bench file's channels in the format of its
[instrument.waves]. Besides, channel n (in the order of the bench file), if its quantity is measured on a waveform,
answers

    TRACe<n>:PREamble?  makes a new capture and answers  points,dx,x0,dy,y0  : sample k is at x0 + k·dx seconds, code c
                        is y0 + c·dy in the unit of the wave
    TRACe<n>:DATA?      the codes of the last capture as a definite block (IEEE 488.2, 8.7.9), two bytes each, signed,
                        the higher byte first

The headers follow SCPI's TRACe, the replies are our own. A capture has four periods. The codes have twelve bits (or
eight where the type has no more), with noise of half a step, as those of a good oscilloscope.
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
"""Codes go from −2048 to 2047, or over the range of an 8-bit type."""

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
class WaveformFormat:
    """The format of a transferred waveform: the preamble's fields, the codes, and the fixed scale it leaves out."""

    fields: Sequence[str] = FIELDS
    codes: str = "int16"
    byte_order: str = "big"
    format: str = ""
    fixed: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def from_keys(cls, keys: Keys) -> WaveformFormat:
        """Return the format by the keys of an [instrument.waves]. Raises `BadInput` for invalid keys."""
        formats = keys.section("formats")
        codes = keys.choice("codes", "int16", _CODES)
        name = ""
        if formats is not None:
            name = formats.names()[0]
            codes = formats.choice(name, "int16", _CODES)
        fixed = {name: keys.real(name, 0.0) for name in _SCALE if keys.has(name)}
        return cls(keys.texts("preamble"), codes, keys.choice("byte_order", "big", ("big", "little")), name, fixed)

    def preamble(self, points: int, scale: Mapping[str, float]) -> str:
        """Return the preamble of a waveform with `points` samples and `scale`."""
        values = {name: real(value) for name, value in scale.items()} | {"points": str(points), "format": self.format}
        return ",".join(values.get(name, "0") for name in self.fields)

    def data(self, codes: Floats) -> bytes:
        """Return `codes`, shape (n,), as a block or as text."""
        if self.codes == "ascii":
            return ",".join(real(code) for code in codes.tolist()).encode()
        kind = np.dtype(self.codes).newbyteorder(">" if self.byte_order == "big" else "<")
        return definite_block(codes.astype(kind).tobytes())


class ScopeTrace:
    """The last captured waveform in one format. `meters` are those of the channels that share it."""

    def __init__(self, wave: str, meter: Meter, seed: int, wave_format: WaveformFormat) -> None:
        self._wave, self._format = wave, wave_format
        self.meters = [meter]
        self._random = np.random.default_rng([seed, len(wave)])
        self._codes = np.zeros(0)
        self._scale: dict[str, float] = {}

    def preamble(self, snapshot: Snapshot) -> str:
        """Make a new capture; return its preamble."""
        self._capture(snapshot)
        return self._format.preamble(len(self._codes), self._scale)

    def data(self, snapshot: Snapshot) -> bytes:
        """Return the codes of the last capture, or of a new one where the format has no preamble."""
        if not len(self._codes) or not self._format.fields:
            self._capture(snapshot)
        return self._format.data(self._codes)

    def _capture(self, snapshot: Snapshot) -> None:
        wave, times = np.tile(snapshot.waveforms[self._wave], PERIODS), snapshot.waveforms["time"]
        for effect in (effect for meter in self.meters for effect in meter.effects):
            wave = effect.captured(wave)
        first = self.meters[0]
        wave = first.uncorrected(first.calibration.of_wave(wave))
        floating = self._format.codes.startswith(("float", "ascii"))
        levels = LEVELS.get(self._format.codes, MOST_LEVELS)
        step = full_scale(wave) / levels
        middle = float(levels if self._format.codes.startswith("u") else 0)
        self._scale = {
            "x_increment": float(times[1] - times[0]),
            "x_origin": 0.0,
            "x_reference": 0.0,
            "y_increment": 1.0 if floating else step,
            "y_origin": 0.0,
            "y_reference": middle,
        } | dict(self._format.fixed)
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
