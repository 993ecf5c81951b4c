"""Measures of captures against closed forms and scipy, whether their uncertainty holds, and waves that are none."""

import math

import numpy as np
import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.analyse import AnalysisRequest, analyse
from benchmon.bench.fields import parse_accuracy
from benchmon.errors import BadInput, DataFileError
from benchmon.signals.captured_wave import measure_wave

TIME = np.arange(20_000) / 100_000.0 - 0.0417
ANGLE = 2 * np.pi * 50 * TIME + 0.9


def values(wave):
    return {name: measured.value for name, measured in wave.measures.items()}


def test_a_sine(capture):
    found = analyse(capture(TIME, 10 * np.sin(ANGLE))).first.wave
    shown = values(found)
    assert shown["rms"] == pytest.approx(10 / math.sqrt(2), rel=1e-6)
    assert shown["mean"] == pytest.approx(0, abs=1e-6)
    assert shown["peak"] == pytest.approx(10, rel=1e-5)
    assert shown["peak_to_peak"] == pytest.approx(20, rel=1e-5)
    assert shown["frequency"] == pytest.approx(50, rel=1e-7)
    assert shown["thd"] == pytest.approx(0, abs=1e-6)
    assert shown["form_factor"] == pytest.approx(math.pi / math.sqrt(8), rel=1e-5)
    assert shown["crest_factor"] == pytest.approx(math.sqrt(2), rel=1e-5)
    assert math.isnan(shown["ripple_factor"])
    assert found.sampled.periods == 10


def test_peak_is_the_largest_magnitude_and_the_extremes_have_signs(capture):
    shown = values(analyse(capture(TIME, -2.0 + 3 * np.sin(ANGLE))).first.wave)
    assert shown["peak"] == pytest.approx(5, rel=1e-5)
    assert shown["highest"] == pytest.approx(1, rel=1e-4)
    assert shown["lowest"] == pytest.approx(-5, rel=1e-5)


def test_a_rectified_sine(capture):
    shown = values(analyse(capture(TIME, 8 * np.abs(np.sin(ANGLE)))).first.wave)
    assert shown["frequency"] == pytest.approx(100, rel=1e-5)
    assert shown["mean"] == pytest.approx(16 / math.pi, rel=1e-4)
    assert shown["form_factor"] == pytest.approx(math.pi / math.sqrt(8), rel=1e-4)
    assert shown["ripple_factor"] == pytest.approx(0.4834, abs=1e-4)


def test_square_and_triangle_and_their_harmonics(capture):
    square = analyse(capture(TIME, 5 * scipy.signal.square(ANGLE))).first.wave
    assert values(square)["rms"] == pytest.approx(5, rel=1e-4)
    assert values(square)["thd"] == pytest.approx(math.sqrt(sum(n**-2 for n in range(3, 41, 2))), rel=1e-3)
    triangle = analyse(capture(TIME, 5 * scipy.signal.sawtooth(ANGLE, 0.5))).first.wave
    assert values(triangle)["rms"] == pytest.approx(5 / math.sqrt(3), rel=1e-4)
    assert dict(triangle.harmonics)[3] == pytest.approx(5 * 8 / math.pi**2 / 9 / math.sqrt(2), rel=1e-3)


def test_harmonics_against_scipy(capture):
    """scipy.fft of exactly ten periods."""
    wave = np.sin(ANGLE) + 0.3 * np.sin(3 * ANGLE + 1) + 0.02 * np.cos(17 * ANGLE) + 0.4
    spectrum = np.abs(scipy.fft.rfft(wave)) / len(wave) * math.sqrt(2)
    for order, size in analyse(capture(TIME, wave)).first.wave.harmonics:
        assert size == pytest.approx(spectrum[10 * order], abs=3e-6)


