"""Every key of the bench file is read, and what is wrong is said in one line with key, value, reason and line."""

import os
import threading

import pytest

from benchmon.bench import (
    Accuracy,
    Ambient,
    Capacitor,
    Choke,
    CurrentLoad,
    OpenLoad,
    ResistorLoad,
    SeriesResistor,
    load_bench,
    read_bench,
)
from benchmon.bench.topology import TOPOLOGIES
from benchmon.errors import BadInput, BenchFileError
from support.supplies import supply
from support.toml_text import COMPLETE


def refused(text: str) -> str:
    with pytest.raises(BenchFileError) as caught:
        read_bench(text, "b.toml")
    message = str(caught.value)
    assert message.isprintable()
    assert len(message) <= 400
    return message


def changed(old: str, new: str, *, times: int = 1) -> str:
    assert COMPLETE.count(old) >= times, old
    return COMPLETE.replace(old, new, times)


def line_in(text: str, part: str) -> int:
    return next(number for number, line in enumerate(text.split("\n"), 1) if part in line)


def test_every_key_is_read():
    bench = read_bench(COMPLETE)
    assert bench.title == "workshop supply"
    assert bench.mains.model_dump() == {
        "voltage": 230.0,
        "frequency": 50.0,
        "wave": None,
        "tolerance": pytest.approx(0.06),
        "source_resistance": 0.4,
        "voltage_thd": None,
        "harmonics": ((3, pytest.approx(0.018), 61.0), (5, pytest.approx(0.024), 180.0)),
    }
    t = bench.transformer
    assert (t.primary_voltage, t.secondaries, t.connection, t.rating) == (230.0, 2, "series", 50.0)
    assert (t.open_circuit_voltage, t.primary_resistance, t.secondary_resistance) == (18.6, 12.0, 0.31)
    assert (t.leakage_inductance, t.no_load_current, t.no_load_loss) == pytest.approx((90e-6, 28e-3, 3.1))
    assert bench.fuse is not None
    assert (bench.fuse.rating, bench.fuse.speed, bench.fuse.melting_i2t) == (0.63, "time-lag", 1.2)
    assert bench.fuse.resistance == 0.5
    assert bench.ntc is not None
    assert bench.ntc.model_dump() == pytest.approx(
        {"r25": 10.0, "beta": 2900.0, "dissipation_factor": 0.017, "time_constant": 70.0, "max_current": 4.0}
    )
    assert bench.rectifier.kind == "bridge"
    d = bench.diode
    assert d.forward == ((0.72, 0.1), (0.95, 3.0))
    assert (d.mean_current_rating, d.surge_current_rating, d.reverse_voltage_rating) == (3.0, 125.0, 400.0)
    assert (d.thermal_resistance, d.thermal_time_constant, d.max_junction) == (18.0, 9.0, 150.0)
    first, second, third, fourth = bench.filter
    assert first == Capacitor(
        kind="capacitor",
        capacitance=4.7e-3,
        esr=0.04,
        tolerance=0.2,
        voltage_rating=63.0,
        ripple_current_rating=3.2,
    )
    assert second == SeriesResistor(kind="resistor", resistance=0.47)
    assert third == Choke(kind="choke", inductance=0.012, resistance=0.2)
    assert fourth == Capacitor(kind="capacitor", capacitance=2.2e-3)
    assert bench.reservoir == first
    assert bench.regulator is not None
    assert bench.regulator.model_dump() == pytest.approx(
        {
            "output_voltage": 24.0,
            "dropout": 1.8,
            "quiescent_current": 6e-3,
            "thermal_resistance": 4.0,
            "thermal_time_constant": 300.0,
            "max_junction": 125.0,
            "ripple_rejection": 62.0,
            "noise": 1e-4,
        }
    )
    assert isinstance(bench.load, ResistorLoad)
    assert (bench.load.resistance, bench.load.power_rating) == (22.0, 50.0)
    assert bench.load.temperature_coefficient == pytest.approx(1e-4)
    assert bench.ambient == Ambient(temperature=23.0)
    assert bench.source == COMPLETE


