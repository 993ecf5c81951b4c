"""From the traces of a circuit to the readings that meters would show."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from benchmon.prediction import measures as m
from benchmon.prediction.result import Floats
from benchmon.prediction.traces import Traces

Harmonics = NDArray[np.complex128]


def readings_of(traces: Traces, frequency: Floats, ripple_order: Floats | int) -> tuple[dict[str, Floats], Harmonics]:
    """Return every electrical quantity, (b,), and the line current's complex rms harmonics, (b, 40).

    `frequency` (b,) is the mains'; `ripple_order` how often the output repeats within its period.
    """
    harmonics = m.phasors(traces["mains.current"], traces.angle)
    values = _mains(traces, frequency, harmonics) | _winding_and_diode(traces) | _reservoir(traces)
    values |= _output(traces, frequency * ripple_order) | _regulator(traces)
    return values, harmonics


def _mains(traces: Traces, frequency: Floats, harmonics: Harmonics) -> dict[str, Floats]:
    volts, amperes, weights = traces["mains.voltage"], traces["mains.current"], traces.weights
    volts_rms, amperes_rms = m.rms(volts, weights), m.rms(amperes, weights)
    active, apparent = m.mean(volts * amperes, weights), volts_rms * amperes_rms
    peak = m.peak(np.abs(amperes), traces.angle)
    fundamental = m.phasors(volts, traces.angle, 1)[:, 0]
    return {
        "mains.voltage.rms": volts_rms,
        "mains.current.rms": amperes_rms,
        "mains.current.peak": peak,
        "mains.current.crest_factor": m.ratio(peak, amperes_rms),
        "mains.current.thd": m.distortion(harmonics),
        "mains.power.active": active,
        "mains.power.apparent": apparent,
        "mains.power_factor": m.ratio(active, apparent),
        "mains.displacement_factor": np.where(
            np.abs(harmonics[:, 0]) > 0, np.cos(np.angle(fundamental) - np.angle(harmonics[:, 0])), 0.0
        ),
        "mains.frequency": frequency,
    }


def _winding_and_diode(traces: Traces) -> dict[str, Floats]:
    weights, angle = traces.weights, traces.angle
    diode = traces["diode.current"]
    return {
        "secondary.voltage.rms": m.rms(traces["secondary.voltage"], weights),
        "secondary.current.rms": m.rms(traces["secondary.current"], weights),
        "secondary.current.peak": m.peak(np.abs(traces["secondary.current"]), angle),
        "diode.current.mean": m.mean(diode, weights),
        "diode.current.rms": m.rms(diode, weights),
        "diode.current.peak": m.peak(diode, angle),
        "diode.voltage.reverse_peak": m.peak(traces["diode.reverse"], angle),
        "diode.power.mean": m.mean(diode * traces["diode.drop"], weights),
    }


def _reservoir(traces: Traces) -> dict[str, Floats]:
    if "reservoir.voltage" not in traces:
        return {}
    volts = traces["reservoir.voltage"]
    peak, valley = m.peak(volts, traces.angle), -m.peak(-volts, traces.angle)
    return {
        "reservoir.voltage.mean": m.mean(volts, traces.weights),
        "reservoir.voltage.ripple": peak - valley,
        "reservoir.voltage.peak": peak,
        "reservoir.voltage.valley": valley,
        "reservoir.current.rms": m.rms(traces["reservoir.current"], traces.weights),
    }


def _output(traces: Traces, ripple_frequency: Floats) -> dict[str, Floats]:
    volts, amperes, weights = traces["output.voltage"], traces["output.current"], traces.weights
    rms, mean, ac_rms = m.rms(volts, weights), m.mean(volts, weights), m.ac_rms(volts, weights)
    peak, valley = m.peak(volts, traces.angle), -m.peak(-volts, traces.angle)
    power = m.mean(volts * amperes, weights)
    return {
        "output.voltage.rms": rms,
        "output.voltage.mean": mean,
        "output.voltage.ac_rms": ac_rms,
        "output.voltage.peak": peak,
        "output.voltage.valley": valley,
        "output.voltage.ripple": peak - valley,
        "output.voltage.frequency": ripple_frequency,
        "output.voltage.form_factor": m.ratio(rms, mean),
        "output.voltage.ripple_factor": m.ratio(ac_rms, mean),
        "output.current.rms": m.rms(amperes, weights),
        "output.current.mean": m.mean(amperes, weights),
        "output.power.mean": power,
        "load.power.mean": power,
    }


def _regulator(traces: Traces) -> dict[str, Floats]:
    if "regulator.input" not in traces:
        return {}
    over = traces["regulator.input"] - traces["output.voltage"]
    quiescent = traces["regulator.input"] * traces["regulator.quiescent"]
    return {
        "regulator.voltage.headroom": -m.peak(-over, traces.angle),
        "regulator.power.mean": m.mean(over * traces["output.current"] + quiescent, traces.weights),
    }