def test_a_dense_capture_has_the_measures_of_a_sparse_one():
    """Averaging neighbours takes 2.5 % from order 40; that is corrected."""
    time = np.arange(600_000) / 5e6
    wave = sum(np.sin(order * 2 * np.pi * 50.02 * time + order) / order for order in range(1, 41))
    dense, thin = measure_wave(time, wave), measure_wave(time[::97], wave[::97])
    assert dense.sampled.decimation > 100
    for (order, size), (_, other) in zip(dense.harmonics, thin.harmonics, strict=True):
        assert size == pytest.approx(1 / order / math.sqrt(2), rel=2e-3)
        assert other == pytest.approx(1 / order / math.sqrt(2), rel=2e-3)
    assert values(dense)["rms"] == pytest.approx(values(thin)["rms"], rel=1e-4)


def test_many_periods_of_few_samples():
    time = np.arange(900_000) / 40_000.0
    shown = values(measure_wave(time, 0.3 + np.sin(2 * np.pi * 1234.5 * time)))
    assert shown["frequency"] == pytest.approx(1234.5, rel=1e-6)
    assert shown["rms"] == pytest.approx(math.sqrt(0.59), rel=1e-4)
    assert shown["ac_rms"] == pytest.approx(math.sqrt(0.5), rel=1e-4)


def test_uneven_sampling(capture):
    time = np.sort(np.random.default_rng(5).uniform(0, 0.1, 4000))
    shown = values(analyse(capture(time, 4 + 3 * np.sin(2 * np.pi * 60 * time))).first.wave)
    assert shown["frequency"] == pytest.approx(60, rel=1e-4)
    assert shown["rms"] == pytest.approx(math.sqrt(20.5), rel=1e-3)


SHAPES = {
    "sine": (np.sin, 0.0, math.sqrt(0.5)),
    "rectified": (lambda angle: np.abs(np.sin(angle)), 2 / math.pi, math.sqrt(0.5)),
    "half wave": (lambda angle: np.maximum(np.sin(angle), 0), 1 / math.pi, 0.5),
    "ripple": (lambda angle: 1 + 0.05 * np.sin(2 * angle), 1.0, math.sqrt(1 + 0.00125)),
}


@settings(max_examples=40, deadline=None)
@given(
    shape=st.sampled_from(sorted(SHAPES)),
    phase=st.floats(0, 6.3),
    periods=st.floats(2.2, 12.0),
    samples=st.integers(1500, 6000),
    scope=st.tuples(st.sampled_from([0.0, 0.002, 0.02]), st.sampled_from([8, 12]), st.integers(0, 10**6)),
)
def test_true_values_lie_within_the_uncertainty(shape, phase, periods, samples, scope):
    """k = 2 holds in 19 of 20: three times the uncertainty practically always."""
    of, mean, rms = SHAPES[shape]
    noise, bits, seed = scope
    time = np.arange(samples) * periods / 50.0 / samples
    clean = of(2 * np.pi * 50 * time + phase)
    step = 2.0 / 2**bits
    read = np.round((clean + noise * np.random.default_rng(seed).normal(size=samples)) / step) * step
    if shape == "ripple" and noise > 0.01:
        return
    found = measure_wave(time, read).measures
    hidden = math.sqrt(rms**2 + noise**2 + step**2 / 12)
    assert abs(found["mean"].value - mean) < 1.5 * found["mean"].uncertainty + 2e-4 + step**2
    assert min(abs(found["rms"].value - rms), abs(found["rms"].value - hidden)) < 1.5 * found["rms"].uncertainty + 2e-4
    assert abs(found["peak"].value - np.max(np.abs(clean))) < 1.5 * found["peak"].uncertainty + step


def test_the_scope_s_accuracy_is_added():
    wave = np.sin(ANGLE)
    without = measure_wave(TIME, wave).measures["rms"].uncertainty
    with_it = measure_wave(TIME, wave, accuracy=parse_accuracy("3 %", "V")).measures["rms"].uncertainty
    assert without < 1e-4
    assert with_it == pytest.approx(0.03 * math.sqrt(0.5), rel=1e-3)


def test_known_frequency_makes_one_period_enough(capture):
    time = np.arange(1000) / 50_000.0
    path = capture(time, np.abs(np.sin(2 * np.pi * 50 * time)))
    shown = values(analyse(path, AnalysisRequest(frequency=50.0)).first.wave)
    assert shown["mean"] == pytest.approx(2 / math.pi, rel=1e-3)
    with pytest.raises(DataFileError, match="less than one period"):
        analyse(path, AnalysisRequest(frequency=20.0))


