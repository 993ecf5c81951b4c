"""Readings that a person types in."""

import math
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.errors import BadInput, InstrumentTimeout
from benchmon.instruments.types import ChannelSettings, DrivenChannel, InstrumentSettings
from benchmon_drivers.manual import HandDriver


def driver_of(unit="V", period=60.0, scale=1.0, **settings):
    channels = [DrivenChannel(name, unit, period, scale, ChannelSettings()) for name in ("a", "b")]
    driver = HandDriver("display", InstrumentSettings.model_validate(settings), channels)
    driver.open()
    return driver


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("22.14 V", "V", 22.14),
        (" 22,14V ", "V", 22.14),
        ("-756 mV", "V", -0.756),
        ("−5 V", "V", -5.0),
        ("41.5 C", "°C", 41.5),
        ("41.5 °C", "°C", 41.5),
        ("0.64", "", 0.64),
        ("64 %", "", 0.64),
        ("1.5 kHz", "Hz", 1500.0),
        ("OL", "V", math.inf),
        ("-OL", "V", -math.inf),
    ],
)
def test_what_a_display_shows_is_taken_with_its_unit(text, unit, value):
    driver = driver_of(unit)
    driver.enter_manual("a", text, 5.0)
    [reading] = driver.receive(0.0)
    assert (reading.channel, reading.time) == ("a", 5.0)
    assert reading.value == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("22.14", 'has no unit; type it like "1.5 V"'),
        ("22.14 A", "is not a voltage"),
        ("", "is not a voltage"),
        ("twenty volts", "is not a voltage"),
        ("1e30 V", "is not a voltage"),
        ("nan V", "is not a voltage"),
        ("\x1b[2J", r"\x1b[2J"),
        ("9" * 500 + " V", "is not a voltage"),
    ],
)
def test_what_is_none_is_refused_in_one_line(text, says):
    driver = driver_of()
    with pytest.raises(BadInput) as refused:
        driver.enter_manual("a", text, 5.0)
    assert says in str(refused.value)
    assert str(refused.value).isprintable()
    assert driver.receive(0.0) == []


def test_a_clamp_s_ratio_holds_for_what_is_typed_too():
    driver = driver_of(scale=100.0)
    driver.enter_manual("a", "10 mV", 5.0)
    assert driver.receive(0.0)[0].value == 1.0


def test_a_reading_seen_before_the_last_one_is_refused():
    driver = driver_of()
    driver.enter_manual("a", "2 V", 5.0)
    with pytest.raises(BadInput, match="typed in meanwhile"):
        driver.enter_manual("a", "1 V", 4.0)
    driver.enter_manual("b", "1 V", 4.0)


def test_what_was_typed_while_nobody_listened_waits():
    driver = driver_of()
    driver.close()
    driver.enter_manual("a", "2 V", 5.0)
    driver.enter_manual("a", "3 V", 6.0)
    driver.open()
    assert [one.value for one in driver.receive(0.0)] == [2.0, 3.0]


def test_a_person_is_waited_for_three_periods_of_the_slowest_channel():
    assert driver_of(period=60.0).timeout == 180.0
    driver = driver_of(timeout=0.1)
    with pytest.raises(InstrumentTimeout, match=r"nothing was typed in for 0\.1 s; type in what its display shows"):
        _ = [driver.receive(0.05) for _ in range(20)]


def test_a_listener_receives_at_once():
    driver = driver_of()
    driver.enter_manual("a", "2 V", time.monotonic())
    assert [one.value for one in driver.receive(0.0)] == [2.0]


@given(st.text(max_size=80), st.sampled_from(["V", "°C", ""]))
def test_whatever_is_typed_is_a_value_or_refused(text, unit):
    driver = driver_of(unit)
    try:
        driver.enter_manual("a", text, 1.0)
    except BadInput as problem:
        said = str(problem)
    else:
        said = ""
        assert driver.receive(0.0)[0].value is not None
    assert said.isprintable()
