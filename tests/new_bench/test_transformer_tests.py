"""The tests of a transformer as it comes in, against textbooks' examples, an equivalent circuit, and mistakes."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from benchmon.bench import load_bench
from benchmon.cli.main import commands
from benchmon.errors import BadInput
from benchmon.new_bench.transformer_tests import (
    Agreement,
    MeterAccuracies,
    OpenCircuit,
    SeriesTest,
    TransformerTests,
    evaluate,
    open_circuit_of,
    rising,
    short_circuit_of,
)
from benchmon.prediction import predict
from benchmon.quantities import Accuracy
from support.supplies import supply

METERS = MeterAccuracies(*(Accuracy(0.005, 0.0) for _ in range(4)))


# Worked examples, from memory of the books: Chapman, Electric Machinery Fundamentals, example 2-2 (20 kVA, 8000/240 V,
# 60 Hz: excitation branch 159 kΩ and 38.4 kΩ, series 38.4 Ω and 192 Ω); Fitzgerald, Kingsley, Umans, Electric
# Machinery, example 2.6 (50 kVA, 2400/240 V: 48 V, 20.8 A and 617 W give 1.42 Ω and 1.82 Ω).
@pytest.mark.parametrize(
    ("point", "resistance", "reactance"), [((489.0, 2.5, 240.0), 38.4, 192.0), ((48.0, 20.8, 617.0), 1.42, 1.82)]
)
def test_short_circuits_of_textbooks(point, resistance, reactance):
    found = short_circuit_of(point, METERS)
    assert [one.value for one in found] == pytest.approx([resistance, reactance], rel=0.005)


def test_an_open_circuit_of_a_textbook():
    loss, magnetising = open_circuit_of((8000.0, 0.214, 400.0), METERS)
    assert loss.value == pytest.approx(159e3, rel=0.01)
    assert magnetising.value == pytest.approx(38.4e3, rel=0.005)


def test_a_whole_transformer_of_a_textbook():
    """Fitzgerald's example 2.6, from its side of 240 V: at full load, power factor 0.8, it regulates by 1.94 %."""
    ratio = 10.0
    resistance, _ = short_circuit_of((4.8, 208.0, 617.0), METERS)
    tests = TransformerTests(
        240.0, 60.0, 50e3, None, False, METERS,
        resistance.value / 2, (resistance.value / 2 * ratio**2,), 20.0,
        (OpenCircuit((240.0, 5.41, 186.0), (2400.0,)),), (4.8, 208.0, 617.0), 20.0,
    )  # fmt: skip
    found = evaluate(tests)
    assert not found.contradicts_itself
    reactance = 2 * math.pi * 60.0 * found.parts["transformer.leakage_inductance"].value
    series = found.secondary_resistance.value + found.primary_resistance.value * ratio**2 + 1j * reactance
    load = 50e3 / 2400.0 * (0.8 - 0.6j)
    assert abs(2400.0 + load * series) / 2400.0 - 1.0 == pytest.approx(0.0194, abs=0.0004)


