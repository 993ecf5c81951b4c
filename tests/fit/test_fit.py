"""Estimates of parts from sessions. Against the simulated bench, which shares no physics, they are a benchmark."""

import json
import math
import sqlite3
import tomllib
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from benchmon.bench import load_bench, read_bench
from benchmon.cli.main import commands
from benchmon.errors import BadInput
from benchmon.event_kinds import EventKind
from benchmon.fit import fit, fit_as_dict, read_data
from benchmon.fit.learned import time_constants
from benchmon.fit.model import SupplyModel
from benchmon.prediction import predict
from benchmon.prediction.circuit.parts import WINDING_WARMTH
from benchmon.report.session_reader import RecordedSession
from benchmon.watch.records import Event, EventDetails
from support import written_sessions

CAPACITANCE, LOAD = "filter.0.capacitance", "load.resistance"


@pytest.fixture(scope="module")
def bench():
    return read_bench(written_sessions.text_of("reservoir").partition("# ---- The plan")[0])


@pytest.fixture(scope="module")
def write(bench, tmp_path_factory):
    """Return a function that writes the session of a supply that is `changed` from the bench file's."""
    folder = tmp_path_factory.mktemp("sessions")

    def write(name, changed="", spoil=None):
        key = 'capacitance = "10 mF"'
        real = read_bench(bench.source.replace(key, f'capacitance = "{changed}"')) if changed else bench
        expected = predict(real, mains_voltage=230.0).quantities
        return written_sessions.write_session(folder / f"{name}.benchmon", bench, expected, seconds=4, spoil=spoil)

    return write


@pytest.fixture(scope="module")
def first(write):
    return write("first", "10.8 mF")


def fitted(*paths):
    return fit_as_dict(fit(read_data([RecordedSession(path) for path in paths])))


@pytest.fixture(scope="module")
def found(first):
    return fitted(first)


def test_a_part_that_the_readings_show_is_determined(found):
    part = found["parts"][CAPACITANCE]
    assert part["determined"]
    assert abs(part["value"] - 10.8e-3) <= part["uncertainty"] < 0.5 * part["prior"][1]
    assert part["told_by"]


def test_what_they_do_not_show_stays_as_it_was_and_names_its_measurement(found):
    part = found["parts"]["mains.frequency"]
    assert not part["determined"]
    assert part["uncertainty"] == pytest.approx(part["prior"][1], rel=0.1)
    measures = {one["part"]: one["measure"] for one in found["not_determined"]}
    assert all(measures.values())
    assert "load" in measures["mains.source_resistance"]
    assert "case temperature" in measures["diode.thermal_resistance"]


def test_a_time_constant_is_that_of_the_rise_that_was_seen(bench, tmp_path):
    """A case warms with one time constant of 55 s, where the bench file gives 40 s; it is read to 0.1 K."""

    def values(channel, now, value):
        if channel.quantity != "diode.temperature.case":
            return value
        return round(24.0 + 45.0 * (1.0 - math.exp(-now / 55.0)), 1)

    expected = predict(bench, mains_voltage=230.0).quantities
    path = written_sessions.write_session(
        tmp_path / "warm.benchmon", bench, expected, seconds=160, rate=0.25, values=values
    )
    data = read_data([RecordedSession(path)])
    [found] = time_constants(data)
    assert found.part == "diode.thermal_time_constant"
    assert found.is_determined
    assert abs(found.value - 55.0) <= found.uncertainty < 0.25 * 55.0
    assert found.shown_by == ("diode case",)
    written = tmp_path / "learned.toml"
    answer = CliRunner().invoke(commands, ["fit", str(path), "-o", str(written)], standalone_mode=False)
    assert answer.exception is None
    assert load_bench(written).diode.thermal_time_constant == pytest.approx(found.value, rel=1e-4)


def test_a_temperature_that_stands_still_shows_no_time_constant(first):
    assert not list(time_constants(read_data([RecordedSession(first)])))


def test_readings_of_the_model_itself_agree(found):
    chi_square, freedom = found["agreement"]
    assert chi_square < freedom
    assert found["outliers"] == []


def test_the_sum_of_squares_rises_as_the_covariance_says(first):
    """Along the line on which all unknowns follow the capacitance, it is a parabola: δ² at δ deviations."""
    posterior = fit(read_data([RecordedSession(first)])).posterior
    model, k = posterior.model, next(k for k, one in enumerate(posterior.model.unknowns) if one.part == CAPACITANCE)
    values = np.array([one.value for one in model.data.readings])
    direction = posterior.covariance[:, k] / posterior.deviations[k]
    for deviations in (-0.7, 0.7):
        u = posterior.u + deviations * direction
        residuals = posterior.weights * (values - model.evaluate(u).values)
        assert residuals @ residuals + u @ u - posterior.chi_square == pytest.approx(deviations**2, rel=0.3)