def test_instruments_channels_steps_and_the_switch_are_read():
    bench = read_bench(COMPLETE)
    (instrument,) = bench.instrument
    assert (instrument.name, instrument.driver, instrument.address) == (
        "meter one",
        "scpi",
        "TCPIP::127.0.0.1::5025::SOCKET",
    )
    assert instrument.driver_keys == {"query": "READ?"}
    output, case = bench.channel
    assert (output.name, output.instrument, output.quantity, output.unit) == (
        "output",
        "meter one",
        "output.voltage.mean",
        "V",
    )
    assert output.accuracy == Accuracy(pytest.approx(0.005), pytest.approx(0.02))
    assert output.accuracy.of(-24.0) == pytest.approx(0.14)
    assert output.period == 0.5
    assert (output.trip_below, output.warn_below, output.warn_above, output.trip_above) == (22.0, 23.0, 25.0, 26.0)
    assert output.driver_keys == {"command": "MEAS:VOLT:DC?"}
    assert (case.unit, case.accuracy.absolute, case.trip_above) == ("°C", 1.5, 110.0)
    first, second = bench.step
    assert (first.mains, first.load, first.hold, first.needs) == (120.0, "open", 20.0, ("output",))
    assert (second.mains, second.load, second.hold, second.needs) == (None, 47.0, 0.0, ())
    assert bench.switch_off is not None
    assert (bench.switch_off.instrument, bench.switch_off.driver_keys) == ("meter one", {"command": "OUTP OFF"})


def test_other_forms_of_diode_transformer_and_load_are_read():
    shockley = 'saturation_current = "2 nA"\nemission_coefficient = 1.8\nseries_resistance = "15 mΩ"'
    text = changed('forward = [["0.72 V", "0.1 A"], ["0.95 V", "3 A"]]', shockley)
    diode = read_bench(text).diode
    assert (diode.saturation_current, diode.emission_coefficient, diode.series_resistance) == (2e-9, 1.8, 0.015)
    measured = 'open_circuit_voltage = "18.6 V"\nprimary_resistance = "12 Ω"\nsecondary_resistance = "0.31 Ω"'
    rated = read_bench(changed(measured, 'rated_voltage = "18 V"\nregulation = "12 %"')).transformer
    assert rated.open_circuit_voltage == pytest.approx(18.0 * 1.12)
    assert rated.secondary_resistance > 0
    assert rated.primary_resistance > 0
    load = 'kind = "resistor"\nresistance = "22 Ω"\npower_rating = "50 W"\ntemperature_coefficient = "100 ppm/K"'
    assert read_bench(changed(load, 'kind = "current"\ncurrent = "1.2 A"')).load == CurrentLoad(
        kind="current", current=1.2
    )
    assert read_bench(changed(load, 'kind = "open"')).load == OpenLoad(kind="open")


@pytest.mark.parametrize("kind", TOPOLOGIES)
def test_every_rectifier_is_read(kind):
    text = changed('kind = "bridge"', f'kind = "{kind}"')
    if TOPOLOGIES[kind].second_winding is not None:
        text = text.replace('connection = "series"', "")
    assert read_bench(text).rectifier.kind == kind


def test_two_bridges_need_a_winding_each_and_only_theirs_are_joined():
    with pytest.raises(BenchFileError, match=r'transformer\.connection = "series": joins the windings'):
        read_bench(changed('kind = "bridge"', 'kind = "two bridges"'))
    with pytest.raises(BenchFileError, match=r"rectifier\.outputs.* is for two bridges"):
        read_bench(changed('kind = "bridge"', 'kind = "bridge"\noutputs = "stacked"'))


SECOND = '\n[load_2]\nkind = "resistor"\nresistance = "60 Ω"\n'
TWO_BRIDGES = 'kind = "two bridges"\noutputs = "stacked"'


def with_two_bridges(rectifier=TWO_BRIDGES, more=""):
    text = changed('kind = "bridge"', rectifier).replace('connection = "series"', "")
    return f'regulator_2 = "none"\n{text}{more}'


