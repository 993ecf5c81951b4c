"""Charge that a reservoir without a load keeps: told from faults by what it was charged to and that it never rises.

The courses here are those of the RC discharge: hours, with the leakage that data sheets of electrolytics allow.
"""

from __future__ import annotations

import math

import pytest

from benchmon.bench import read_bench
from benchmon.quantities import Expected
from benchmon.watch.channel_history import ChannelHistory
from benchmon.watch.plausibility.kept_charge import KEPT, KeptChargeWatch
from benchmon.watch.plausibility.steadiness import with_causes_of_courses
from benchmon.watch.records import Explanation
from benchmon.watch.verdict import en_number
from support.channels import channel_of
from support.supplies import RESERVOIR, supply

CHANNELS = (
    channel_of("mains", "mains.voltage.rms", "0.2 % + 0.1 V"),
    channel_of("output", "output.voltage.mean", "0.1 % + 10 mV"),
    channel_of("winding", "secondary.voltage.rms", "0.5 % + 10 mV"),
)
OPEN = 'kind = "open"'
PER_VOLT = 27.4 / 230.0
"""What the output reads without load, by the mains: a winding of 20 V, less two diodes."""


def bench(load=OPEN):
    return read_bench(supply(base=RESERVOIR, load=load)).model_copy(update={"channel": CHANNELS})


class Bench:
    """A mains and an output that are read once a second, by a watch that expects the output from the mains."""

    def __init__(self, watch):
        self.watch = watch

    def read(self, mains, output, winding_en=0.0, seconds=3):
        should = mains * PER_VOLT
        expected = Expected(should, 0.05 * should, "V")
        for _ in range(seconds):
            self.watch.update("mains", mains, None, None)
            self.watch.update("winding", 0.08 * mains, None, winding_en)
            en = en_number(output, 0.01 + 0.001 * output, expected.value, expected.uncertainty)
            self.watch.update("output", output, expected, en)
        return [one.cause for one in self.watch.causes()]


def test_what_stays_when_the_mains_is_turned_down_is_stored_charge_with_its_volts_and_joules():
    at = Bench(KeptChargeWatch(bench()))
    assert at.read(230.0, 27.4) == []
    assert at.read(23.0, 27.3) == [KEPT]
    (found,) = at.watch.causes()
    # ½·C·U² of 4.7 mF.
    joules = 0.5 * 4.7e-3 * 27.3**2
    assert f"27.3 V and {joules:.1f} J" in found.message
    assert "through a resistor, and measure before you touch" in found.message
    assert (found.channels, found.evidence) == ((), "output"), "it concerns the circuit, and that meter shows it"
    assert 0.9 < found.likelihood < 1.0
    for minutes in range(1, 60):
        assert at.read(23.0, 27.3 * math.exp(-60.0 * minutes / 3000.0)) == [KEPT]


def test_a_reservoir_that_was_charged_before_anybody_looked_is_found_too():
    assert Bench(KeptChargeWatch(bench())).read(23.0, 26.0) == [KEPT]


def test_more_than_the_mains_ever_charged_is_a_fault():
    # Twice what is right, at the full mains: a primary tap for half of it.
    assert Bench(KeptChargeWatch(bench())).read(230.0, 55.0) == []
    # The same at half the mains, where the reservoir was empty before: nothing else has charged it.
    at = Bench(KeptChargeWatch(bench()))
    assert at.read(23.0, 2.8) == []
    assert at.read(115.0, 27.4) == []


@pytest.mark.parametrize("risen", [3.0, 20.0])
def test_what_rises_without_more_mains_is_a_fault(risen):
    at = Bench(KeptChargeWatch(bench()))
    at.read(230.0, 27.4)
    assert at.read(23.0, 9.0) == [KEPT]
    assert at.read(23.0, 9.0 + risen) == []


def test_behind_a_load_nothing_is_stored_for_long():
    at = Bench(KeptChargeWatch(bench(load={})))
    at.read(230.0, 27.4)
    assert at.read(23.0, 27.0) == []


def test_where_another_reading_disagrees_it_is_no_stored_charge_alone():
    at = Bench(KeptChargeWatch(bench()))
    at.read(230.0, 27.4)
    assert at.read(23.0, 27.3, winding_en=4.0) == []


def test_a_mains_that_is_not_what_a_step_wants_makes_no_difference():
    at = Bench(KeptChargeWatch(bench()))
    at.read(230.0, 27.4)
    at.watch.update("mains", 23.0, Expected(230.0, 11.5, "V"), -18.0)
    assert at.read(23.0, 27.3) == [KEPT]


def test_it_comes_before_a_fault_of_the_circuit_that_would_read_as_much():
    at = Bench(KeptChargeWatch(bench()))
    at.read(230.0, 27.4)
    at.read(115.0, 27.3)
    tap = Explanation("the primary tap is for half the mains voltage (115 V for 230 V)", 0.9, "", ())
    assert [one.cause for one in with_causes_of_courses([tap], at.watch.causes())] == [KEPT, tap.cause]


def test_a_mains_that_rose_while_nothing_was_expected_has_charged_it():
    watch = KeptChargeWatch(bench())
    at = Bench(watch)
    at.read(23.0, 2.7)
    for mains, output in ((120.0, 14.0), (230.0, 27.4), (23.0, 27.4)):
        watch.update("mains", mains, None, None)
        watch.update("output", output, None, None)
    assert at.read(23.0, 27.3) == [KEPT]


def test_the_history_of_the_channels_gives_it_as_a_cause():
    history = ChannelHistory(bench())
    for second in range(4):
        history.update("mains", float(second), 23.0, None, None)
        history.update("output", float(second), 26.0, Expected(2.5, 0.1, "V"), 200.0)
    assert [one.cause for one in history.causes(4.0)] == [KEPT]