def changing(time):
    first = np.where(time < 0.02, 50 * time, 1 + (time - 0.02) / 0.025)
    return np.sin(2 * np.pi * first)


NO_WAVES = {
    "too short": (np.arange(300) / 1e5, lambda time: np.sin(2 * np.pi * 50 * time), "repeat"),
    "zero": (TIME, lambda time: 0 * time, "zero throughout"),
    "flat": (TIME, lambda time: 5 + 0 * time, "flat"),
    "noise": (TIME, lambda time: np.random.default_rng(1).normal(size=len(time)), "repeat"),
    "ramp": (TIME, lambda time: 3 + time, "repeat"),
    "not a number": (TIME, lambda time: np.where(time > 0, np.nan, np.sin(300 * time)), "usable value"),
    "over range": (TIME, lambda time: np.where(time > 0, 9.9e37, np.sin(300 * time)), "usable value"),
    "periods of different length": (np.arange(4500) / 1e5, changing, "not alike"),
    "backwards": (TIME[::-1], lambda time: np.sin(300 * time), "not later"),
    "a gap": (np.delete(TIME, slice(4000, 9000)), lambda time: np.sin(2 * np.pi * 50 * time), "missing|periods last"),
    "three samples": (TIME[:3], lambda time: np.sin(300 * time), "only 3 samples"),
}


@pytest.mark.parametrize("case", NO_WAVES)
def test_what_is_no_wave_is_refused_in_one_line(capture, case):
    time, of, reason = NO_WAVES[case]
    with pytest.raises(DataFileError, match=reason) as problem:
        analyse(capture(time, of(time)))
    assert str(problem.value).isprintable()
    assert "wave.csv" in str(problem.value)


def test_periods_of_slightly_different_length_are_refused():
    """Without noise, the second half a tenth slower: it still correlates with itself, but is no mains."""
    time = np.arange(20_000) / 1e5
    turns = np.where(time < 0.1, 50 * time, 5 + 45 * (time - 0.1))
    with pytest.raises(DataFileError, match=r"periods last from 0\.0\d+ to 0\.022"):
        measure_wave(time, np.sin(2 * np.pi * turns))


def test_voltage_and_current_give_power(capture):
    """P = U·I·cos φ; with a third harmonic in the current PF = cos φ / sqrt(1 + THD²) (IEEE 1459-2010)."""
    volts = 325 * np.sin(ANGLE)
    amperes = 0.5 * np.sin(ANGLE - 0.4) + 0.25 * np.sin(3 * ANGLE)
    found = analyse(capture(TIME, volts, 1000 * amperes, head="t (s),CH1 (V),CH2 (mA)"))
    power = {name: measured.value for name, measured in found.power.items()}
    assert power["active"] == pytest.approx(325 * 0.5 / 2 * math.cos(0.4), rel=1e-5)
    assert power["displacement_factor"] == pytest.approx(math.cos(0.4), rel=1e-5)
    assert power["power_factor"] == pytest.approx(math.cos(0.4) / math.sqrt(1.25), rel=1e-5)
    assert power["apparent"] == pytest.approx(power["active"] / power["power_factor"], rel=1e-9)


def test_power_is_the_same_of_a_dense_capture(capture):
    time = np.arange(60_000) / 4e5
    turns = 2 * np.pi * 50 * time
    found = analyse(capture(time, np.sin(turns), np.sin(turns - 1), head="t (s),u (V),i (A)"))
    assert found.columns[0].wave.sampled.decimation > 1
    assert found.power["power_factor"].value == pytest.approx(math.cos(1), rel=1e-4)


def test_no_power_of_two_points_or_two_frequencies(capture):
    twice = capture(TIME, np.abs(np.sin(ANGLE)), np.sin(ANGLE), head="t (s),u (V),i (A)")
    assert analyse(twice).power == {}
    path = capture(TIME, np.sin(ANGLE), np.sin(ANGLE), head="t (s),u (V),i (A)")
    assert analyse(path, AnalysisRequest(("output.voltage", "mains.current"))).power == {}
    assert analyse(path, AnalysisRequest(("mains.voltage", "mains.current"))).power


