"""Whether the meters show that the power is gone."""

from types import SimpleNamespace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.bench import Channel
from benchmon.watch.power_state import MainsInterruptions, Power, PowerGone


def channel(name, quantity, accuracy="1 % + 5 mA", period=1.0):
    return Channel.model_validate(
        {"name": name, "instrument": "m", "quantity": quantity, "accuracy": accuracy, "period": period}
    )


CURRENT = channel("i", "mains.current.rms")
MAINS = channel("u", "mains.voltage.rms", "0.5 % + 0.5 V")
OUT = channel("out", "output.voltage.rms", "0.5 % + 20 mV")
HOT = channel("t", "diode.temperature.case", "1 K")


def finding(channels, before, after):
    """Return what is found where `before` was read before the switching off at 10 s, and `after` after it."""
    power = PowerGone(channels)
    for name, value in before.items():
        power.observe(name, 9.0, value)
    power.switched(10.0)
    for name, value in after.items():
        power.observe(name, 11.0, value)
    return power.finding()


@pytest.mark.parametrize(
    ("channels", "before", "after", "power"),
    [
        ([CURRENT], {"i": 0.75}, {"i": 0.001}, Power.GONE),
        ([CURRENT], {"i": 0.75}, {"i": 0.75}, Power.THERE),
        # A transformer without load draws little too.
        ([CURRENT], {"i": 0.75}, {"i": 0.04}, Power.THERE),
        ([CURRENT], {"i": 0.75}, {}, Power.WAITED_FOR),
        ([CURRENT], {}, {"i": 0.002}, Power.WAITED_FOR),
        # The current shows it, whatever the output does: it may be shorted.
        ([CURRENT, OUT], {"i": 5.0, "out": 15.0}, {"i": 5.0, "out": 0.1}, Power.THERE),
        ([CURRENT, OUT], {"i": 0.75, "out": 15.0}, {"i": 0.0, "out": 14.0}, Power.GONE),
        # A current meter that has never read shows nothing.
        ([CURRENT, OUT], {"out": 15.0}, {"out": 5.0}, Power.GONE),
        # A voltmeter before the switch still shows the mains.
        ([MAINS], {"u": 230.0}, {"u": 230.0}, Power.UNSEEN),
        ([MAINS], {"u": 230.0}, {"u": 0.3}, Power.GONE),
        ([MAINS, OUT], {"u": 230.0, "out": 15.0}, {"u": 230.0, "out": 14.0}, Power.THERE),
        ([MAINS, OUT], {"u": 230.0, "out": 15.0}, {"u": 230.0, "out": 7.0}, Power.GONE),
        ([OUT], {"out": 15.0}, {"out": 12.0}, Power.THERE),
        # An output that was low before proves nothing by being low.
        ([OUT], {"out": 0.1}, {"out": 0.0}, Power.UNSEEN),
        ([HOT], {"t": 95.0}, {"t": 20.0}, Power.UNSEEN),
        ([], {}, {}, Power.UNSEEN),
        # Neither an overrange nor nothing is a low reading.
        ([CURRENT], {"i": 0.75}, {"i": None}, Power.WAITED_FOR),
        ([CURRENT], {"i": 0.75}, {"i": float("inf")}, Power.WAITED_FOR),
    ],
)
def test_what_the_meters_say(channels, before, after, power):
    assert finding(channels, before, after).power is power


def test_it_is_said_in_numbers():
    assert finding([CURRENT], {"i": 0.75}, {"i": 0.001}).words == "i fell from 750.0 mA to 1.0 mA"
    assert finding([CURRENT], {"i": 0.75}, {"i": 0.7}).words == "i is still at 700.0 mA"


def test_a_reading_taken_before_the_switching_off_never_proves_it():
    power = PowerGone([CURRENT])
    power.switched(10.0)
    power.observe("i", 9.99, 0.0)
    assert power.finding().power is Power.WAITED_FOR


@pytest.mark.parametrize(
    ("channels", "off", "then", "words"),
    [
        ([CURRENT], {"i": 0.001}, {"i": 0.4}, "i is at 400.0 mA again"),
        ([CURRENT], {"i": 0.001}, {"i": 0.03}, ""),  # noise, or nearly nothing
        ([CURRENT], {"i": 0.75}, {"i": 0.74}, ""),  # it never went
        ([MAINS, CURRENT], {"u": 230.0, "i": 0.0}, {"u": 231.0}, ""),  # a voltmeter before the switch
        ([MAINS, CURRENT], {"u": 0.2, "i": 0.0}, {"u": 231.0}, "u is at 231.0 V again"),
        ([OUT], {"out": 0.3}, {"out": 14.9}, "out is at 14.90 V again"),
    ],
)
def test_power_that_is_back_is_said_by_what_has_clearly_risen(channels, off, then, words):
    power = PowerGone(channels)
    for name, value in {"i": 0.75, "u": 230.0, "out": 15.0}.items():
        power.observe(name, 9.0, value)
    power.switched(10.0)
    for at, readings in ((11.0, off), (12.0, then)):
        assert power.returned() == ""
        for name, value in readings.items():
            power.observe(name, at, value)
    assert power.returned() == words


