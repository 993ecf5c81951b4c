"""`benchmon predict`: the contract's JSON, the table, and bad input in one line."""

import json
import re
import subprocess
import sys

import pytest

from benchmon.cli.main import commands, main
from benchmon_simulated.scenarios import scenario_named
from support.supplies import supply

BENCH = supply(
    "Test bench",
    mains={"tolerance": "6 %"},
    transformer={"open_circuit_voltage": "20 V", "primary_resistance": "20 Ω", "secondary_resistance": "0.4 Ω"},
    diode={"series_resistance": "20 mΩ"},
    filter=[{"kind": "capacitor", "capacitance": "4.7 mF"}],
)
LINE_OF_THE_LOAD = 1 + BENCH.splitlines().index('resistance = "22 Ω"')


@pytest.fixture
def bench(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text(BENCH, encoding="utf-8")
    return path


def run(capsys, *arguments):
    with pytest.raises(SystemExit) as leaving:
        main([str(argument) for argument in arguments])
    captured = capsys.readouterr()
    return leaving.value.code, captured.out, captured.err


def test_json_has_the_form_of_the_contract(bench, capsys):
    status, out, err = run(capsys, "predict", bench, "--json")
    said = json.loads(out)
    assert (status, err) == (0, "")
    assert said["title"] == "Test bench"
    assert said["mains"] == {"voltage": 230.0, "frequency": 50.0}
    rms = said["quantities"]["output.voltage.rms"]
    assert set(rms) == {"value", "uncertainty", "unit"}
    assert rms["unit"] == "V"
    assert 20 < rms["value"] < 28 * 2**0.5
    assert [order for order, _ in said["harmonics"]["mains.current"]] == list(range(1, 41))


def test_a_measured_mains_moves_the_values_and_narrows_the_band(bench, capsys):
    nominal = json.loads(run(capsys, "predict", bench, "--json")[1])
    measured = json.loads(run(capsys, "predict", bench, "--mains", "241 V", "--json")[1])
    before, after = (said["quantities"]["output.voltage.mean"] for said in (nominal, measured))
    assert measured["mains"]["voltage"] == 241.0
    assert after["value"] > before["value"] * 1.04
    assert after["uncertainty"] < before["uncertainty"] / 2


def test_the_table_names_quantities_units_and_cautions(bench, capsys):
    status, out, _ = run(capsys, "predict", bench)
    assert status == 0
    assert "voltage.ac_rms" in out
    assert " V\n" in out
    assert "no protective device" in out


def test_what_is_below_zero_has_a_true_minus(tmp_path, capsys):
    path = tmp_path / "cold.toml"
    path.write_text(supply(ambient={"temperature": "-20 °C"}), encoding="utf-8")
    _, out, _ = run(capsys, "predict", path)
    assert "−20 °C" in out
    assert "-20" not in out


@pytest.mark.parametrize(
    ("change", "names"),
    [
        (('resistance = "22 Ω"', 'resistance = "-22 Ω"'), ["load.resistance", "-22", f":{LINE_OF_THE_LOAD}:"]),
        (("[load]", "[lode]"), ["lode"]),
        (('"10 nA"', '"10 nV"'), ["saturation_current", "nV"]),
        (("title", "[title"), ["TOML"]),
        (('kind = "bridge"', 'kind = "centre tap"'), ["centre tap", "secondaries"]),
    ],
)
def test_a_bad_bench_file_is_one_line_and_exit_2(tmp_path, capsys, change, names):
    path = tmp_path / "bad.toml"
    path.write_text(BENCH.replace(*change), encoding="utf-8")
    status, out, err = run(capsys, "predict", path)
    assert (status, out) == (2, "")
    assert err.count("\n") == 1
    assert all(name in err for name in names), err


@pytest.mark.parametrize(
    "arguments",
    [
        ("predict", "no-such-file.toml"),
        ("predict", "/"),
        ("predict",),
        ("predict", "{bench}", "--mains", "241 A"),
        ("predict", "{bench}", "--mains", "-1"),
        ("predict", "{bench}", "--mains", "nan"),
        ("predict", "{bench}", "--ambient", "-300 °C"),
        ("predict", "{bench}", "--ambient", "hot"),
        ("no-such-command",),
        ("predict", "{bench}", "--no-such-option"),
        ("run", "{bench}", "--headless"),
        ("run", "{bench}", "--headless", "--guess"),
        ("demo", "--headless", "--guess"),
        ("run", "{bench}"),
        ("attach", "no-such-session"),
        ("replay", "{bench}"),
        ("simulate", "{bench}"),
        ("demo", "no-such-scenario"),
    ],
)
def test_bad_input_is_one_line_and_exit_2(bench, capsys, arguments):
    status, out, err = run(capsys, *(argument.replace("{bench}", str(bench)) for argument in arguments))
    assert (status, out) == (2, "")
    assert err.startswith("benchmon: ")
    assert err.count("\n") == 1
    assert "Traceback" not in err


def test_control_codes_in_an_argument_reach_no_terminal(capsys):
    _, _, err = run(capsys, "predict", "\x1b[31mred.toml")
    assert "\x1b" not in err


def test_help_lists_each_command_once_with_a_whole_sentence(capsys):
    status, out, _ = run(capsys, "--help")
    assert status == 0
    listed = re.findall(r"^  ([a-z]+)  +[A-Z].*\.$", out, re.MULTILINE)
    assert sorted(listed) == sorted(commands.commands)
    assert "..." not in out.partition("Options")[2]


def test_help_and_version_import_no_screen_and_no_numbers():
    code = (
        "import sys\nfrom benchmon.cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "print(sorted({'textual', 'numpy', 'pyvisa', 'pydantic', 'serial'} & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"
    assert "predict" in done.stdout


@pytest.mark.parametrize("arguments", [["run", "--headless", "--for", "-3"], ["demo", "--headless", "--for", "0 s"]])
def test_a_recording_of_no_time_is_refused(arguments, bench, capsys):
    name = [str(bench)] if arguments[0] == "run" else []
    with pytest.raises(SystemExit) as ended:
        main([*arguments, *name])
    assert ended.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert "--for" in said.err
    assert "must be above 0" in said.err
    assert len(said.err.splitlines()) == 1


@pytest.mark.parametrize("scenario", ["reservoir", "centre-tap", "doubler", "regulated", "split-rail"])
def test_a_check_fits_eighty_columns_and_ends_with_its_verdict(capsys, scenario):
    status, out, _ = run(capsys, "check", scenario_named(scenario).path)
    lines = out.splitlines()
    assert max(map(len, lines)) <= 80
    if status == 0:
        assert lines[-1] == "Every rating in the bench file is kept."
    else:
        assert "NOT READY FOR POWER. Exceeded: " in out.rpartition("\n\n")[2]


def test_stored_charge_is_a_caution_only_where_something_stores_it(tmp_path, bench, capsys):
    without = tmp_path / "without.toml"
    without.write_text(BENCH[: BENCH.index("[[filter]]")] + BENCH[BENCH.index("[load]") :], encoding="utf-8")
    assert "a reservoir stays charged" in run(capsys, "predict", bench)[1]
    assert "reservoir" not in run(capsys, "predict", without)[1].rpartition("Mains voltage kills")[2]


PLAN = """
[[step]]
name = "half, unloaded"
mains = "115 V"
load = "open"
[[step]]
name = "half, light load"
load = "100 Ω"
"""


def output_of(capsys, *arguments):
    status, out, err = run(capsys, "predict", *arguments, "--json")
    assert (status, err) == (0, "")
    said = json.loads(out)
    return said["mains"]["voltage"], said["quantities"]["output.voltage.mean"]["value"]


def test_a_step_is_predicted_at_its_mains_and_load(bench, capsys):
    """Without load a reservoir holds the peak: 20 V rms at half the mains are 14.1 V, less one or two small drops."""
    bench.write_text(BENCH + PLAN, encoding="utf-8")
    volts, unloaded = output_of(capsys, bench, "--step", "half, unloaded")
    assert volts == 115.0
    assert 12.5 < unloaded < 14.2
    light = output_of(capsys, bench, "--step", "half, light load")
    assert light == output_of(capsys, bench, "--mains", "115 V", "--load", "100 Ω")
    assert light[1] < unloaded
    assert output_of(capsys, bench, "--load", "open")[1] == pytest.approx(2 * unloaded, rel=0.1)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--step", "nowhere"], "is not a step of this plan; there is none"),
        (["--load", "-3 Ω"], "must be above 0"),
        (["--load", "some"], "--load"),
        (["--load", "3 V"], "--load"),
    ],
)
def test_a_step_or_load_that_is_none_is_refused_in_one_line(bench, capsys, arguments, words):
    status, out, err = run(capsys, "predict", bench, *arguments)
    assert (status, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1


def test_why_leads_from_the_handbook_to_the_value_of_the_table(bench, capsys):
    table = json.loads(run(capsys, "predict", bench, "--json")[1])["quantities"]["output.voltage.mean"]
    status, out, _ = run(capsys, "predict", bench, "--why", "output.voltage.mean", "--json")
    found = json.loads(out)
    assert status == 0
    assert found["value"] == pytest.approx(table["value"])
    assert found["uncertainty"] == pytest.approx(table["uncertainty"])
    assert found["handbook"]["steps"][0]["value"] == pytest.approx(20 * 2**0.5)
    text = run(capsys, "predict", bench, "--why", "output.voltage.mean")[1]
    assert "less two drops of 0.7 V" in text
    assert "JCGM 100" in text


def test_why_refuses_what_is_no_quantity(bench, capsys):
    status, _, err = run(capsys, "predict", bench, "--why", "output.volts")
    assert status == 2
    assert "'output.volts': is not a quantity" in err


SWEEP = '[[sweep]]\nname = "regulation"\nover = "load.current"\nvalues = ["open", "0.5 A", "1 A"]\n'


def test_a_sweep_is_a_table_with_figures_and_a_plot_or_an_object(bench, capsys):
    bench.write_text(BENCH + SWEEP, encoding="utf-8")
    status, out, _ = run(capsys, "predict", bench, "--sweep", "regulation")
    assert status == 0
    assert [line.split()[0] for line in out.splitlines() if "%" in line][:2] == ["open", "500.0"]
    assert "output resistance" in out
    assert "output.voltage.mean, V, over load.current, A" in out
    assert max(len(line) for line in out.splitlines()) <= 80
    found = json.loads(run(capsys, "predict", bench, "--sweep", "regulation", "--json")[1])
    assert [point["value"] for point in found["points"]] == [0.0, 0.5, 1.0]
    assert found["points"][2]["quantities"]["output.current.mean"]["value"] == pytest.approx(1.0)
    assert {figure["name"] for figure in found["figures"]} == {"load regulation", "output resistance"}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (SWEEP.replace('"1 A"', '"1 V"'), "which is not a current"),
        (SWEEP.replace('"1 A"', '"0.5 A"'), "has a value twice"),
        (SWEEP.replace("load.current", "mains.voltage").replace(" A", " V"), "is not a voltage"),
        (SWEEP.replace('"1 A"', '"-1 A"'), "must be above 0"),
    ],
)
def test_a_sweep_that_cannot_be_is_refused_with_its_key(bench, capsys, text, words):
    bench.write_text(BENCH + text, encoding="utf-8")
    status, _, err = run(capsys, "predict", bench, "--sweep", "regulation")
    assert status == 2
    assert "values" in err
    assert words in err


def test_a_sweep_that_is_not_there_is_refused_with_those_that_are(bench, capsys):
    bench.write_text(BENCH + SWEEP, encoding="utf-8")
    status, _, err = run(capsys, "predict", bench, "--sweep", "line")
    assert status == 2
    assert "'regulation'" in err
    status, _, err = run(capsys, "predict", bench, "--quantity", "output.voltage.mean")
    assert (status, "--sweep" in err) == (2, True)


def test_parts_are_chosen_or_the_answer_is_no(bench, capsys):
    status, out, _ = run(capsys, "choose", bench, "--ripple", "1 V", "--fuse")
    assert status == 0
    assert "is the smallest that keeps output.voltage.ripple within 1.00 V" in " ".join(out.split())
    assert "time-lag:" in out
    assert max(len(line) for line in out.splitlines()) <= 80
    found = json.loads(run(capsys, "choose", bench, "--ripple", "1 V", "--json")[1])
    assert found["reservoir"]["chosen"]["suffices"] is True
    assert "fuse" not in found
    assert run(capsys, "choose", bench, "--ripple", "0.1 mV")[0] == 1
    status, _, err = run(capsys, "choose", bench)
    assert (status, "--fuse" in err) == (2, True)