def test_a_second_output_is_like_the_first_where_nothing_else_is_given():
    bench = read_bench(with_two_bridges(more=SECOND))
    second = bench.seen_from_output_2()
    assert second.load.resistance == 60.0
    assert second.filter == bench.filter
    assert second.regulator is None
    assert second.seen_from_output_2().load == bench.load
    assert bench.outputs_apart
    assert not read_bench(with_two_bridges().replace('regulator_2 = "none"', "")).outputs_apart


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (changed('kind = "bridge"', 'kind = "bridge"') + SECOND, r"load_2: belongs to a second output, which a bridge"),
        (changed('kind = "bridge"', 'kind = "bridge"\nloads = "across"'), r"rectifier\.loads.* needs two bridges"),
        (with_two_bridges(TWO_BRIDGES + '\nloads = "across"', SECOND), r"load_2: is of the second output alone"),
        (with_two_bridges(more='[load_2]\nkind = "resistor"\nresistance = "60"\n'), r"load_2\.resistance.*no unit"),
        (with_two_bridges(more='[[filter_2]]\nkind = "choke"\n'), r"filter_2\[1\]\.inductance: is missing"),
        (with_two_bridges().replace('"none"', '"some"'), r"regulator_2"),
    ],
)
def test_a_second_output_that_does_not_fit_is_refused(text, reason):
    with pytest.raises(BenchFileError, match=reason):
        read_bench(text)


ACROSS = {"kind": "two bridges", "outputs": "stacked", "loads": "across"}
STEP_2 = '[[step]]\nname = "cross"\nload_2 = "open"\n'
SWEEP_2 = '[[sweep]]\nname = "cross"\nover = "load_2.current"\nvalues = ["0.1 A", "0.2 A"]\n'


def test_a_plan_that_sets_the_second_load_has_outputs_apart():
    plain = with_two_bridges().replace('regulator_2 = "none"', "")
    for more in (STEP_2, SWEEP_2):
        assert read_bench(plain + more).outputs_apart
    assert read_bench(plain + STEP_2).step[-1].load_2 == "open"


@pytest.mark.parametrize(("more", "path"), [(STEP_2, r"load_2"), (SWEEP_2, r"over")])
def test_a_plan_sets_a_second_load_only_where_there_is_one(more, path):
    why = "sets the load of a second output, which a bridge does not have"
    with pytest.raises(BenchFileError, match=rf"{path}.*{why}"):
        read_bench(COMPLETE + more)
    with pytest.raises(BenchFileError, match=rf"{path}.*\[load\] is across both; set that one"):
        read_bench(supply(rectifier=ACROSS, transformer={"secondaries": 2}) + more)


def test_numbers_without_units_are_si():
    text = changed('capacitance = "4.7 mF"', "capacitance = 0.0047")
    assert read_bench(text).filter[0].capacitance == 0.0047


