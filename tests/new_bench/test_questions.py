"""How an answer is read as it is typed: units left out, per cent that may be meant, ratios, lists, ask-backs."""

from __future__ import annotations

import pytest

from benchmon.errors import BadInput
from benchmon.new_bench.bench_maker import BenchMaker
from benchmon.new_bench.meter_questions import ratio


@pytest.fixture
def maker(tmp_path):
    made = BenchMaker(tmp_path / "bench.toml")
    made.add_meter()
    return made


@pytest.mark.parametrize(
    ("name", "typed", "answer"),
    [
        ("mains.voltage", "230", "230 V"),
        ("mains.frequency", "50", "50 Hz"),
        ("filter.capacitance", "4700u", "4700 µF"),
        ("filter.capacitance", "4.7m", "4.7 mF"),
        ("transformer.rating", "0.12 k", "0.12 kVA"),
        ("filter.esr", "?", "not known"),
        ("transformer.no_load_test", "Not measured", "not measured"),
        ("ambient.temperature", "23 C", "23 °C"),
        ("rectifier.kind", "cen", "centre tap"),
        ("fuse.speed", "2", "fast"),
        ("channel.1.1.period", "2", "2 s"),
    ],
)
def test_what_a_person_types_is_understood(maker, name, typed, answer):
    assert maker.answer(name, typed) == answer


@pytest.mark.parametrize(
    ("name", "typed", "why"),
    [
        ("transformer.regulation", "0.5", "0.5 % or 50 %"),
        ("mains.tolerance", "6", "6 % or 600 %"),
        ("mains.voltage", "5 A", "not a voltage"),
        ("filter.esr", "30 mF", "not a resistance"),
        ("transformer.no_load_test", "230 V, 25 mA", "unit"),
        ("transformer.short_circuit", "12 V, 0.3 A, 30 W", "watts cannot exceed"),
        ("mains.distortion", "5, 2.4, 180°", "order 5"),
        ("channel.1.1.accuracy", "good", "is not"),
    ],
)
def test_what_cannot_be_is_refused_with_its_reason(maker, name, typed, why):
    with pytest.raises(BadInput, match=why):
        maker.answer(name, typed)


def test_what_is_possible_but_unusual_is_asked_back(maker):
    regulation = maker.asked().question("transformer.regulation")
    assert "unusual" in regulation.doubt(regulation.read("0.5 %"))
    assert regulation.doubt(regulation.read("9 %")) == ""
    capacitor = maker.asked().question("filter.capacitance")
    assert "unusual" in capacitor.doubt(capacitor.read("10"))


@pytest.mark.parametrize(
    ("typed", "unit", "factor"),
    [
        ("100 mV/A", "A", 10.0),
        ("1 mV/A", "A", 1000.0),
        ("10 A/V", "A", 10.0),
        ("1 V/100 A", "A", None),
        ("10 mΩ", "A", 100.0),
        ("10:1", "V", 10.0),
        ("1:200", "V", 200.0),
        ("x10", "V", 10.0),
        ("5 mV/V", "V", 200.0),
        ("100 mV/A", "V", None),
        ("0 mV/A", "A", None),
        ("0:1", "V", None),
    ],
)
def test_a_clamp_a_shunt_or_a_probe_is_typed_as_it_is_printed_on_it(typed, unit, factor):
    if factor is None:
        with pytest.raises(BadInput, match="100 mV/A"):
            ratio(typed, unit)
    else:
        assert ratio(typed, unit) == factor
