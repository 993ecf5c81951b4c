"""Predictions as a session file keeps them: what the bench settles at as it is measured, and at each step of its plan.

A stored prediction has what a reader shows of it. Its waves stay packed until somebody looks at them, so that a screen
which shows none of them need not load what unpacks them.
"""

from __future__ import annotations

import json
import math
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

from benchmon.quantities import UNITS, Expected
from benchmon.text import one_line

if TYPE_CHECKING:
    from benchmon.prediction.result import Prediction, Waveforms

_LONGEST_JSON = 200_000
_MOST_SAMPLES, _MOST_TRACES, _MOST_HARMONICS = 50_000, 100, 200


@dataclass(frozen=True)
class StoredPrediction:
    """What a bench settles at: `mains_voltage` in V, `mains_frequency` in Hz, `quantities` by name.

    `harmonics` maps `mains.current` to pairs of order and rms amperes. `traces` are the names of its waves and `packed`
    what they look like.
    """

    mains_voltage: float
    mains_frequency: float
    quantities: Mapping[str, Expected]
    harmonics: Mapping[str, list[tuple[int, float]]] = field(default_factory=dict)
    traces: tuple[str, ...] = ()
    count: int = 0
    packed: bytes = b""

    @cached_property
    def waveforms(self) -> Waveforms:
        """Return the waves over one period; none where they cannot be unpacked."""
        import numpy as np  # noqa: PLC0415 - a screen is there sooner without it

        from benchmon.prediction.result import Waveforms  # noqa: PLC0415 - the same

        rows = 1 + len(self.traces)
        length = rows * self.count * 4
        try:
            inflated = zlib.decompressobj().decompress(self.packed, length + 1) if length else b""
        except zlib.error:
            inflated = b""
        if not inflated or len(inflated) != length:
            return Waveforms(np.zeros(0), {})
        values = np.frombuffer(inflated, "<f4").astype(np.float64).reshape(rows, self.count)
        return Waveforms(values[0], dict(zip(self.traces, values[1:], strict=True)))


@dataclass(frozen=True)
class SettledPrediction:
    """What the bench settles at under the conditions measured at `time` (session seconds).

    `problem` says why there is no prediction, "" where there is one.
    """

    time: float
    prediction: StoredPrediction | None = None
    problem: str = ""


@dataclass(frozen=True)
class StepPrediction:
    """What the bench settles at in step number `step` (from 1) of its plan, known from `time` (session seconds) on."""

    time: float
    step: int
    prediction: StoredPrediction | None = None
    problem: str = ""


def stored(prediction: Prediction, *, with_waves: bool = True) -> StoredPrediction:
    """Return a prediction as it is stored; the waves of a step that nobody has measured yet are of no use."""
    waves = prediction.waveforms
    traces = tuple(waves.traces) if with_waves else ()
    rows = [waves.time, *(waves.traces[name] for name in traces)] if traces else []
    packed = zlib.compress(b"".join(row.astype("<f4").tobytes() for row in rows)) if rows else b""
    return StoredPrediction(
        prediction.mains_voltage,
        prediction.mains_frequency,
        prediction.quantities,
        prediction.harmonics,
        traces,
        len(waves.time) if rows else 0,
        packed,
    )


def encode_prediction(prediction: StoredPrediction | None) -> str:
    """Return a prediction as JSON, without its waves; "" for none."""
    if prediction is None:
        return ""
    quantities = {name: [one.value, one.uncertainty] for name, one in prediction.quantities.items()}
    told = {
        "mains_voltage": prediction.mains_voltage,
        "mains_frequency": prediction.mains_frequency,
        "quantities": quantities,
        "harmonics": {name: list(map(list, pairs)) for name, pairs in prediction.harmonics.items()},
        "traces": list(prediction.traces),
        "count": prediction.count,
    }
    return json.dumps(told, ensure_ascii=False)


def decode_prediction(text: object, packed: object = b"") -> StoredPrediction | None:
    """Return the prediction of a row, None where there is none or it makes no sense."""
    if not isinstance(text, str) or not text or len(text) > _LONGEST_JSON:
        return None
    try:
        told = json.loads(text)
    except (ValueError, RecursionError):
        return None
    match told:
        case {
            "mains_voltage": int() | float() as volts,
            "mains_frequency": int() | float() as frequency,
            "quantities": dict(quantities),
            "harmonics": dict(harmonics),
            "traces": list(traces),
            "count": int(count),
        } if frequency > 0 and 0 <= count <= _MOST_SAMPLES and len(traces) <= _MOST_TRACES:
            return StoredPrediction(
                float(volts),
                float(frequency),
                {name: one for name in quantities if (one := _expected(name, quantities[name]))},
                {one_line(name, 60): _pairs(pairs) for name, pairs in harmonics.items()},
                tuple(one_line(name, 60) for name in traces),
                count,
                packed if isinstance(packed, bytes) else b"",
            )
    return None


def _expected(name: str, told: object) -> Expected | None:
    match told:
        case [int() | float() as value, int() | float() as spread] if name in UNITS and math.isfinite(value):
            return Expected(float(value), float(spread), UNITS[name]) if spread >= 0 else None
    return None


def _pairs(told: object) -> list[tuple[int, float]]:
    pairs = told[:_MOST_HARMONICS] if isinstance(told, list) else []
    return [(pair[0], float(pair[1])) for pair in pairs if _is_harmonic(pair)]


def _is_harmonic(pair: object) -> bool:
    match pair:
        case [int(), int() | float() as rms]:
            return math.isfinite(rms)
    return False