def test_the_next_switching_off_is_judged_again():
    power = PowerGone([CURRENT])
    power.observe("i", 1.0, 0.75)
    power.switched(2.0)
    power.observe("i", 3.0, 0.0)
    assert power.finding().power is Power.GONE
    power.observe("i", 4.0, 0.8)
    power.switched(5.0)
    power.observe("i", 6.0, 0.8)
    assert power.finding().power is Power.THERE
    power.observe("i", 7.0, 0.0)
    assert power.finding().words == "i fell from 800.0 mA to 0.0 mA"


@given(st.floats(0.05, 10), st.floats(0, 10))
def test_what_is_said_to_be_gone_is_nearly_nothing(before, after):
    if finding([CURRENT], {"i": before}, {"i": after}).power is Power.GONE:
        assert after <= max(0.02 * before, CURRENT.accuracy.of(after))


def interruptions(channels, readings, volts=230.0):
    """Return kind and message of the events that `readings` (channel, time, value) cause."""
    bench = SimpleNamespace(channel=channels, mains=SimpleNamespace(voltage=volts), step=(), sweep=())
    watch = MainsInterruptions(bench)
    return [(event.kind, event.time, event.message) for each in readings for event in watch.update(*each)]


def test_a_single_reading_without_mains_is_an_event_and_so_is_its_return():
    readings = [("u", 1.0, 230.1), ("u", 2.0, 0.3), ("u", 3.0, 226.0), ("u", 4.0, 229.0)]
    assert interruptions([MAINS, OUT], readings) == [
        ("mains gone", 2.0, "u fell from 230.1 V to 0.3 V: the mains is gone"),
        ("mains back", 3.0, "u is at 226.0 V again, after 1.0 s"),
    ]


@given(st.floats(0.0, 20.0), st.integers(1, 200), st.floats(25.0, 260.0), st.floats(25.0, 260.0))
def test_no_outage_that_the_mains_meter_saw_is_without_its_two_events(low, count, before, after):
    readings = [("u", 0.5 * at, before) for at in range(5)]
    readings += [("u", 10 + 0.5 * at, low) for at in range(count)]
    readings += [("u", 200.0 + 0.5 * at, after + 10.0) for at in range(5)]
    kinds = [kind for kind, _, _ in interruptions([MAINS, CURRENT, OUT], readings)]
    assert kinds == ["mains gone", "mains back"]


def test_a_dip_is_reported_when_it_is_over_and_a_mains_turned_down_is_none():
    dip = [("u", 1.0, 230.0), ("u", 2.0, 120.0), ("u", 3.0, 92.0), ("u", 4.0, 228.0)]
    assert interruptions([MAINS], dip) == [("mains dip", 4.0, "u fell from 230.0 V to 92.0 V and was back after 2.0 s")]
    turned = [("u", float(at), 230.0 if at < 5 else 115.0) for at in range(100)]
    assert interruptions([MAINS], [*turned, ("u", 101.0, 230.0)]) == []


def test_without_a_mains_meter_what_flows_shows_it_and_then_the_supply_itself():
    off = [("i", 1.0, 0.756), ("i", 2.0, 0.3), ("i", 3.0, 0.0), ("i", 4.0, 0.0), ("i", 5.0, 0.8)]
    assert [kind for kind, _, _ in interruptions([CURRENT, OUT], off)] == ["mains gone", "mains back"]
    assert interruptions([CURRENT, OUT], off)[0][2].endswith("the mains is gone, or a fuse or lead is open")
    assert interruptions([CURRENT, OUT], [("out", 1.0, 22.0), ("out", 2.0, 0.1)]) == []
    ended = interruptions([OUT], [("out", 1.0, 22.0), ("out", 2.0, 0.1), ("out", 3.0, 22.0)])
    assert [kind for kind, _, _ in ended] == ["mains gone", "mains back"]
    assert ended[0][2] == "out fell from 22.00 V to 0.10 V: the mains is gone, or a fault takes its place"


def test_a_load_that_is_taken_off_is_no_mains_that_is_gone():
    assert interruptions([CURRENT], [("i", 1.0, 0.756), ("i", 2.0, 0.08), ("i", 3.0, 0.756)]) == []


def test_mains_that_was_never_there_is_not_gone():
    assert interruptions([MAINS], [("u", float(at), 0.2) for at in range(10)] + [("u", 20.0, 230.0)]) == []