def test_a_learned_file_says_how_warm_the_load_gets(tmp_path):
    """From cold to warm the load's resistance tells its rise: (R2 - R1)/(R1·α), as IEC 60335-1 has it for windings."""
    alpha, true, rating = 4e-3, 60.0, 100.0
    steps = '[[step]]\nname = "cold"\n[[step]]\nname = "warm"\n'
    text = written_sessions.text_of("reservoir").partition("# ---- The plan")[0] + steps
    keys = f'temperature_coefficient = "{alpha} 1/K"\npower_rating'
    rated = text.replace("power_rating", keys).replace('power_rating = "150 W"', f'power_rating = "{rating} W"')
    bench = read_bench(rated)
    warm = bench.load.model_copy(update={"temperature_rise": true})
    cold = bench.load.model_copy(update={"temperature_coefficient": 0.0})
    readings = [predict(bench.model_copy(update={"load": one}), mains_voltage=230.0).quantities for one in (cold, warm)]
    path = tmp_path / "long.benchmon"
    file = written_sessions.SessionBeingWritten(path, bench)
    for place, (begin, end) in enumerate(((0, 8), (8, 2400))):
        if place:
            file.put(Event(float(begin), "", EventKind.STEP_DONE, "done", EventDetails(step=place)))
        file.put(Event(float(begin), "", EventKind.STEP_BEGUN, "step", EventDetails(step=place + 1)))
        for second in range(max(begin + 1, end - 60), end):
            for channel in bench.channel:
                known = readings[place][channel.quantity]
                file.read(channel, float(second), known.value, known)
    file.finish(2400.0, True)
    out = tmp_path / "learned.toml"
    assert CliRunner().invoke(commands, ["fit", str(path), "-o", str(out)]).exit_code == 0
    learned = load_bench(out)
    known = next(one for one in learned.learned if one.part == "load.temperature_rise")
    ohms = [one["output.voltage.mean"].value / one["output.current.mean"].value for one in readings]
    power = readings[1]["load.power.mean"].value
    # The first resistance is that at 25 °C, to which coefficients of resistors are stated.
    celsius = 25.0 + (ohms[1] - ohms[0]) / (ohms[0] * alpha)
    by_resistance = (celsius - bench.ambient.temperature) * rating / power
    assert by_resistance == pytest.approx(true, rel=0.02)
    assert learned.load.temperature_rise == pytest.approx(by_resistance, rel=known.uncertainty)
    assert 0.2 <= known.uncertainty < 0.5, "another day's air is another, whatever one session shows"
    before, after = (predict(one, mains_voltage=230.0).quantities["load.temperature"] for one in (bench, learned))
    assert after.uncertainty < 0.5 * before.uncertainty


def test_windings_are_as_warm_as_the_bench_file_holds_them(first):
    data = read_data([RecordedSession(first)])

    def model(**temperatures):
        windings = data.bench.transformer.model_copy(update=temperatures)
        return SupplyModel(replace(data, bench=data.bench.model_copy(update={"transformer": windings})))

    held = model(resistance_temperature=20.0, winding_temperature=90.0)
    sizes, without = ({one.part: one.size for one in each.unknowns} for each in (held, model()))
    # What is measured at a known temperature is known better, and leaves no temperature to look for.
    assert WINDING_WARMTH in without.keys() - sizes.keys()
    assert sizes["transformer.primary_resistance"] < without["transformer.primary_resistance"]
    found = held.evaluate(np.zeros(len(held.unknowns))).values
    condition = data.conditions[0]
    expected = predict(held.data.bench, mains_voltage=condition.mains, ambient=condition.ambient).quantities
    for reading, value in zip(data.readings, found.tolist(), strict=True):
        assert value == pytest.approx(expected[reading.name].value, rel=2e-3), reading.name


def test_a_load_is_as_warm_as_the_time_since_power_on_lets_it_be(first):
    """Cold it has the resistance of the bench file, warm that of the prediction, which takes it as settled."""
    data = read_data([RecordedSession(first)])

    def output(since, coefficient):
        load = data.bench.load.model_copy(update={"temperature_coefficient": coefficient, "power_rating": 100.0})
        conditions = tuple(replace(one, since=since) for one in data.conditions)
        model = SupplyModel(replace(data, bench=data.bench.model_copy(update={"load": load}), conditions=conditions))
        values = model.evaluate(np.zeros(len(model.unknowns))).values.tolist()
        return dict(zip((one.name for one in data.readings), values, strict=True))["diode.current.mean"]

    cold, plain = output(0.01, 4e-4), output(0.01, 0.0)
    assert cold == pytest.approx(plain, rel=1e-3)
    # 4e-4 a kelvin and well over a hundred kelvins.
    assert output(1e5, 4e-4) < 0.97 * output(1e5, 0.0)


