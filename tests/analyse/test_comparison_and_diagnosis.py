"""A capture compared with the bench file: correct ones agree, wrong ones are explained."""

import math

import numpy as np
import pytest

from benchmon.analyse import AnalysisRequest, analyse
from benchmon.analyse.diagnosis import explain
from benchmon.analyse.expected import BINS, folded, to_draw
from benchmon.bench import load_bench
from benchmon.errors import BadInput
from benchmon.prediction import predict
from benchmon.signals.captured_wave import measure_wave
from benchmon.watch.diagnosis.circuit_hypotheses import faults_of
from benchmon_simulated.scenarios import scenario_named

MAINS = 236.0
TIME = np.arange(4000) / 50_000.0 - 0.033


@pytest.fixture(scope="module")
def benches():
    return {name: load_bench(scenario_named(name).path) for name in ("bridge", "centre-tap", "reservoir")}


def trace(bench, of, time=TIME):
    """Return a wave of a bench over `time`, as the scope would capture it: with noise, at any phase."""
    waves = predict(bench, mains_voltage=MAINS).waveforms
    clean = np.interp(time, waves.time, waves.traces[of], period=1 / bench.mains.frequency)
    return clean + np.random.default_rng(7).normal(0, 0.003 * np.ptp(clean), len(time))


def causes(found):
    return [one.cause for one in found.explanations]


@pytest.mark.parametrize("name", ["bridge", "centre-tap", "reservoir"])
@pytest.mark.parametrize("of", ["output.voltage", "mains.current", "secondary.current", "diode.current"])
def test_a_right_wave_agrees(capture, benches, name, of):
    bench = benches[name]
    path = capture(TIME, trace(bench, of))
    found = analyse(path, AnalysisRequest((of,), mains=MAINS), bench)
    assert causes(found)[0] == "nothing wrong"
    assert found.comparisons
    assert all(str(one.verdict) in ("agrees", "unpredicted") for one in found.comparisons), found.comparisons


@pytest.mark.parametrize(
    ("spoil", "cause"),
    [
        (lambda wave: wave - wave.mean(), "the scope is a.c.-coupled: the mean is missing"),
        (lambda wave: 10 * wave, "the values are 10 times"),
        (lambda wave: 0.1 * wave, "the values are 0.1 times"),
        (lambda wave: 0.1 * (wave - wave.mean()), "a.c.-coupled: the mean is missing, and the values are 0.1 times"),
        (lambda wave: -wave, "upside down"),
        (lambda wave: np.minimum(wave, wave.min() + 0.7 * np.ptp(wave)), "clipped above"),
        (lambda wave: wave + 5.0, "the wave is off by 5"),
    ],
)
@pytest.mark.parametrize("name", ["bridge", "reservoir"])
def test_measurement_errors_are_explained(capture, benches, name, spoil, cause):
    bench = benches[name]
    path = capture(TIME, spoil(trace(bench, "output.voltage")))
    found = analyse(path, AnalysisRequest(("output.voltage",), mains=MAINS), bench)
    assert cause in causes(found)[0]
    assert found.explanations[0].likelihood > 0.5
    assert any(str(one.verdict) != "agrees" for one in found.comparisons)


def test_a_clamp_that_is_off_zero_is_explained(capture, benches):
    bench = benches["reservoir"]
    path = capture(TIME, trace(bench, "mains.current") + 0.4)
    found = analyse(path, AnalysisRequest(("mains.current",), mains=MAINS), bench)
    assert causes(found)[0] == "the wave is off by 0.4"


@pytest.mark.parametrize("name", ["bridge", "centre-tap", "reservoir"])
def test_a_missing_half_wave_is_explained(capture, benches, name):
    bench = benches[name]
    fault = next(one for one in faults_of(bench) if one.cause == "a diode is open")
    traces = fault.traces(MAINS)
    time = traces.angle / (2 * np.pi * bench.mains.frequency)
    wave = np.interp(TIME, time, traces["output.voltage"][0], period=1 / bench.mains.frequency)
    noisy = wave + np.random.default_rng(7).normal(0, 0.003 * np.ptp(wave), len(wave))
    found = analyse(capture(TIME, noisy), AnalysisRequest(("output.voltage",), mains=MAINS), bench)
    assert {"a diode is open", "the rectifier is wired as half-wave instead of full-wave"} & set(causes(found)[:1])
    assert "every second half wave is missing" in found.explanations[0].message