WRONG = {
    "an unknown key": ('tolerance = "6 %"', 'tolerence = "6 %"', "mains.tolerence", "did you mean tolerance?"),
    "an unknown section": ("[ambient]", "[ambience]", "ambience", "no such key"),
    "a key like no other": ("[mains]", "[mains]\nqwxyz = 1", "mains.qwxyz", "`benchmon keys` lists them"),
    "a misspelt key of a part": ('esr = "40 mΩ"', 'ers = "40 mΩ"', "filter[1].ers", "did you mean esr?"),
    "a misspelt key of a load": (
        'kind = "resistor"\nresistance = "22 Ω"',
        'kind = "resistor"\nresistence = "22 Ω"',
        "load.resistence",
        "did you mean resistance?",
    ),
    "a misspelt key of a transformer": (
        "open_circuit_voltage",
        "open_circuit_volts",
        "transformer.open_circuit_volts",
        "did you mean open_circuit_voltage?",
    ),
    "per cent without their sign": ('tolerance = "6 %"', 'tolerance = "6"', "mains.tolerance", 'are written "6 %"'),
    "a bare number of per cent": ('tolerance = "6 %"', "tolerance = 6", "mains.tolerance", 'are written "6 %"'),
    "an inner name": ('title = "workshop supply"', 'source = "x"', "source", "no such key"),
    "no unit": ('voltage = "230 V"', 'voltage = "230"', 'mains.voltage = "230"', "has no unit"),
    "a wrong unit": ('esr = "40 mΩ"', 'esr = "40 mV"', 'filter[1].esr = "40 mV"', "which is not a resistance"),
    "a decimal comma": ('resistance = "0.47 Ω"', 'resistance = "0,47 Ω"', "filter[2].resistance", "decimal comma"),
    "not a number": ('resistance = "22 Ω"', 'resistance = "many Ω"', "load.resistance", "is not a resistance"),
    "a negative resistance": ('primary_resistance = "12 Ω"', 'primary_resistance = "-12 Ω"', "-12 Ω", "at least 0"),
    "another minus": ('resistance = "22 Ω"', 'resistance = "−22 Ω"', "load.resistance", "must be above 0"),
    "a load of nothing": ('resistance = "22 Ω"', 'resistance = "0 Ω"', "load.resistance", "must be above 0"),
    "a list for a number": ('frequency = "50 Hz"', "frequency = [50]", "mains.frequency", "must be a frequency"),
    "true for a number": ('frequency = "50 Hz"', "frequency = true", "mains.frequency = true", "must be a frequency"),
    "an endless number": ('frequency = "50 Hz"', "frequency = inf", "mains.frequency = inf", "not a usable number"),
    "a number that is none": ('frequency = "50 Hz"', "frequency = nan", "mains.frequency = nan", "not a usable number"),
    "a frequency of radio": ('frequency = "50 Hz"', 'frequency = "5 MHz"', "mains.frequency", "at most 1000"),
    "a harmonic of order 1": ('[5, "2.4 %"', '[1, "2.4 %"', "mains.harmonics", "has the order 1; orders are"),
    "half an order": ('[5, "2.4 %"', '[2.5, "2.4 %"', "mains.harmonics", "has the order 2.5"),
    "an order twice": ('[5, "2.4 %"', '[3, "2.4 %"', "mains.harmonics", "order 3 twice"),
    "a harmonic above half": ('[5, "2.4 %"', '[5, "60 %"', "mains.harmonics", "order 5 with 60 %"),
    "a harmonic of another kind": ('[5, "2.4 %"', '[5, "2.4 V"', "mains.harmonics", "which is not a fraction"),
    "a phase of another kind": ('"180°"]', '"180 Hz"]', "mains.harmonics", "which is not an angle"),
    "a harmonic without phase": (', "180°"]', "]", "mains.harmonics", "not order, part of the fundamental and phase"),
    "harmonics of nothing": (
        'harmonics = [[5, "2.4 %", "180°"], [3, 0.018, 61]]',
        "harmonics = 3",
        "harmonics",
        "list",
    ),
    "a shape twice": ("[mains]", '[mains]\nvoltage_thd = "3 %"', "mains.voltage_thd = 0.03", "given by harmonics"),
    "a rectifier of old": ('kind = "bridge"', 'kind = "valve"', 'rectifier.kind = "valve"', "must be 'half wave'"),
    "an unknown filter": ('kind = "choke"', 'kind = "coil"', 'filter[3].kind = "coil"', "must be one of"),
    "a section for a value": ("[rectifier]\nkind", "[rectifier.kind]\nkind", "rectifier.kind", "must be"),
    "a value for a section": ("[regulator]", "[old]\n", "old", "no such key"),
    "an unknown quantity": ("output.voltage.mean", "output.voltage.median", "channel[1].quantity", "not a quantity"),
    "limits out of order": ('trip_above = "26 V"', 'trip_above = "20 V"', "channel[1].trip_above = 20", "out of order"),
    "a limit of another kind": (
        'trip_above = "110 °C"',
        'trip_above = "110 V"',
        "channel[2].trip_above",
        "is not a temp",
    ),
    "an accuracy of nothing": ('accuracy = "1.5 K"', 'accuracy = "0 K"', "channel[2].accuracy", "above zero"),
    "an accuracy of another kind": ('"0.5 % + 20 mV"', '"0.5 % + 20 mA"', "channel[1].accuracy", "not a voltage"),
    "a period of nothing": ('period = "500 ms"', 'period = "0 s"', "channel[1].period", "at least 0.01"),
    "an unknown instrument": (
        'instrument = "meter one"',
        'instrument = "meter two"',
        "meter two",
        "there is meter one",
    ),
    "an unknown channel": ('needs = ["output"]', 'needs = ["input"]', "step[1].needs", "no [[channel]]"),
    "a name twice": ('name = "case"', 'name = "output"', 'channel[2].name = "output"', "is there twice"),
    "a name of nothing": ('name = "case"', 'name = " "', "channel[2].name", "not empty"),
    "a name that steers": ('name = "case"', 'name = "\\u001b[2J"', "channel[2].name", "printable"),
    "a title that steers": ('"workshop supply"', '"\\u001b]0;\\u0007"', "title", "printable"),
    "a title that is a number": ('"workshop supply"', "7", "title = 7", "string"),
    "forward points that fall": ('["0.95 V", "3 A"]', '["0.60 V", "3 A"]', "diode.forward", "does not rise"),
    "a single forward point": (', ["0.95 V", "3 A"]', "", "diode.forward", "at least two points"),
    "a forward point of three": ('["0.95 V", "3 A"]', '["0.95 V", "3 A", "x"]', "diode.forward", "not a pair"),
    "forward points and Shockley": ("[diode]", '[diode]\nsaturation_current = "1 nA"', "diode", "not both"),
    "both forms of transformer": (
        'rating = "50 VA"',
        'rating = "50 VA"\nregulation = "9 %"',
        "transformer",
        "not both",
    ),
    "three windings": ("secondaries = 2", "secondaries = 3", "transformer.secondaries", "must be"),
    "a series of one winding": ("secondaries = 2", "secondaries = 1", "transformer.connection", "needs two windings"),
    "a kiln of an ambient": ('temperature = "23 °C"', 'temperature = "900 °C"', "ambient.temperature", "at most"),
    "less than no heat": ('temperature = "23 °C"', 'temperature = "-300 °C"', "ambient.temperature", "at least"),
    "a loss without its current": ('no_load_loss = "3.1 W"', 'no_load_loss = "31 W"', "no_load", "current"),
}


