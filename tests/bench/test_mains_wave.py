"""A captured mains voltage beside the bench file gives the shape of the mains."""

import math
import tomllib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.bench import load_bench, read_bench
from benchmon.errors import BenchFileError
from benchmon.prediction import predict
from support.captures import write_capture
from support.toml_text import COMPLETE

HARMONICS = [[3, "1.8 %", "61°"], [4, "0.3 %", "-20°"], [5, "2.4 %", "180°"], [7, "0.9 %", "47°"], [25, "0.5 %", "5°"]]
BENCH = "\n".join(line for line in COMPLETE.split("\n") if not line.startswith("harmonics"))
FREQUENCY = 'frequency = "50 Hz"\n'


def mains(time, harmonics=HARMONICS, frequency=50.0, delay=0.0043):
    """Return the formula of the manual, v = √2·V1·(sin ωt + Σ h·sin(kωt + φ)), with V1 = 230 V."""
    turn = 2.0 * np.pi * frequency * (time - delay)
    parts = (
        float(size.rstrip(" %")) / 100.0 * np.sin(order * turn + math.radians(float(phase.rstrip("°"))))
        for order, size, phase in harmonics
    )
    return math.sqrt(2.0) * 230.0 * (np.sin(turn) + sum(parts))


@pytest.fixture
def bench_beside(tmp_path):
    """Return a function that writes a bench file beside a capture, and gives its path."""

    def write(time, volts, line='wave = "socket.csv"', **layout):
        write_capture(tmp_path / "socket.csv", time, volts, **layout)
        path = tmp_path / "b.toml"
        path.write_text(BENCH.replace(FREQUENCY, f"{FREQUENCY}{line}\n"), encoding="utf-8")
        return path

    return write


TIME = np.arange(4000) / 20_000.0


def test_a_capture_gives_its_harmonics(bench_beside):
    bench = load_bench(bench_beside(TIME, mains(TIME)))
    for (order, size, phase), (known, percent, degrees) in zip(bench.mains.harmonics, HARMONICS, strict=True):
        assert order == known
        assert 100.0 * size == pytest.approx(float(percent.rstrip(" %")), abs=0.005)
        assert phase == pytest.approx(float(degrees.rstrip("°")), abs=0.2) or abs(phase) == pytest.approx(
            180.0, abs=0.2
        )


@settings(max_examples=20, deadline=None)
@given(
    delay=st.floats(0.0, 0.02),
    gain=st.sampled_from([0.005, 0.1, 1.0]),
    offset=st.floats(-5.0, 5.0),
    hertz=st.floats(49.5, 50.5),
)
def test_start_probe_offset_and_frequency_do_not_matter(tmp_path_factory, delay, gain, offset, hertz):
    folder = tmp_path_factory.mktemp("wave")
    volts = gain * (mains(TIME, HARMONICS[:1], hertz, delay) + offset)
    write_capture(folder / "socket.csv", TIME, volts)
    (folder / "b.toml").write_text(BENCH.replace(FREQUENCY, f'{FREQUENCY}wave = "socket.csv"\n'), encoding="utf-8")
    ((order, size, phase),) = load_bench(folder / "b.toml").mains.harmonics
    assert order == 3
    assert size == pytest.approx(0.018, abs=1e-4)
    assert phase == pytest.approx(61.0, abs=0.5)


def test_what_is_predicted_is_what_those_harmonics_give(bench_beside):
    captured = predict(load_bench(bench_beside(TIME, mains(TIME, HARMONICS[:1])))).quantities
    line = f'harmonics = [[3, "{HARMONICS[0][1]}", "{HARMONICS[0][2]}"]]\n'
    written = read_bench(BENCH.replace(FREQUENCY, FREQUENCY + line))
    for name, expected in predict(written).quantities.items():
        assert captured[name].value == pytest.approx(expected.value, rel=1e-3), name


def test_a_session_carries_the_harmonics_themselves(bench_beside):
    path = bench_beside(TIME, mains(TIME), 'wave = "socket.csv"  # before lunch')
    bench = load_bench(path)
    assert "wave" not in tomllib.loads(bench.source)["mains"]
    assert "socket.csv" in bench.source
    assert "before lunch" in bench.source
    assert read_bench(bench.source).mains == bench.mains
    assert len(bench.source.split("\n")) == len(path.read_text(encoding="utf-8").split("\n"))


def test_a_quoted_key_is_replaced_too(bench_beside):
    path = bench_beside(TIME, mains(TIME, HARMONICS[:1]), "\"wave\" = 'socket.csv'")
    assert [order for order, _, _ in load_bench(path).mains.harmonics] == [3]


def test_noise_of_eight_bits_adds_no_harmonics(bench_beside):
    step = 2.0 * 400.0 / 256.0
    volts = step * np.round(mains(TIME, HARMONICS[:1]) / step)
    assert [order for order, _, _ in load_bench(bench_beside(TIME, volts)).mains.harmonics] == [3]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ('wave = "other.csv"', "no such file of samples"),
        ('wave = "."', "is a folder"),
        ('wave = "b.toml"', "number"),
        ('wave = "socket.csv"\nharmonics = []', "leave one of them out"),
        ('wave = "socket.csv"\nvoltage_thd = "3 %"', "leave one of them out"),
        ('wave = """socket.csv"""', "on a line of its own"),
        ("wave = 3", "string"),
    ],
)
def test_what_cannot_be_a_wave_is_refused_at_its_line(bench_beside, line, reason):
    with pytest.raises(BenchFileError, match=reason) as refused:
        load_bench(bench_beside(TIME, mains(TIME), line))
    assert "mains.wave" in str(refused.value)
    lines = BENCH.split("\n")
    assert f"b.toml:{lines.index(FREQUENCY.strip()) + 2}" in str(refused.value)


@pytest.mark.parametrize(
    ("volts", "reason"),
    [
        (mains(TIME, [], 400.0), "400 Hz"),
        (np.zeros_like(TIME), "zero throughout"),
        (mains(TIME, [[3, "60 %", "0°"]]), "50 %"),
    ],
)
def test_a_capture_of_no_mains_is_refused(bench_beside, volts, reason):
    with pytest.raises(BenchFileError, match=reason):
        load_bench(bench_beside(TIME, volts))


def test_text_without_a_folder_cannot_have_one():
    with pytest.raises(BenchFileError, match=r"mains\.wave.*file"):
        read_bench(BENCH.replace(FREQUENCY, f'{FREQUENCY}wave = "socket.csv"\n'))