def readings(ratio, ohms, seconds, leakage, rating, *, windings=1):
    """Return the tests of an equivalent circuit, solved with complex numbers; resistances in ohms, 230 V, 50 Hz."""
    loss, magnetising = 230.0**2 / (0.02 * rating), 230.0**2 / (0.08 * rating)
    shunt = 1.0 / (1.0 / loss + 1.0 / (1j * magnetising))
    series = ohms + 0.5j * leakage
    other = sum(seconds) / windings**2 / ratio**2 + 0.5j * leakage
    current = 230.0 / (series + shunt)
    secondary = abs(current * shunt) * ratio
    impedance = series + 1.0 / (1.0 / shunt + 1.0 / other)
    amperes = rating / 230.0
    return TransformerTests(
        230.0, 50.0, rating, None, False, METERS, ohms, seconds, 20.0,
        (OpenCircuit((230.0, abs(current), (230.0 * current.conjugate()).real), (secondary,) * windings),),
        (amperes * abs(impedance), amperes, amperes**2 * impedance.real), 20.0,
        SeriesTest(1.0, 1.0, 2.0) if windings == 2 else None,
    )  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(
    st.tuples(
        st.floats(20.0, 1000.0), st.floats(0.04, 0.5), st.floats(0.04, 0.09), st.floats(0.6, 1.6), st.floats(0.2, 0.8)
    ),
    st.sampled_from((1, 2)),
    st.lists(st.floats(-0.5, 0.5), min_size=4, max_size=4),
)
def test_an_equivalent_circuit_is_found_within_its_uncertainties(drawn, windings, errors):
    """Meters read within half of their accuracies, so that every true value must be inside."""
    rating, ratio, loss, share, angle = drawn
    total = loss * 230.0**2 / rating
    ohms = total * share / (1.0 + share)
    each = (total - ohms) * ratio**2 * windings
    true = readings(ratio, ohms, (each,) * windings, angle * total, rating, windings=windings)
    off = [1.0 + 0.005 * error for error in errors]
    point = true.open_circuit[0]

    def read(volts, amperes, watts):
        return volts * off[0], amperes * off[1], watts * off[2]

    measured = replace(
        true,
        primary_resistance=ohms * off[3],
        secondary_resistances=(each * off[3],) * windings,
        open_circuit=(OpenCircuit(read(*point.primary), tuple(one * off[0] for one in point.secondaries)),),
        short_circuit=read(*true.short_circuit),
    )
    found = evaluate(measured)
    assert not found.contradicts_itself, [one.words for one in found.findings]
    right = {
        "transformer.primary_resistance": ohms,
        "transformer.secondary_resistance": each,
        "transformer.open_circuit_voltage": point.secondaries[0],
        "transformer.leakage_inductance": angle * total * ratio**2 * windings / (100.0 * math.pi),
    }
    for part, value in right.items():
        known = found.parts[part]
        # The shunt takes a little of the short circuit's current: the textbook's approximation.
        assert abs(known.value - value) <= known.uncertainty + 0.02 * value, part


GOOD = readings(0.08, 14.0, (0.2, 0.2), 9.0, 120.0, windings=2)


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"secondary_resistances": (2.4, 2.4)}, "copper loses"),
        ({"primary_resistance": 60.0, "secondary_resistances": (0.8, 0.8)}, "less than copper can have"),
        ({"short_circuit": (60.0, 0.52, 30.0)}, "look at the short itself"),
        ({"rated_voltage": 12.0}, "the label says 12.00 V"),
        ({"in_parallel": True, "open_circuit": (OpenCircuit((230.0, 0.05, 3.0), (18.4, 17.0)),)}, "do not join them"),
    ],
)
def test_a_test_that_contradicts_the_others_is_named(wrong, words):
    assert not evaluate(GOOD).contradicts_itself
    found = evaluate(replace(GOOD, **wrong))
    assert any(words in one.words for one in found.findings if one.agreement is Agreement.NO)


def test_polarity_is_what_both_windings_have_together():
    volts = METERS.volts
    assert SeriesTest(10.0, 10.1, 20.1).is_aiding(volts)
    assert not SeriesTest(10.0, 10.1, 0.1).is_aiding(volts)
    with pytest.raises(BadInput, match="neither their sum"):
        SeriesTest(10.0, 10.1, 14.0).is_aiding(volts)


def test_more_volts_take_more_current():
    def at(volts, amperes):
        return OpenCircuit((volts, amperes, 1.0), (18.0,))

    assert rising([at(230.0, 0.03), at(207.0, 0.02)]) == ""
    assert "more volts take more current" in rising([at(230.0, 0.02), at(207.0, 0.03)])