@pytest.mark.parametrize(
    ("tolerance", "limits"),
    [('"20 %"', (-0.2, 0.2)), ('["-20 %", "80 %"]', (-0.2, 0.8)), ("[0, 0.5]", (0.0, 0.5))],
)
def test_a_capacitance_lies_within_one_tolerance_or_two_limits(tolerance, limits):
    text = changed('tolerance = "20 %"', f"tolerance = {tolerance}")
    assert read_bench(text).filter[0].tolerance_limits == limits


@pytest.mark.parametrize(
    "tolerance",
    [
        *('"100 %"', '"-20 %"', '["20 %", "80 %"]', '["-20 %", "-5 %"]', '["-100 %", "80 %"]', '["-20 %", "900 %"]'),
        *('["-20 %"]', '["-20 %", "80 %", "0 %"]', '["-20 V", "80 V"]', "true", '["nan", "20 %"]'),
    ],
)
def test_a_tolerance_that_cannot_be_is_refused(tolerance):
    message = refused(changed('tolerance = "20 %"', f"tolerance = {tolerance}"))
    assert "filter[1].tolerance" in message
    assert message.startswith("b.toml:")


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_said_with_key_value_reason_and_line(name):
    old, new, key, reason = WRONG[name]
    text = changed(old, new)
    message = refused(text)
    assert key in message
    assert reason in message
    assert message.startswith("b.toml:")


@pytest.mark.parametrize(
    "name",
    ["no unit", "a wrong unit", "a decimal comma", "an unknown quantity", "an unknown filter", "limits out of order"],
)
def test_the_line_is_the_one_to_change(name):
    old, new, _, _ = WRONG[name]
    text = changed(old, new)
    assert refused(text).startswith(f"b.toml:{line_in(text, new.split(chr(10))[0])}:")


def test_lines_are_counted_as_an_editor_counts_them():
    text = "# one line\u2028still the same\x85and still\n" + changed('resistance = "22 Ω"', 'resistance = "22 V"')
    assert refused(text).startswith(f"b.toml:{line_in(text, '22 V')}:")


def test_a_key_of_a_table_written_inline_is_found():
    text = changed('[ambient]\ntemperature = "23 °C"\n', "").replace("[mains]", 'ambient.temperature = "9 V"\n[mains]')
    message = refused(text)
    assert "ambient.temperature" in message
    assert message.startswith(f"b.toml:{line_in(text, '9 V')}:")


@pytest.mark.parametrize(
    ("kind", "connection", "secondaries", "reason"),
    [
        ("centre tap", "single", 1, "needs two windings; set transformer.secondaries = 2"),
        ("split rail", "single", 1, "needs two windings; set transformer.secondaries = 2"),
        ("centre tap", "parallel", 2, "leaves no centre tap"),
    ],
)
def test_windings_must_fit_the_rectifier(kind, connection, secondaries, reason):
    text = changed('kind = "bridge"', f'kind = "{kind}"').replace('"series"', f'"{connection}"')
    assert reason in refused(text.replace("secondaries = 2", f"secondaries = {secondaries}"))


