"""Values with units, as people write them, and back."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon import quantities as q
from benchmon.errors import BadInput

KINDS = [kind for kind in vars(q).values() if isinstance(kind, q.Kind)]


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("230 V", q.VOLTAGE, 230.0),
        ("230V", q.VOLTAGE, 230.0),
        ("  0.23 kV ", q.VOLTAGE, 230.0),
        ("-3 mV", q.VOLTAGE, -3e-3),
        ("−3 mV", q.VOLTAGE, -3e-3),
        ("1.5e3 V", q.VOLTAGE, 1500.0),
        (".5 A", q.CURRENT, 0.5),
        ("756 mA", q.CURRENT, 0.756),
        ("4.7 mF", q.CAPACITANCE, 4.7e-3),
        ("4700 µF", q.CAPACITANCE, 4.7e-3),
        ("1.5e+02 µH", q.INDUCTANCE, 1.5e-4),
        ("4700 μF", q.CAPACITANCE, 4.7e-3),
        ("4700 uF", q.CAPACITANCE, 4.7e-3),
        ("8.2 Ω", q.RESISTANCE, 8.2),
        ("8.2 \u2126", q.RESISTANCE, 8.2),
        ("8.2 ohm", q.RESISTANCE, 8.2),
        ("8.2 kohm", q.RESISTANCE, 8200.0),
        ("1 MΩ", q.RESISTANCE, 1e6),
        ("1 mΩ", q.RESISTANCE, 1e-3),
        ("50 Hz", q.FREQUENCY, 50.0),
        ("2 min", q.DURATION, 120.0),
        ("2 h", q.DURATION, 7200.0),
        ("250 ms", q.DURATION, 0.25),
        ("25 °C", q.TEMPERATURE, 25.0),
        ("-40 degC", q.TEMPERATURE, -40.0),
        ("1.2 A2s", q.MELTING, 1.2),
        ("1.2 A²s", q.MELTING, 1.2),
        ("18 K/W", q.THERMAL_RESISTANCE, 18.0),
        ("18 °C/W", q.THERMAL_RESISTANCE, 18.0),
        ("17 mW/K", q.DISSIPATION_FACTOR, 0.017),
        ("3950 K", q.BETA, 3950.0),
        ("3950", q.FRACTION, 3950.0),
        ("5 %", q.FRACTION, 0.05),
        ("5%", q.FRACTION, 0.05),
        ("200 ppm", q.FRACTION, 2e-4),
        ("100 ppm/K", q.TEMPERATURE_COEFFICIENT, 1e-4),
        ("0.39 %/K", q.TEMPERATURE_COEFFICIENT, 3.9e-3),
        ("50 VA", q.APPARENT_POWER, 50.0),
        ("12 mH", q.INDUCTANCE, 0.012),
        (47, q.RESISTANCE, 47.0),
        (0.5, q.FRACTION, 0.5),
    ],
)
def test_values_are_read(text, kind, value):
    assert q.parse_value(text, kind) == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "kind", "reason"),
    [
        ("230", q.VOLTAGE, "has no unit"),
        ("230 A", q.VOLTAGE, "which is not a voltage"),
        ("230 VA", q.VOLTAGE, "which is not a voltage"),
        ("2,3 V", q.VOLTAGE, "decimal comma"),
        ("1,000 V", q.VOLTAGE, "decimal comma"),
        ("V", q.VOLTAGE, "is not a voltage"),
        ("", q.VOLTAGE, "is not a voltage"),
        ("nan V", q.VOLTAGE, "is not a voltage"),
        ("inf V", q.VOLTAGE, "is not a voltage"),
        ("1e400 V", q.VOLTAGE, "not a usable number"),
        ("1e400 kV", q.VOLTAGE, "not a usable number"),
        ("1e16 V", q.VOLTAGE, "not a usable number"),
        ("1 2 V", q.VOLTAGE, "which is not a voltage"),
        ("25 K", q.TEMPERATURE, "which is not a temperature"),
        ("25 m°C", q.TEMPERATURE, "which is not a temperature"),
        ("5 m%", q.FRACTION, "which is not a fraction"),
        ("2.2 k", q.RESISTANCE, "which is not a resistance"),
        ("2k2", q.RESISTANCE, "which is not a resistance"),
        (True, q.VOLTAGE, "must be a voltage"),
        (None, q.VOLTAGE, "must be a voltage"),
        ([1], q.VOLTAGE, "must be a voltage"),
        (math.inf, q.VOLTAGE, "not a usable number"),
        (math.nan, q.VOLTAGE, "not a usable number"),
        (10**400, q.VOLTAGE, "not a usable number"),
    ],
)
def test_what_is_no_value_is_refused_with_the_reason(text, kind, reason):
    with pytest.raises(BadInput, match=reason):
        q.parse_value(text, kind)


@given(st.one_of(st.text(max_size=60), st.floats(), st.integers(), st.booleans(), st.none()), st.sampled_from(KINDS))
def test_anything_is_a_usable_number_or_bad_input(value, kind):
    try:
        number = q.parse_value(value, kind)
    except BadInput as problem:
        message = str(problem)
    else:
        assert math.isfinite(number)
        return
    assert message.isprintable()
    assert len(message) < 200


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_the_example_of_every_kind_is_of_that_kind(kind):
    assert math.isfinite(q.parse_value(q.example(kind).strip('"'), kind))


@given(
    st.floats(1e-11, 1e11) | st.floats(-1e11, -1e-11),
    st.sampled_from([q.VOLTAGE, q.CURRENT, q.POWER, q.APPARENT_POWER, q.FREQUENCY, q.RESISTANCE]),
    st.integers(3, 8),
)
def test_what_is_written_is_read_again(value, kind, digits):
    text = q.format_value(value, kind.unit, digits)
    assert q.parse_value(text, kind) == pytest.approx(value, rel=0.51 * 10 ** (1 - digits))


@given(st.floats(-270.0, 2000.0))
def test_a_temperature_that_is_written_is_read_again(celsius):
    assert q.parse_value(q.format_value(celsius, "°C"), q.TEMPERATURE) == pytest.approx(celsius, abs=0.0501)


@given(st.floats(1e-3, 999.0))
def test_a_factor_that_is_written_is_read_again(value):
    assert q.parse_value(q.format_value(value, ""), q.FRACTION) == pytest.approx(value, rel=1e-3, abs=1e-6)


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (0.756, "A", "756.0 mA"),
        (3.3e-6, "A", "3.300 µA"),
        (22.14, "V", "22.14 V"),
        (0.0, "V", "0.000 V"),
        (0.6421, "", "0.6421"),
        (23.456, "°C", "23.5 °C"),
        (None, "V", "–"),
        (math.nan, "V", "–"),
        (math.inf, "A", "over range A"),
        (-math.inf, "", "over range"),
    ],
)
def test_values_are_written_as_the_trade_does(value, unit, text):
    assert q.format_value(value, unit) == text


@given(st.floats(allow_nan=True, allow_infinity=True) | st.none(), st.sampled_from(sorted(set(q.UNITS.values()))))
def test_any_number_can_be_written(value, unit):
    text = q.format_value(value, unit)
    assert text
    assert text.isprintable()
    assert len(text) < 40 or abs(value) > 1e15


def test_the_vocabulary_s_units_all_have_a_kind():
    assert set(q.UNITS.values()) <= set(q.KINDS_BY_UNIT)
    assert all(name.partition(".")[0] in q.POINTS for name in q.UNITS)
    assert {name for name in q.UNITS if q.is_temperature(name)} == {n for n in q.UNITS if "temperature" in n}