def test_line_current_is_compared_with_class_a(capture):
    amperes = 5 * np.sin(ANGLE) + 3.0 * math.sqrt(2) * np.sin(3 * ANGLE)
    found = analyse(capture(TIME, amperes), AnalysisRequest(("mains.current",)))
    broken = [limit.order for limit in found.limits if not limit.ok]
    assert broken == [3]
    assert analyse(capture(TIME, amperes)).limits == []


@pytest.mark.parametrize(
    ("probe", "factor", "unit"),
    [("10", 10, "V"), ("10:1", 10, "V"), ("1:10", 0.1, "V"), ("100x", 100, "V"), ("100 mV/A", 10, "A")],
)
def test_probes_and_clamps(capture, probe, factor, unit):
    found = analyse(capture(TIME, np.sin(ANGLE), head="t (s),CH1 (V)"), AnalysisRequest(probes=(probe,))).first
    assert found.wave.measures["peak"].value == pytest.approx(factor, rel=1e-5)
    assert found.unit == unit


def test_columns_are_chosen_by_name(capture):
    path = capture(TIME, np.sin(ANGLE), 2 * np.sin(ANGLE), head="t (s),CH1 (V),CH2 (V)")
    found = analyse(path, AnalysisRequest(("CH2=output.voltage.rms",), ("CH2=10", "CH1=2")))
    assert (found.first.name, found.first.quantity) == ("CH2", "output.voltage")
    assert found.first.wave.measures["peak"].value == pytest.approx(20, rel=1e-5)
    assert found.columns[1].wave.measures["peak"].value == pytest.approx(2, rel=1e-5)


@pytest.mark.parametrize(
    ("question", "reason"),
    [
        (AnalysisRequest(("bogus",)), "not a wave that can be captured"),
        (AnalysisRequest(("transformer.temperature",)), "not a wave that can be captured"),
        (AnalysisRequest(("CH9=output.voltage",)), "no column 'CH9'"),
        (AnalysisRequest(("mains.current",)), "no column left for it"),
        (AnalysisRequest(("CH1=mains.current",)), "the column is in V"),
        (AnalysisRequest(probes=("ten",)), "is not a ratio"),
        (AnalysisRequest(probes=("0",)), "between"),
        (AnalysisRequest(probes=("5 mV/V",)), "is not a ratio"),
        (AnalysisRequest(probes=("CH7=10",)), "no column 'CH7'"),
        (AnalysisRequest(accuracy="3 ohms"), "--accuracy.*not a voltage"),
    ],
)
def test_requests_that_do_not_fit_are_refused(capture, question, reason):
    path = capture(TIME, np.sin(ANGLE), head="t (s),CH1 (V)")
    with pytest.raises(BadInput, match=reason):
        analyse(path, question)


def test_another_column_that_is_no_wave_is_skipped_with_a_note(capture):
    found = analyse(capture(TIME, np.sin(ANGLE), 0 * TIME, head="t (s),CH1 (V),CH2 (V)"))
    assert [one.name for one in found.columns] == ["CH1"]
    assert any("CH2 is skipped" in note for note in found.notes)


@pytest.mark.parametrize("periods", [2.0, 2.4, 3.7])
@pytest.mark.parametrize("phase", [0.0, 1.0, 2.5])
def test_a_wave_that_rises_several_times_a_period_is_measured(periods, phase):
    time = np.arange(2000) * periods / 50 / 2000
    turn = 2 * np.pi * 50 * time + phase
    shown = values(measure_wave(time, np.sin(turn) + 1.5 * np.sin(3 * turn)))
    assert shown["frequency"] == pytest.approx(50, rel=2e-3)
    assert shown["thd"] == pytest.approx(1.5, rel=2e-2)