def test_a_doubler_needs_a_capacitor_first():
    text = changed('kind = "bridge"', 'kind = "full-wave doubler"')
    first = text.index("[[filter]]")
    second = text.index("[[filter]]", first + 1)
    assert "needs a capacitor as the first [[filter]]" in refused(text[:first] + text[second:])


@pytest.mark.parametrize("section", ["mains", "transformer", "rectifier", "diode", "load"])
def test_a_missing_section_is_named(section):
    start = COMPLETE.index(f"[{section}]")
    end = COMPLETE.find("\n[", start + 1)
    message = refused(COMPLETE[:start] + COMPLETE[end:])
    assert f"{section}: is missing" in message


@pytest.mark.parametrize(
    "old", ['frequency = "50 Hz"', 'primary_resistance = "12 Ω"', 'kind = "bridge"', 'quantity = "output.voltage.mean"']
)
def test_a_missing_key_is_named(old):
    key = old.split(" ")[0]
    message = refused(changed(old, ""))
    assert key in message
    assert "missing" in message


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        ('rated_voltage = "18 V"', 'rated_voltage = "18"', "transformer.rated_voltage"),
        ('regulation = "12 %"', 'regulation = "a lot"', "transformer.regulation"),
        ('regulation = "12 %"', 'regulation = "0 %"', "transformer.regulation"),
        ('rating = "50 VA"', 'rating = "50 W"', "transformer.rating"),
        ('primary_voltage = "230 V"', 'primary_voltage = "230 mA"', "transformer.primary_voltage"),
        ('primary_voltage = "230 V"', "", "transformer.primary_voltage"),
        ('rating = "50 VA"', "", "transformer"),
        ("secondaries = 2", 'secondaries = "two"', "transformer.secondaries"),
    ],
)
def test_faults_of_the_rated_form_name_their_key(old, new, key):
    measured = 'open_circuit_voltage = "18.6 V"\nprimary_resistance = "12 Ω"\nsecondary_resistance = "0.31 Ω"'
    text = changed(measured, 'rated_voltage = "18 V"\nregulation = "12 %"')
    assert old in text
    message = refused(text.replace(old, new, 1) if "mains" not in key else text)
    assert f": {key}" in message


def test_a_transformer_that_is_not_described_is_refused_either_way():
    measured = 'open_circuit_voltage = "18.6 V"\nprimary_resistance = "12 Ω"\nsecondary_resistance = "0.31 Ω"'
    message = refused(changed(measured, ""))
    assert "open_circuit_voltage" in message
    assert "regulation" in message


def test_a_kind_of_load_that_is_none_is_reported_with_its_line():
    text = changed('kind = "resistor"\nresistance = "22 Ω"', 'kind = "lamp"\nresistance = "22 Ω"')
    assert f'b.toml:{line_in(text, "lamp")}: load.kind = "lamp": must be one of' in refused(text)


def test_a_mistake_of_syntax_is_reported_with_its_line():
    assert refused(COMPLETE + "[mains\n").startswith(f"b.toml:{len(COMPLETE.splitlines()) + 1}: is not valid TOML")


def test_a_doubtful_bench_file_of_an_accuracy_without_a_part_is_refused():
    assert "channel[1].accuracy" in refused(changed('"0.5 % + 20 mV"', "20"))


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("", "is empty"),
        ("\n# nothing\n", "is empty"),
        ("[mains", "is not valid TOML"),
        ("voltage = 230 V", 'a value with a unit stands in quotes, like "230 V"'),
        ("a = " + "[" * 5000, "is not valid TOML"),
        ("a = " + "9" * 5000, "is not valid TOML"),
        ("a = 1\na = 2", "is not valid TOML"),
    ],
)
def test_text_that_is_no_bench_is_refused(text, reason):
    assert reason in refused(text)


def test_a_huge_value_leaves_room_for_the_reason():
    message = refused(changed('resistance = "22 Ω"', f'resistance = "{"9" * 100_000} x"'))
    assert "load.resistance" in message
    assert "far too long for a resistance" in message
    other = refused(changed('kind = "bridge"', f'kind = "{"bridge" * 100_000}"'))
    assert "must be 'half wave'" in other
    long_key = refused(changed("[ambient]", f"[ambient]\n{'a' * 50_000} = 1"))
    assert "no such key" in long_key


