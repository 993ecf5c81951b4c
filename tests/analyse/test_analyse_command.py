"""`benchmon analyse` as a command."""

import json
import math

import numpy as np
import pytest
from click.testing import CliRunner

from benchmon.cli.main import commands, main
from benchmon.errors import BadInput
from benchmon.report import figures
from benchmon_simulated.scenarios import scenario_named

TIME = np.arange(4000) / 50_000.0
SINE = np.sin(2 * np.pi * 50 * TIME)
CONTRACT = {
    "rms",
    "mean",
    "ac_rms",
    "peak",
    "peak_to_peak",
    "frequency",
    "thd",
    "form_factor",
    "crest_factor",
}


def run(*arguments):
    """Run a command in this process; return its exit status and what it printed."""
    result = CliRunner().invoke(commands, ["analyse", *map(str, arguments)], standalone_mode=False)
    if result.exception:
        raise result.exception
    return result.return_value, result.output


def test_the_object_of_the_contract(capture):
    status, said = run(capture(TIME, 10 * SINE), "--json")
    answer = json.loads(said)
    assert status == 0
    assert set(answer["measures"]) >= CONTRACT
    assert answer["measures"]["peak"] == pytest.approx(10, rel=1e-5)
    assert answer["harmonics"][0] == [1, pytest.approx(10 / math.sqrt(2), rel=1e-5)]
    assert [order for order, _ in answer["harmonics"]] == list(range(1, 41))
    assert answer["uncertainties"]["rms"] < 1e-3
    assert answer["measures"]["ripple_factor"] is None


def test_class_a_and_power_are_in_the_object(capture):
    path = capture(TIME, 325 * SINE, 20 * SINE**3, head="t (s),u (V),i (A)")
    answer = json.loads(run(path, "--quantity", "mains.current", "--json")[1])
    assert answer["column"] == "i"
    assert answer["class_a"]["ok"] is False
    assert [one["order"] for one in answer["class_a"]["orders"] if not one["ok"]] == [3]
    assert answer["power"]["power_factor"] == pytest.approx(3 / math.sqrt(10), rel=1e-4)
    assert answer["columns"]["u"]["measures"]["rms"] == pytest.approx(325 / math.sqrt(2), rel=1e-4)


def test_tables_for_people(capture):
    path = capture(TIME, 325 * SINE, 20 * SINE**3, head="t (s),u (V),i (A)")
    status, said = run(path, "--quantity", "mains.current", "--quantity", "mains.voltage")
    assert status == 0
    for words in ("crest factor", "power factor", "class A: 1 order is above the limit", "k = 2", "mains.current"):
        assert words in said


def test_comparison_with_the_bench_file(capture):
    path = capture(TIME, 3 * np.abs(SINE))
    bench = scenario_named("bridge").path
    said = run(path, "--quantity", "output.voltage", "--bench", bench, "--mains", "230 V")[1]
    assert "disagrees" in said
    assert "Likely causes" in said
    answer = json.loads(run(path, "--quantity", "output.voltage", "--bench", bench, "--json")[1])
    assert answer["comparisons"]["output.voltage.rms"]["verdict"] == "disagrees"
    assert answer["explanations"][0]["likelihood"] <= 1


def test_a_pure_sine_has_no_distortion_in_powers_of_ten(capture):
    said = run(capture(TIME, 325.3 * SINE), "--quantity", "mains.voltage", "--bench", scenario_named("bridge").path)[1]
    [row] = [line for line in said.splitlines() if line.startswith("mains.voltage.thd")]
    assert row.split()[1:3] == ["0", "%"]


def test_every_column_and_the_power_are_compared(capture):
    """Line volts and amperes in phase: 230 V times 0.47 A are 108 W (the bridge's line, as predicted, to 1 %)."""
    path = capture(TIME, 325.3 * SINE, 0.665 * SINE, 12 * np.abs(SINE), head="t (s),u (V),i (A),o (V)")
    named = [f"--quantity={one}" for one in ("i=mains.current", "u=mains.voltage", "o=output.voltage")]
    answer = json.loads(run(path, *named, "--bench", scenario_named("bridge").path, "--json")[1])
    found = answer["comparisons"]
    assert found["mains.current.rms"]["verdict"] == "agrees"
    assert found["mains.power.active"]["value"] == pytest.approx(325.3 * 0.665 / 2, rel=1e-3)
    assert found["mains.power.active"]["verdict"] == "agrees"
    assert found["mains.power_factor"]["value"] == pytest.approx(1.0, abs=1e-3)
    assert found["output.voltage.rms"]["verdict"] == "disagrees"
    assert answer["mains_voltage"] == pytest.approx(230.0, abs=0.1)