def test_every_second_half_wave_cut_away_by_hand_is_explained_too(capture, benches):
    """No engine's wave: rectified halves of a sine of the right height, every second one taken away."""
    bench = benches["bridge"]
    top = predict(bench, mains_voltage=MAINS).quantities["output.voltage.peak"].value
    wave = top * np.maximum(np.sin(2 * np.pi * 50 * TIME), 0)
    found = analyse(capture(TIME, wave), AnalysisRequest(("output.voltage",), mains=MAINS), bench)
    assert causes(found)[0] in ("a diode is open", "the rectifier is wired as half-wave instead of full-wave")


def test_an_unknown_cause_is_reported_as_unknown(capture, benches):
    wave = 9.0 + 6.0 * np.sign(np.sin(2 * np.pi * 50 * TIME) * np.sin(2 * np.pi * 150 * TIME + 1))
    found = analyse(capture(TIME, wave), AnalysisRequest(("output.voltage",), mains=MAINS), benches["bridge"])
    assert causes(found)[0] == "none of these"


def test_another_frequency_is_named(capture, benches):
    wave = np.abs(np.sin(2 * np.pi * 60 * TIME))
    found = analyse(capture(TIME, wave), AnalysisRequest(("output.voltage",)), benches["bridge"])
    assert causes(found) == ["another frequency"]
    assert "60" in found.explanations[0].message


def test_the_mains_voltage_is_taken_from_the_capture_itself(capture, benches):
    bench = benches["bridge"]
    path = capture(
        TIME,
        trace(bench, "mains.current"),
        MAINS * math.sqrt(2) * np.sin(2 * np.pi * 50 * TIME),
        head="t (s),i (A),u (V)",
    )
    found = analyse(path, AnalysisRequest(("mains.current", "mains.voltage")), bench)
    assert found.prediction.mains_voltage == pytest.approx(MAINS, rel=1e-3)
    assert found.first.quantity == "mains.current"
    assert found.power


def test_without_a_quantity_there_is_nothing_to_compare_with(capture, benches):
    with pytest.raises(BadInput, match="--quantity"):
        analyse(capture(TIME, np.sin(300 * TIME)), AnalysisRequest(), benches["bridge"])


def test_a_wave_that_is_not_predicted_is_still_measured(capture, benches):
    path = capture(TIME, np.sin(2 * np.pi * 50 * TIME))
    found = analyse(path, AnalysisRequest(("regulator.voltage",)), benches["bridge"])
    assert (found.comparisons, found.explanations) == ([], [])
    assert found.first.wave.measures["rms"].value == pytest.approx(math.sqrt(0.5), rel=1e-3)


def test_a_wave_is_folded_into_one_mains_period():
    wave = measure_wave(TIME, np.abs(np.sin(2 * np.pi * 50 * TIME)))
    once, frequency = folded(wave.sampled, 50.0)
    assert frequency == pytest.approx(50, rel=1e-3)
    assert once[: BINS // 2] == pytest.approx(once[BINS // 2 :], abs=0.02)


def test_likelihoods_add_up_to_one(benches):
    bench = benches["reservoir"]
    wave = measure_wave(TIME, 3 * trace(bench, "output.voltage"))
    found = explain(wave.sampled, "output.voltage", bench, predict(bench))
    assert 0.9 < sum(one.likelihood for one in found) <= 1 + 1e-9
    assert all(one.message.isprintable() for one in found)


def test_a_right_shape_of_a_wrong_size_is_named(capture, benches):
    bench = benches["reservoir"]
    path = capture(TIME, 1.37 * trace(bench, "mains.current"))
    found = analyse(path, AnalysisRequest(("mains.current",), mains=MAINS), bench)
    assert causes(found)[0] == "the shape is right, the size 1.37 times what it should be"


def test_the_expected_wave_is_drawn_over_the_captured_one(benches):
    bench = benches["reservoir"]
    for time in (TIME, TIME + 0.0123, np.arange(90_000) / 1e6):
        wave = measure_wave(time, trace(bench, "output.voltage", time))
        drawn = to_draw("u", "V", wave.sampled, "output.voltage", predict(bench, mains_voltage=MAINS))
        beside = np.interp(drawn.time, drawn.expected_time, drawn.expected)
        assert np.max(np.abs(beside - drawn.values)) < 0.1 * np.ptp(drawn.values)
        assert len(drawn.time) <= 8000