LINES = [
    "y", "300 MΩ at 500 V DC", "230", "50", "120", "18", "two", "in series",
    "", "", "", "",
    "21 °C", "0.04", "14.34", "0.281", "0.299",
    "y", "1.96", "1.96", "2.9", "1.96", "1.96", "3.92",
    "207", "34.1m", "2.31", "17.74", "17.76", "y",
    "230", "52.6m", "2.95", "19.71", "19.73", "n",
    "y", "17.5", "0.521", "8.77", "24",
]  # fmt: skip


def test_on_a_pipe_the_same_questions_make_a_bench_file(tmp_path):
    path = tmp_path / "new.toml"
    done = CliRunner().invoke(commands, ["new", "--transformer", str(path)], input="\n".join(LINES) + "\n")
    assert done.exit_code == 0, done.output
    assert "That cannot be: 2.9 V over both windings is neither their sum" in done.output
    assert "BEGIN AT ZERO VOLTS" in done.output
    bench = load_bench(path)
    transformer = bench.transformer
    assert transformer.open_circuit_voltage == pytest.approx(19.72, rel=1e-4)
    assert (transformer.primary_resistance, transformer.secondary_resistance) == pytest.approx((14.30, 0.25))
    assert transformer.resistance_temperature == 21.0
    assert [point[0] for point in transformer.no_load] == [207.0, 230.0]
    assert transformer.leakage_inductance == pytest.approx(430e-6, rel=0.01)
    assert "300 MΩ at 500 V DC" in path.read_text()
    assert {one.part for one in bench.learned} >= {"transformer.primary_resistance", "core.current"}
    assert 14.0 < predict(bench).quantities["secondary.voltage.rms"].value < 19.7


def test_the_meters_of_a_bench_file_are_read_and_its_rest_stays(tmp_path):
    """Real files on the disk stand for the meters: what they hold is offered, Enter takes it."""
    values = {"volts": ("mains.voltage.rms", 230.4), "amps": ("mains.current.rms", 0.031)}
    sections = ['[[instrument]]\nname = "files"\ndriver = "value_file"\naddress = "."\n'.replace(".", str(tmp_path), 1)]
    for name, (quantity, value) in values.items():
        (tmp_path / name).write_text(f"{value}\n")
        sections.append(
            f'[[channel]]\nname = "{name}"\ninstrument = "files"\nquantity = "{quantity}"\nfile = "{name}"\n'
            'accuracy = "0.2 %"\n'
        )
    path = tmp_path / "bench.toml"
    path.write_text("# my own words\n" + supply() + "".join(sections))
    lines = ["y", "-", "", "", "120", "-", "one", "", "", "", "0", "14", "0.2", "y", "", "", "2.4", "19.2", "n", "n"]
    done = CliRunner().invoke(commands, ["new", "--transformer", str(path)], input="\n".join(lines) + "\n")
    assert done.exit_code == 0, done.output
    assert "volts: 230.4 V" in done.output
    bench = load_bench(path)
    assert bench.transformer.no_load == ((230.4, 0.031, 2.4),)
    assert path.read_text().startswith("# my own words")
    assert [channel.name for channel in bench.channel] == list(values)


def test_what_was_answered_is_kept_where_it_is_broken_off(tmp_path):
    path = tmp_path / "new.toml"
    first = CliRunner().invoke(commands, ["new", "--transformer", str(path)], input="\n".join(LINES[:16]) + "\n")
    assert "are kept in" in first.output
    assert not path.exists()
    rest = [LINES[0], *[""] * 14, *LINES[15:]]
    done = CliRunner().invoke(commands, ["new", "--transformer", str(path)], input="\n".join(rest) + "\n")
    assert done.exit_code == 0, done.output
    assert load_bench(path).transformer.rating == 120.0
    assert [one.name for one in tmp_path.iterdir()] == ["new.toml"]


def test_the_demo_asks_nothing_and_agrees_with_itself():
    done = CliRunner().invoke(commands, ["demo", "transformer"])
    assert done.exit_code == 0, done.output
    assert "✗" not in done.output
    assert "[transformer]" in done.output
    assert "invented" in done.output
