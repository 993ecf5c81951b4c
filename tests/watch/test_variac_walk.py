"""A supply is brought up at a variable transformer: every step can be confirmed, and nothing alarms on the way."""

from __future__ import annotations

import numpy as np
import pytest

from benchmon.bench import read_bench
from benchmon.watch.channel_history import ChannelHistory
from benchmon.watch.conditions import MeasuredConditions
from benchmon.watch.expectation import Expectation, Predictions
from benchmon.watch.plan import Action, Plan, StepRequest, blocking_reasons
from benchmon.watch.watch import Watch
from benchmon_simulated import Effects, OfflineBench
from support.supplies import RESERVOIR, supply

pytestmark = pytest.mark.long
"""Every level of the mains on the way is simulated for itself."""

BENCH = (
    supply(base=RESERVOIR)
    + """
[[instrument]]
name = "meter"
driver = "scpi"
[[channel]]
name = "mains"
instrument = "meter"
quantity = "mains.voltage.rms"
accuracy = "0.2 % + 0.1 V"
period = "0.5 s"
[[channel]]
name = "output"
instrument = "meter"
quantity = "output.voltage.mean"
accuracy = "0.3 % + 20 mV"
period = "0.5 s"
{limit}
[[channel]]
name = "line"
instrument = "meter"
quantity = "mains.current.rms"
accuracy = "1 % + 5 mA"
period = "0.5 s"
[[step]]
name = "a quarter"
mains = "57 V"
needs = ["output", "line"]
[[step]]
name = "half"
mains = "115 V"
needs = ["output", "line"]
[[step]]
name = "full"
mains = "230 V"
needs = ["output", "line"]
"""
)


class Walk:
    """The simulated supply on a variable transformer, watched as a recorder watches it, without threads or a clock."""

    def __init__(self, limit=""):
        self.bench = read_bench(BENCH.replace("{limit}", limit))
        self.offline = OfflineBench(self.bench, 1, Effects(scale=0.0))
        self.measured = MeasuredConditions(self.bench)
        predictions = Predictions(self.bench, self.measured.mains_accuracy)
        self.expectation = Expectation(self.bench, predictions, self.measured)
        self.history = ChannelHistory(self.bench)
        self.watch = Watch(self.bench.channel, self.history)
        self.plan, self.latest, self.events, self.now = Plan(self.bench.step), {}, [], 0.0

    def read(self, seconds, volts):
        """Read every channel twice a second while the mains goes to `volts` in even parts of `seconds`."""
        for level in np.linspace(self.offline.supply.mains_volts, volts, round(2 * seconds) + 1)[1:]:
            self.now += 0.5
            self.offline.supply.set_mains(float(level))
            for channel in self.bench.channel:
                value = self.offline.reading(channel.name, self.now)
                self.measured.observe(channel.name, self.now, value)
                expected = self.expectation.expected(channel, self.now)
                self.latest[channel.name], events = self.watch.judge(channel.name, self.now, value, expected)
                self.events += events

    def ask(self, action, number):
        lacks = [] if action is Action.BEGIN else self.lacks
        for event in self.plan.answer(StepRequest(action, number), self.now, lacks):
            self.plan.take(event)
        self.measured.follow(self.plan)
        self.history.hand.follow(self.plan)

    @property
    def lacks(self):
        return blocking_reasons(self.plan.current_step, self.now, self.bench.channel, self.latest)


def test_every_step_is_confirmed_and_nothing_alarms_on_the_way():
    walk = Walk()
    walk.offline.supply.set_mains(0.0)
    walk.read(3.0, 0.0)
    walk.ask(Action.BEGIN, 1)
    for number, volts in enumerate((57.0, 115.0, 230.0), 1):
        walk.read(5.0, volts)
        walk.read(12.0, volts)
        assert walk.lacks == []
        walk.ask(Action.CONFIRM, number)
    assert [event.message for event in walk.events if event.kind not in ("agrees", "cleared", "mains back")] == []


def test_a_limit_trips_while_the_mains_is_turned():
    walk = Walk('trip_above = "10 V"')
    walk.offline.supply.set_mains(0.0)
    walk.read(2.0, 0.0)
    walk.ask(Action.BEGIN, 1)
    walk.read(5.0, 230.0)
    assert "tripped" in {event.kind for event in walk.events}
