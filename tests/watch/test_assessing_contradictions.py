"""`benchmon assess` over small logs by hand: each contradiction is named, with the wrong channel as its culprit."""

import json

import pytest
from click.testing import CliRunner

from benchmon.bench import read_bench
from benchmon.cli.main import commands
from benchmon.prediction import predict
from benchmon.watch.diagnosis.explainer import Explainer
from support.supplies import RESERVOIR, supply

SUPPLY = supply(base=RESERVOIR)

METER = '[[instrument]]\nname = "meter"\ndriver = "scpi"\n'
QUANTITIES = {
    "volts": "mains.voltage.rms",
    "amperes": "mains.current.rms",
    "watts": "mains.power.active",
    "factor": "mains.power_factor",
    "distortion": "mains.current.thd",
    "crest": "mains.current.crest_factor",
    "rms": "output.voltage.rms",
    "mean": "output.voltage.mean",
    "again": "output.voltage.mean",
    "peak": "output.voltage.peak",
    "form": "output.voltage.form_factor",
    "load current": "output.current.mean",
    "output power": "output.power.mean",
    "diode": "diode.current.mean",
}
PREDICTED = predict(read_bench(SUPPLY)).quantities
RIGHT = {name: PREDICTED[quantity].value for name, quantity in QUANTITIES.items()}

# What is read, which of it is made wrong and by what factor, and words of the rule that must be named.
WRONG = [
    (("volts", "amperes", "watts"), "watts", 2.0, "active power is at most volts × amperes"),
    (("volts", "amperes", "watts"), "amperes", 0.5, "active power is at most volts × amperes"),
    (("factor", "distortion"), "factor", 0.98 / RIGHT["factor"], "power factor is at most 1/√(1 + THD²)"),
    (("factor", "distortion"), "distortion", 3.0, "power factor is at most 1/√(1 + THD²)"),
    (("rms", "mean"), "rms", 0.95, "an rms is at least the mean"),
    (("rms", "mean"), "mean", 1.05, "an rms is at least the mean"),
    (("form", "volts"), "form", 0.9, "a form factor is at least 1"),
    (("peak", "rms"), "peak", 0.8, "a peak is at least the rms"),
    (("peak", "rms"), "rms", 1.3, "a peak is at least the rms"),
    (("volts", "amperes", "watts", "factor"), "factor", 0.8, "power factor × volts × amperes is active power"),
    (("volts", "amperes", "watts", "factor"), "amperes", 1.2, "power factor × volts × amperes is active power"),
    (("output power", "watts"), "watts", 0.5, "what goes out comes in"),
    (("output power", "watts"), "output power", 2.0, "what goes out comes in"),
    (("mean", "load current"), "load current", 1.2, "mean volts ÷ mean amperes is the load"),
    (("mean", "load current"), "mean", 1.2, "mean volts ÷ mean amperes is the load"),
    (("diode", "load current"), "diode", 2.0, "one diode's mean current is its share of the load's"),
    (("diode", "load current"), "load current", 0.5, "one diode's mean current is its share of the load's"),
    (("crest", "volts"), "crest", 0.8 / RIGHT["crest"], "a crest factor is at least 1"),
    (("mean", "again"), "again", 1.1, "two meters on one quantity agree"),
    (("mean", "again"), "mean", 0.9, "two meters on one quantity agree"),
]


@pytest.fixture(autouse=True)
def without_causes(monkeypatch):
    """Leave out the causes, which other tests ask for: to work them out for each bench takes most of the time."""
    monkeypatch.setattr(Explainer, "explain", lambda *_: [])


def implausible(folder, read, wrong=None, factor=1.0):
    """Return the messages of contradictions that `assess` finds in half a minute's log."""
    lines = [SUPPLY, METER]
    for name in read:
        lines.append(f'[[channel]]\nname = "{name}"\ninstrument = "meter"\nquantity = "{QUANTITIES[name]}"')
        lines.append('accuracy = "0.5 %"\nperiod = "1 s"')
    bench, log = folder / "bench.toml", folder / "readings.csv"
    bench.write_text("\n".join(lines), encoding="utf-8")
    rows = ["time_s,channel,value"]
    for second in range(30):
        rows += [f"{second},{name},{RIGHT[name] * (factor if name == wrong else 1.0)}" for name in read]
    log.write_text("\n".join(rows), encoding="utf-8")
    found = CliRunner().invoke(commands, ["assess", str(bench), str(log), "--json"], standalone_mode=False)
    assert found.exception is None, found.output
    return [event["message"] for event in json.loads(found.output)["events"] if event["kind"] == "implausible"]


@pytest.mark.parametrize(("read", "wrong", "factor", "rule"), WRONG, ids=lambda one: str(one)[:30])
def test_a_contradiction_is_named_with_its_culprit(tmp_path, read, wrong, factor, rule):
    messages = [message for message in implausible(tmp_path, read, wrong, factor) if rule in message]
    assert messages
    alone = rule.startswith(("a form", "a crest"))
    assert (f"{wrong} is the likelier culprit" in messages[0]) or (alone and messages[0].startswith(wrong))


def test_right_readings_contradict_nothing(tmp_path):
    assert implausible(tmp_path, tuple(QUANTITIES)) == []