def test_a_huge_integer_is_no_usable_number():
    assert "not a usable number" in refused(changed('frequency = "50 Hz"', f"frequency = {'9' * 400}"))


@pytest.mark.timeout(10)
def test_a_line_made_to_be_slow_is_not():
    hostile = changed('forward = [["0.72 V", "0.1 A"], ', "forward = [\n[" + " " * 200_000 + '"0.72 V",\n"0.1 A"], ')
    assert "load.resistance" in refused(hostile.replace('resistance = "22 Ω"', 'resistance = "22"'))


class TestFiles:
    def test_a_file_is_read(self, tmp_path):
        file = tmp_path / "bench.toml"
        file.write_text(COMPLETE, encoding="utf-8")
        assert load_bench(file).title == "workshop supply"

    def test_a_file_that_begins_with_a_byte_order_mark_is_read(self, tmp_path):
        file = tmp_path / "bench.toml"
        file.write_text(COMPLETE, encoding="utf-8-sig")
        assert load_bench(file).title == "workshop supply"

    def refused(self, path) -> str:
        with pytest.raises(BenchFileError) as caught:
            load_bench(path)
        message = str(caught.value)
        assert message.isprintable()
        assert len(message) <= 400
        return message

    def test_what_is_no_bench_file_is_refused(self, tmp_path):
        assert "no such bench file" in self.refused(tmp_path / "none.toml")
        assert "is a folder" in self.refused(tmp_path)
        (tmp_path / "latin.toml").write_bytes('title = "Gerät"'.encode("latin-1"))
        assert "not UTF-8" in self.refused(tmp_path / "latin.toml")
        (tmp_path / "empty.toml").write_bytes(b"")
        assert "is empty" in self.refused(tmp_path / "empty.toml")
        (tmp_path / "huge.toml").write_bytes(b"#" * 1_000_001)
        assert "larger than" in self.refused(tmp_path / "huge.toml")
        (tmp_path / "zeros.toml").write_bytes(b"\0" * 100)
        assert "not valid TOML" in self.refused(tmp_path / "zeros.toml")

    @pytest.mark.parametrize("text", ["{} = 1", "[{}]", "[mains]\nx = {{ {} = 1 }}", '"a".{} = 1'])
    def test_a_key_of_thousands_of_parts_is_refused(self, tmp_path, text):
        """The parser of TOML would need half a minute and gigabytes for it."""
        (tmp_path / "deep.toml").write_text(text.format(" . ".join(["a"] * 40_000)))
        assert "more than 30 parts" in self.refused(tmp_path / "deep.toml")

    def test_hostile_paths_are_shown_plain(self, tmp_path):
        assert r"bench\x1b[2J\n.toml" in self.refused("bench\x1b[2J\n.toml")
        assert r"nul\x00.toml" in self.refused("nul\0.toml")
        assert "xxx" in self.refused("x" * 5000)
        file = tmp_path / "new\nline.toml"
        file.write_text('voltage = "1 V"', encoding="utf-8")
        assert r"new\nline.toml" in self.refused(file)

    @pytest.mark.timeout(10)
    def test_endless_files_are_not_read_to_their_end(self):
        assert "not a bench file" in self.refused("/dev/zero")

    @pytest.mark.timeout(10)
    def test_a_pipe_that_never_speaks_is_not_waited_for(self, tmp_path):
        pipe = tmp_path / "pipe.toml"
        os.mkfifo(pipe)
        assert "not a bench file" in self.refused(pipe)

    @pytest.mark.skipif(os.geteuid() == 0, reason="root reads everything")
    def test_a_file_without_permission_is_refused(self, tmp_path):
        file = tmp_path / "bench.toml"
        file.write_text(COMPLETE, encoding="utf-8")
        file.chmod(0)
        assert "cannot be read" in self.refused(file)

    def test_readers_do_not_disturb_each_other(self, tmp_path):
        file = tmp_path / "bench.toml"
        file.write_text(COMPLETE, encoding="utf-8")
        found: list[str] = []
        readers = [threading.Thread(target=lambda: found.append(load_bench(file).title)) for _ in range(8)]
        for reader in readers:
            reader.start()
        for reader in readers:
            reader.join()
        assert found == ["workshop supply"] * 8


def test_a_bench_file_error_is_bad_input():
    assert issubclass(BenchFileError, BadInput)
    assert issubclass(BenchFileError, ValueError)