def test_probe_frequency_and_accuracy(capture):
    path = capture(TIME[:1000], SINE[:1000], head="t (s),u (V)")
    given = ["--probe", "100 mV/A", "--frequency", "50 Hz", "--accuracy", "3 % + 20 mA", "--json"]
    answer = json.loads(run(path, *given)[1])
    assert answer["unit"] == "A"
    assert answer["measures"]["peak"] == pytest.approx(10, rel=1e-3)
    assert answer["uncertainties"]["rms"] == pytest.approx(0.03 * 7.07 + 0.02, rel=0.01)


NO_WAVES = {
    "short": (TIME[:300], SINE[:300], "two whole periods"),
    "zero": (TIME, 0 * SINE, "zero throughout"),
    "nan": (TIME, np.where(TIME > 0.04, np.nan, SINE), "no usable value"),
    "unequal": (TIME, np.sin(2 * np.pi * np.where(TIME < 0.04, 50 * TIME, 2 + 40 * (TIME - 0.04))), "periods"),
}


@pytest.mark.parametrize("case", NO_WAVES)
def test_what_is_no_wave_is_one_line_and_exit_status_2(capture, case, capsys):
    *columns, reason = NO_WAVES[case]
    assert reason in complaint([capture(*columns)], capsys)


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (["missing.csv"], "no such file"),
        (["{wave}", "--quantity", "nothing.such"], "not a wave that can be captured"),
        (["{wave}", "--probe", "many"], "not a ratio"),
        (["{wave}", "--bench", "missing.toml", "--quantity", "output.voltage"], "missing.toml"),
        (["{wave}", "--mains", "-4 V"], "above 0"),
        (["{wave}", "--frequency", "0 Hz"], "above 0"),
        (["{text}"], "'low' is not a number"),
    ],
)
def test_bad_input_is_one_line_and_exit_status_2(capture, tmp_path, arguments, reason, capsys):
    (tmp_path / "text.csv").write_text("time_s,value\n0,low\n1,low\n2,low\n")
    given = [argument.format(wave=capture(TIME, SINE), text=tmp_path / "text.csv") for argument in arguments]
    assert reason in complaint(given, capsys)


def complaint(arguments, capsys):
    """Return the one line that `benchmon analyse` exits with."""
    with pytest.raises(SystemExit) as left:
        main(["analyse", *map(str, arguments)])
    said = capsys.readouterr()
    assert (left.value.code, said.out, said.err.count("\n")) == (2, "", 1)
    assert "Traceback" not in said.err
    return said.err


def test_hostile_headings_are_shown_as_plain_text(capture):
    path = capture(TIME, SINE, head="time_s,\x1b[2J[bold]u[/bold]<script>")
    for more in ([], ["--json"]):
        said = run(path, *more)[1]
        assert "\x1b" not in said
        assert "[bold]" in said


def test_the_wave_is_drawn_in_the_terminal(capture):
    path = capture(TIME, 10 * SINE, head="t (s),u (V)")
    drawn = run(path, "--draw")[1]
    assert "V over ms" in drawn
    assert "⡇" in drawn or "⠁" in drawn or "⣀" in drawn or "⡀" in drawn
    plain = run(path, "--draw", "--ascii")[1].partition("V over ms")[0]
    assert plain.isascii()
    assert plain.count("*") > 50
    assert "dotted" in run(path, "--draw", "--quantity", "output.voltage", "--bench", scenario_named("bridge").path)[1]


def test_a_picture_is_written_whole_or_not_at_all(capture, tmp_path):
    path = capture(TIME, 10 * SINE, head="t (s),u (V)")
    run(path, "--picture", tmp_path / "wave.svg")
    assert (tmp_path / "wave.svg").read_bytes().startswith(b"<?xml")
    for name, reason in (("wave.svg", "--force"), ("wave.jpg", r"ends in \.svg"), ("none/wave.svg", "folder")):
        with pytest.raises(BadInput, match=reason):
            run(path, "--picture", tmp_path / name)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(figures, "can_draw", lambda: False)
        with pytest.raises(BadInput, match="matplotlib"):
            run(path, "--picture", tmp_path / "other.svg")