@pytest.mark.long
def test_a_reading_that_is_wrong_is_named_and_left_out(write):
    found = fitted(write("wrong", "10.8 mF", {"output.voltage.mean": 1.1}))
    assert [one["channel"] for one in found["outliers"]] == ["output"]
    part = found["parts"][CAPACITANCE]
    assert abs(part["value"] - 10.8e-3) <= part["uncertainty"]


def test_a_fit_ends_where_either_of_two_readings_may_be_wrong(write):
    spoil = {"output.voltage.mean": 1.04, "diode.current.mean": 1.12}
    found = fit(read_data([RecordedSession(write("either", spoil=spoil))]))
    # What is named is exactly what does not count.
    assert {one.reading for one in found.outliers} == set(np.flatnonzero(found.posterior.weights == 0.0).tolist())
    assert found.outliers


@pytest.mark.long
def test_a_capacitor_that_dried_between_two_sessions_is_found(write, first):
    found = fitted(first, write("later", "8.1 mF"))
    change = found["changes"][0]
    assert change["part"] == CAPACITANCE
    assert change["session"].endswith("later.benchmon")
    assert abs(change["change"] - (8.1 / 10.8 - 1.0)) <= max(change["uncertainty"], 0.01)
    assert change["uncertainty"] < 0.05
    assert len(found["changes"]) == 1


@pytest.mark.long
def test_a_meter_that_was_an_outlier_shows_no_change_of_a_part(write):
    sessions = (write(f"off {by}", spoil={"output.voltage.mean": by}) for by in (1.1, 1.2))
    found = fitted(*sessions)
    assert found["changes"] == []
    assert {one["channel"] for one in found["outliers"]} == {"output"}


def test_the_command_writes_a_bench_file_that_knows_more(first, bench, tmp_path):
    out = tmp_path / "learned.toml"
    answer = CliRunner().invoke(commands, ["fit", str(first), "-o", str(out), "--json"], standalone_mode=False)
    assert {"parts", "not_determined", "agreement"} <= json.loads(answer.output).keys()
    text = out.read_text(encoding="utf-8")
    assert "# the reservoir" in text
    assert tomllib.loads(text)["transformer"].keys() >= {"open_circuit_voltage", "primary_resistance"}
    learned = load_bench(out)
    assert learned.filter[0].capacitance == pytest.approx(10.8e-3, rel=0.03)
    # The label's full-load voltage is not in the file any more, and follows from what was learned.
    assert learned.transformer.rated_voltage is None
    assert learned.transformer.full_load_voltage == pytest.approx(bench.transformer.rated_voltage, rel=0.01)
    before, after = (predict(one, mains_voltage=230.0).quantities for one in (bench, learned))
    ripple = "reservoir.voltage.ripple"
    assert after[ripple].uncertainty < 0.5 * before[ripple].uncertainty
    # The label does not say at which temperature the resistances hold; what was learned is so at the bench file's.
    assert learned.transformer.resistance_temperature == bench.ambient.temperature
    coefficients = [size for one in learned.learned for _, size in one.correlated]
    assert coefficients
    assert all(0.01 <= abs(size) <= 0.999 for size in coefficients)
    assert predict(learned).quantities  # and it may be learned from again
    again = CliRunner().invoke(commands, ["fit", str(first), "-o", str(out)], standalone_mode=False)
    assert isinstance(again.exception, BadInput)


@pytest.mark.long
def test_steps_with_other_loads_are_conditions_of_their_own(bench, tmp_path):
    text = bench.source + '[[step]]\nname = "loaded"\n[[step]]\nname = "light"\nload = "12 Ω"\n'
    planned = read_bench(text)
    loads = [predict(planned, mains_voltage=230.0, load=load).quantities for load in (None, 12.0)]

    def values(channel, now, value):
        known = loads[int(now > 4.75)].get(channel.quantity)
        return known.value if known else value

    happened = ((0.0, EventKind.STEP_BEGUN, 1), (4.74, EventKind.STEP_DONE, 1), (4.75, EventKind.STEP_BEGUN, 2))
    steps = [Event(time, "", kind, f"step {number}", EventDetails(step=number)) for time, kind, number in happened]
    path = written_sessions.write_session(
        tmp_path / "steps.benchmon", planned, loads[0], seconds=10, values=values, more=steps
    )
    data = read_data([RecordedSession(path)])
    assert [one.load for one in data.conditions] == [None, 12.0]
    found = fit_as_dict(fit(data))
    assert found["outliers"] == []
    assert found["parts"][LOAD]["value"] == pytest.approx(6.2, rel=0.01)


def test_sessions_of_several_units_are_refused(first, tmp_path):
    paths = []
    for serial in ("A-1", "A-2"):
        path = tmp_path / f"{serial}.benchmon"
        path.write_bytes(first.read_bytes())
        with closing(sqlite3.connect(path)) as connection, connection:
            connection.execute("INSERT INTO facts VALUES ('serial', ?)", (serial,))
        paths.append(path)
    with pytest.raises(BadInput, match="several units, A-1, A-2"):
        read_data([RecordedSession(path) for path in paths])
