"""Captured waves as the session file keeps them: small, and never trusted when they are read back."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING

from benchmon.watch.records import MOST_SAMPLES

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

_EVEN_WITHIN = 1e-3
"""Part of a step that a sample's time may be off and still count as evenly spaced: less than a scope's own jitter."""


@dataclass(frozen=True, slots=True)
class PackedWaveform:
    """The columns of a wave, see the table `waveforms`."""

    count: int
    first: float
    step: float
    times: bytes
    samples: bytes


def pack(times: NDArray[np.float64], values: NDArray[np.float64]) -> PackedWaveform:
    """Return a wave of `times` (n,) in s and `values` (n,) packed; values keep single precision (7 digits)."""
    import numpy as np  # noqa: PLC0415 - a session without waves is shown without it, and sooner

    samples = zlib.compress(values.astype("<f4").tobytes(), 1)
    step = float(times[-1] - times[0]) / (len(times) - 1)
    even = times[0] + step * np.arange(len(times))
    if step > 0 and bool(np.all(np.abs(times - even) <= _EVEN_WITHIN * step)):
        return PackedWaveform(len(times), float(times[0]), step, b"", samples)
    return PackedWaveform(len(times), float(times[0]), 0.0, zlib.compress(times.astype("<f8").tobytes(), 1), samples)


def unpack(packed: PackedWaveform) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return times (n,) in s and values (n,), None where the columns are no wave."""
    import numpy as np  # noqa: PLC0415 - as above

    values = _numbers(packed.samples, "<f4", packed.count)
    if values is None or not 2 <= packed.count <= MOST_SAMPLES:
        return None
    if packed.step > 0:
        return np.linspace(packed.first, packed.first + packed.step * (packed.count - 1), packed.count), values
    times = _numbers(packed.times, "<f8", packed.count)
    return None if times is None or not np.all(np.isfinite(times)) else (times, values)


def _numbers(blob: bytes, kind: str, count: int) -> NDArray[np.float64] | None:
    """Return the `count` numbers of a deflated `blob`; it is never inflated beyond them."""
    import numpy as np  # noqa: PLC0415 - as above

    if not 0 < count <= MOST_SAMPLES:
        return None
    length = count * np.dtype(kind).itemsize
    try:
        inflated = zlib.decompressobj().decompress(blob, length + 1)
    except zlib.error:
        return None
    return np.frombuffer(inflated, kind).astype(np.float64) if len(inflated) == length else None
