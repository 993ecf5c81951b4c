"""Meters that respond to the average, or pass no more than a bandwidth."""

from __future__ import annotations

import numpy as np
import pytest

from benchmon.bench import Bench
from benchmon.errors import BenchFileError
from benchmon.prediction import predict
from benchmon.prediction.circuit.meter_response import MeterResponse, response_of
from benchmon.prediction.circuit.traces import Traces
from benchmon.prediction.operating_point import OperatingPointPredictor
from support.circuits.drawn import capacitor, plain, resistor

COUNT = 2000
ANGLE = (np.arange(COUNT) + 0.5) * 2.0 * np.pi / COUNT
FIFTY = np.array([50.0])


def shown(wave: np.ndarray, quantity="output.voltage.rms", *, averages=False, bandwidth=None) -> float:
    traces = Traces(ANGLE, np.full(COUNT, 1.0 / COUNT), {quantity.rpartition(".")[0]: wave[None]})
    return float(MeterResponse(quantity, averages, bandwidth).reads(traces, FIFTY)[0])


TRIANGLE = 2.0 / np.pi * np.arcsin(np.sin(ANGLE))
# Waves of peak 1, and what an average-responding meter shows of each, by tables in handbooks of meters (from memory).
WAVES = {
    "sine": (np.sin(ANGLE), 0.7071),
    "square": (np.sign(np.sin(ANGLE)), 1.111),
    "triangle": (TRIANGLE, 0.555),
    "half-wave rectified": (np.maximum(np.sin(ANGLE), 0.0), 0.354),
}


@pytest.mark.parametrize(("wave", "reading"), WAVES.values(), ids=WAVES)
def test_an_averaging_meter_shows_of_known_waves_what_handbooks_say(wave, reading):
    assert shown(wave, averages=True) == pytest.approx(reading, abs=6e-4)


def test_ac_coupled_the_mean_is_none_of_the_wave():
    assert shown(5.0 + np.sin(ANGLE), "output.voltage.ac_rms", averages=True) == pytest.approx(0.7071, abs=1e-4)
    assert shown(5.0 + np.sin(ANGLE), "output.voltage.rms", averages=True) == pytest.approx(5.0 * 1.1107, rel=1e-4)


def test_at_its_bandwidth_a_meter_passes_half_of_the_power():
    fifth = np.sin(5.0 * ANGLE)
    assert shown(fifth, bandwidth=250.0) == pytest.approx(0.5, rel=1e-4)
    assert shown(fifth, bandwidth=1e6) == pytest.approx(0.7071, rel=1e-4)


def test_a_square_wave_behind_a_low_pass_has_the_rms_of_its_closed_form():
    # First-order low-pass of time constant τ, a square wave of half period T: 1 − 2·τ/T·tanh(T/(2·τ)) (closed form).
    # Orders beyond the 40th, half a per cent of its rms, are not filtered.
    half, constant = 0.01, 1.0 / (2.0 * np.pi * 150.0)
    expected = np.sqrt(1.0 - 2.0 * constant / half * np.tanh(half / (2.0 * constant)))
    assert shown(np.sign(np.sin(ANGLE)), bandwidth=150.0) == pytest.approx(expected, rel=1e-2)


def test_power_and_temperature_have_no_wave():
    traces = Traces(ANGLE, np.full(COUNT, 1.0 / COUNT), {"output.voltage": np.ones((1, COUNT))})
    assert MeterResponse("mains.power.active", averages=False, bandwidth=1e3).reads(traces, FIFTY) is None


def bench(**keys) -> Bench:
    meter = {"name": "line", "instrument": "m", "quantity": "mains.current.rms", "accuracy": "1 %"} | keys
    instrument = {"name": "m", "driver": "manual"}
    made = plain(filter=[capacitor(4.7e-3, 0.05)], load=resistor(15.0), mains={"tolerance": 0.0, "harmonics": None})
    return Bench.model_validate(made.model_dump(exclude_unset=True) | {"instrument": [instrument], "channel": [meter]})


def test_an_averaging_meter_of_pulses_is_expected_to_read_less_with_an_uncertainty_of_its_own():
    made = bench(responds="mean")
    meter, found = response_of(made.channel[0]), predict(made)
    true, low = found.at("mains.current.rms"), found.at("mains.current.rms", meter=meter)
    # Handbooks: 25 to 50 % too little on the pulses of a capacitor-input rectifier (from memory).
    assert 0.5 * true.value < low.value < 0.8 * true.value
    assert 0.0 < low.uncertainty < 0.2 * low.value
    assert response_of(bench().channel[0]) is None


def test_what_it_should_read_follows_the_mains():
    made = bench(responds="mean")
    meter, predictor = response_of(made.channel[0]), OperatingPointPredictor(made)
    between = predictor.around(233.0).expected("mains.current.rms", 233.0, meter=meter)
    solved = predictor.at(233.0).at("mains.current.rms", meter=meter)
    assert between.value == pytest.approx(solved.value, rel=1e-3)


def test_only_rms_values_may_come_from_the_mean():
    with pytest.raises((BenchFileError, ValueError), match="is for rms quantities"):
        bench(quantity="mains.current.peak", responds="mean")
