"""What meters show that are no ideal ones: those that respond to the average, and those of a limited bandwidth.

An average-responding meter shows the mean of the rectified wave times π/(2·√2), which is the rms value of a sine and of
no other wave. A limited bandwidth is a first-order low-pass of the wave (its −3 dB frequency, as data sheets state it).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from benchmon.bench import Bench, Channel
from benchmon.prediction.circuit.trace_measures import ORDERS, ac_rms_of, mean_of, peak_of, phasors, rms_of, valley_of
from benchmon.prediction.circuit.traces import Traces
from benchmon.signals.arrays import Floats

SINE_FORM_FACTOR = math.pi / (2.0 * math.sqrt(2.0))
"""Rms over mean of a rectified sine, 1.1107."""

_HOWS = ("rms", "ac_rms", "peak", "ripple", "valley")


@dataclass(frozen=True, slots=True)
class MeterResponse:
    """How a meter makes its reading of `quantity`: of the average if it `averages`, up to `bandwidth` in hertz."""

    quantity: str
    averages: bool
    bandwidth: float | None = None

    def reads(self, traces: Traces, frequency: Floats) -> Floats | None:
        """Return what it shows of the `traces`, (b,), with the mains at `frequency` (b,); None where it is no wave."""
        name, _, how = self.quantity.rpartition(".")
        if how not in _HOWS or name not in traces:
            return None
        wave = traces[name]
        if self.bandwidth is not None:
            wave = wave - _beyond(wave, traces.angle, frequency, self.bandwidth)
        if self.averages:
            wave = wave - mean_of(wave, traces.weights)[:, None] if how == "ac_rms" else wave
            return SINE_FORM_FACTOR * mean_of(np.abs(wave), traces.weights)
        return _measured(wave, traces, how, is_current=name.endswith("current"))


def _measured(wave: Floats, traces: Traces, how: str, *, is_current: bool) -> Floats:
    if how == "rms":
        return rms_of(wave, traces.weights)
    if how == "ac_rms":
        return ac_rms_of(wave, traces.weights)
    if how == "peak":
        return peak_of(np.abs(wave) if is_current else wave, traces.angle)
    valley = valley_of(wave, traces.angle)
    return valley if how == "valley" else peak_of(wave, traces.angle) - valley


def _beyond(wave: Floats, angle: Floats, frequency: Floats, bandwidth: float) -> Floats:
    """Return what a first-order low-pass takes from `wave` (b, k) at mains angles `angle` (k,), to the 40th order."""
    orders = np.arange(1, ORDERS + 1)
    passed = 1.0 / (1.0 + 1j * orders * frequency[:, None] / bandwidth)
    taken = np.sqrt(2.0) * phasors(wave, angle) * (1.0 - passed)
    found: Floats = (taken @ np.exp(1j * orders[:, None] * angle)).real
    return found


def response_of(channel: Channel) -> MeterResponse | None:
    """Return how the meter of a channel makes its reading; None for an ideal one."""
    averages = channel.responds == "mean"
    if not averages and channel.bandwidth is None:
        return None
    return MeterResponse(channel.quantity, averages, channel.bandwidth)


def responses_of(bench: Bench) -> set[MeterResponse]:
    """Return those of the channels of a bench that are no ideal ones."""
    return {found for channel in bench.channel if (found := response_of(channel)) is not None}


def readings_by_response(bench: Bench, traces: Traces, frequency: Floats) -> Mapping[MeterResponse, Floats]:
    """Return what each meter of a bench that is no ideal one shows of the `traces`, (b,)."""
    found = {response: response.reads(traces, frequency) for response in responses_of(bench)}
    return {response: reading for response, reading in found.items() if reading is not None}
