"""The oscilloscope: captured waveforms as a preamble, which gives the scale, and a block of codes.

A SCPI server answers the `preamble` and `wave` queries of the bench file's channels in the format of its
[instrument.waves]. Besides, channel n (in the order of the bench file), if its quantity is measured on a waveform,
answers

    TRACe<n>:PREamble?  makes a new capture and answers  points,dx,x0,dy,y0  : sample k is at x0 + k·dx seconds, code c
                        is y0 + c·dy in the unit of the wave
    TRACe<n>:DATA?      the codes of the last capture as a definite block (IEEE 488.2, 8.7.9), two bytes each, signed,
                        the higher byte first

The headers follow SCPI's TRACe, the replies are our own. A preamble with another separator than a comma is a wordy one:
a word before each number and a unit behind it, and texts in quotes, with the separator in them. A capture has four
periods. The codes have twelve bits (or
eight where the type has no more), with noise of half a step, as those of a good oscilloscope.
"""

from __future__ import annotations

import math
import struct
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
_SCALE = ("x_increment", "x_origin", "x_reference", "y_increment", "y_origin", "y_reference", "sample_rate")
_MOST_SAMPLES = 200_000


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
    separator: str = ","
    descriptor: Mapping[str, tuple[int, str]] = field(default_factory=dict)
    """Byte and format of each number of a binary descriptor, which is sent instead of a preamble in text."""
    skip: int = 0
    pairs: bool = False

    @classmethod
    def from_keys(cls, keys: Keys) -> WaveformFormat:
        """Return the format by the keys of an [instrument.waves]. Raises `BadInput` for invalid keys."""
        formats, descriptor = keys.section("formats"), keys.section("descriptor")
        codes = keys.choice("codes", "int16", _CODES)
        name = ""
        if formats is not None:
            name = formats.names()[0]
            codes = formats.choice(name, "int16", _CODES)
        return cls(
            keys.texts("preamble"),
            codes,
            keys.choice("byte_order", "big", ("big", "little")),
            name,
            {name: keys.real(name, 0.0) for name in _SCALE if keys.has(name)},
            keys.text("separator", ","),
            {} if descriptor is None else {name: descriptor.place(name) for name in descriptor.names()},
            keys.integer("skip", 0, 0, 1_000_000),
            keys.flag("pairs", default=False),
        )

    def preamble(self, points: int, scale: Mapping[str, float], unit: str) -> bytes:
        """Return the preamble, or the descriptor as a block, of a waveform of `unit` with `points` samples."""
        if self.descriptor:
            return definite_block(self._described(points, scale))
        if self.separator == ",":
            values = {name: real(value) for name, value in scale.items()} | {"points": str(points)}
            return ",".join((values | {"format": self.format}).get(name, "0") for name in self.fields).encode()
        words = {
            "points": f"COUNT {points}",
            "format": f'CODED "{self.format}"',
            "-": f"'CH1{self.separator} DC'",
            "x_increment": f"STEP {scale['x_increment'] * 1e6:.9g} us",
            "x_origin": f'START "{scale["x_origin"] * 1e3:.9g} ms"',
            "sample_rate": f"SPEED {scale['sample_rate'] * 1e-3:.9g} kSa/s",
            "y_increment": f"SIZE: {scale['y_increment'] * 1e3:.9g} m{unit}",
            "y_origin": f"SHIFT {scale['y_origin']:.9g} {unit}",
        }
        return self.separator.join(words.get(name) or real(scale[name]) for name in self.fields).encode()

    def data(self, codes: Floats, times: Floats, scale: Mapping[str, float]) -> bytes:
        """Return `codes`, shape (n,), at `times` in seconds, as a block or as text."""
        if self.codes == "ascii":
            numbers = [real(code) for code in codes.tolist()]
            if self.pairs:
                return ";".join(f"{time:.9E},{number}" for time, number in zip(times, numbers, strict=True)).encode()
            return ",".join(numbers).encode()
        kind = np.dtype(self.codes).newbyteorder(">" if self.byte_order == "big" else "<")
        head = self._described(len(codes), scale).ljust(self.skip, b"\0") if self.skip else b""
        return definite_block(head + codes.astype(kind).tobytes())

    def _described(self, points: int, scale: Mapping[str, float]) -> bytes:
        values = dict(scale) | {"points": float(points), "format": float(self.format or 0)}
        forms = {name: (at, form if form[0] in "<>" else f">{form}") for name, (at, form) in self.descriptor.items()}
        block = bytearray(max((at + struct.calcsize(form) for at, form in forms.values()), default=0))
        for name, (at, form) in forms.items():
            whole = form[-1] not in "fd"
            struct.pack_into(form, block, at, round(values[name]) if whole else values[name])
        return bytes(block)