def test_19_of_20_true_values_lie_within_the_uncertainty():
    """k = 2: of 60 captures by a noisy scope of 8 or 12 bits, at any phase and length."""
    draw = np.random.default_rng(0)
    inside = dict.fromkeys(("rms", "mean", "frequency", "peak"), 0)
    for number in range(60):
        samples, noise, bits = int(draw.integers(1500, 4000)), draw.choice([0.002, 0.02]), draw.choice([8, 12])
        time = np.arange(samples) * draw.uniform(2.2, 12) / 50 / samples
        of, mean, rms = SHAPES[("sine", "rectified", "half wave")[number % 3]]
        step = 2.0 / 2**bits
        clean = of(2 * np.pi * 50 * time + draw.uniform(0, 6.3))
        found = measure_wave(time, np.round((clean + noise * draw.normal(size=samples)) / step) * step).measures
        true = {
            "rms": math.sqrt(rms**2 + noise**2 + step**2 / 12),
            "mean": mean,
            "frequency": 100 if number % 3 == 1 else 50,
            "peak": 1.0,
        }
        for name, value in true.items():
            inside[name] += abs(found[name].value - value) <= found[name].uncertainty
    assert all(count >= 55 for count in inside.values()), inside


def distortion(size):
    """Return the distortion of a wave whose orders 1 to 40 have these sizes."""
    return math.sqrt(sum(size(order) ** 2 for order in range(2, 41))) / size(1)


COARSE = {
    # Rms and mean of amplitude 1, and the sizes of the Fourier series: closed forms.
    "square": (lambda x: np.sign(np.sin(x)), 1.0, 0.0, lambda n: n % 2 / n),
    "triangle": (lambda x: 2 / np.pi * np.arcsin(np.sin(x)), math.sqrt(1 / 3), 0.0, lambda n: n % 2 / n**2),
    "full wave": (lambda x: np.abs(np.sin(x / 2)), math.sqrt(0.5), 2 / math.pi, lambda n: 1 / (4 * n**2 - 1)),
}


@pytest.mark.parametrize("shape", COARSE)
@pytest.mark.parametrize("begin", [0.013, 0.41])
def test_the_uncertainty_of_few_samples_a_period_is_sufficient(shape, begin):
    wave, rms, mean, size = COARSE[shape]
    time = np.arange(100) / 500
    found = measure_wave(time, wave(2 * np.pi * (50 * time + begin)))
    for name, true in (("rms", rms), ("mean", mean), ("thd", distortion(size)), ("frequency", 50.0)):
        measured = found.measures[name]
        assert abs(measured.value - true) <= measured.uncertainty, name
    assert any("no order above 4" in note or "no order above 5" in note for note in found.notes)


def test_a_jump_at_the_start_adds_uncertainty_to_the_frequency():
    time = np.arange(5000) / 50_000
    found = measure_wave(time, np.where(time % 0.02 < 0.01, 1.0, -1.0)).measures["frequency"]
    assert abs(found.value - 50.0) <= found.uncertainty < 0.1


def test_two_unequal_periods_and_a_rest_are_not_one_long_period():
    time = np.arange(2000) / 50_000
    wave = np.where(time < 0.02, np.sin(2 * np.pi * 50 * time), np.sin(2 * np.pi * 62.5 * (time - 0.02)))
    with pytest.raises(DataFileError, match="does not repeat"):
        measure_wave(time, wave)


def test_a_given_frequency_that_is_weak_in_the_wave_is_noted():
    time = np.arange(5000) / 50_000
    sine = np.sin(2 * np.pi * 50 * time)
    assert any("little of the wave is at 60 Hz" in note for note in measure_wave(time, sine, frequency=60.0).notes)
    assert not measure_wave(time, sine, frequency=50.0).notes


@pytest.mark.parametrize("periods", [2.0, 5.0, 10.0])
@pytest.mark.parametrize("phase", [0.0, 0.1, 0.25])
def test_a_jump_at_the_ends_does_not_bias_the_frequency(periods, phase):
    time = np.arange(int(periods * 2000)) * 1e-5
    found = measure_wave(time, np.where((50.0 * time + phase) % 1.0 < 0.5, 3.0, -3.0)).measures["frequency"]
    # Closed form: edges 10 ms apart; they are known to a sample of 10 µs in so many periods.
    assert found.value == pytest.approx(50.0, abs=50.0 * 1e-5 / (periods / 50.0) / 2.0)
    assert abs(found.value - 50.0) <= found.uncertainty <= 0.7 / periods