class ScopeTrace:
    """The last captured waveform in one format. `meters` are those of the channels that share it.

    Where `has_preamble`, a capture is made when that is asked for; otherwise when the samples are.
    """

    def __init__(
        self, wave: str, meter: Meter, seed: int, wave_format: WaveformFormat, *, has_preamble: bool = True
    ) -> None:
        self._wave, self._format, self._has_preamble = wave, wave_format, has_preamble
        self._unit = "A" if wave.endswith("current") else "V"
        self.meters = [meter]
        self._random = np.random.default_rng([seed, len(wave)])
        self._codes: Floats = np.zeros(0)
        self._times: Floats = np.zeros(0)
        self._scale: dict[str, float] = {}

    def preamble(self, snapshot: Snapshot) -> bytes:
        """Make a new capture; return its preamble."""
        self._capture(snapshot)
        return self._format.preamble(len(self._codes), self._scale, self._unit)

    def data(self, snapshot: Snapshot) -> bytes:
        """Return the codes of the last capture, or of a new one."""
        if not len(self._codes) or not self._has_preamble:
            self._capture(snapshot)
        return self._format.data(self._codes, self._times, self._scale)

    def _sampled(self, snapshot: Snapshot) -> tuple[Floats, float]:
        """Return the true wave of a capture, shape (n,), and the seconds between its samples."""
        times, fixed = snapshot.waveforms["time"], self._format.fixed
        own = float(times[1] - times[0])
        spacing = 1.0 / fixed["sample_rate"] if "sample_rate" in fixed else fixed.get("x_increment", own)
        wave = snapshot.waveforms[self._wave]
        if spacing == own:
            return np.tile(wave, PERIODS), own
        period = own * len(times)
        count = min(_MOST_SAMPLES, max(2, round(PERIODS * period / spacing)))
        return np.interp(spacing * np.arange(count), times - times[0], wave, period=period), spacing

    def _capture(self, snapshot: Snapshot) -> None:
        wave, spacing = self._sampled(snapshot)
        for effect in (effect for meter in self.meters for effect in meter.effects):
            wave = effect.captured(wave)
        first = self.meters[0]
        wave = first.uncorrected(first.calibration.of_wave(wave))
        floating = self._format.codes.startswith(("float", "ascii"))
        levels = LEVELS.get(self._format.codes, MOST_LEVELS)
        step = full_scale(wave) / levels
        middle = float(levels if self._format.codes.startswith("u") else 0)
        self._scale = {
            "x_increment": spacing,
            "x_origin": 0.0,
            "x_reference": 0.0,
            "sample_rate": 1.0 / spacing,
            "y_increment": 1.0 if floating else step,
            "y_origin": 0.0,
            "y_reference": middle,
        } | dict(self._format.fixed)
        noisy = wave + 0.5 * step * self._random.standard_normal(len(wave))
        codes = (noisy - self._scale["y_origin"]) / self._scale["y_increment"] + self._scale["y_reference"]
        self._codes = codes if floating else np.clip(np.rint(codes), middle - levels, middle + levels - 1.0)
        self._times = self._scale["x_origin"] + (np.arange(float(len(codes))) - self._scale["x_reference"]) * spacing


def full_scale(wave: Floats) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that holds `wave`, at least a microvolt or microampere.

    >>> full_scale(np.array([-3.1, 1.0])), full_scale(np.array([0.0]))
    (5.0, 1e-06)
    """
    size = max(float(np.abs(wave).max()), 1e-6)
    decade = 10.0 ** math.floor(math.log10(size))
    return next(step * decade for step in (1.0, 2.0, 5.0, 10.0) if size <= step * decade * (1.0 + 1e-12))
