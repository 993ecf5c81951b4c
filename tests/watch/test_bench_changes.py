"""What of an edited bench file may come into force while it is recorded."""

import pytest

from benchmon.bench import read_bench
from benchmon.event_kinds import EventKind
from benchmon.watch.bench_changes import BenchChanges, changes_between
from benchmon.watch.plan import Plan
from benchmon.watch.records import Event, EventDetails
from support.supplies import supply

BENCH = (
    supply()
    + """\
[[instrument]]
name = "meter"
driver = "hand"
[[channel]]
name = "vout"
instrument = "meter"
quantity = "output.voltage.rms"
accuracy = "1 %"
[[channel]]
name = "case"
instrument = "meter"
quantity = "diode.temperature.case"
warn_above = "80 °C"
[[step]]
name = "no load"
load = "open"
[[step]]
name = "load on"
load = "22 Ω"
hold = "60 s"
"""
)


def edits(*changes, begun=0):
    text = BENCH
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return changes_between(read_bench(BENCH), read_bench(text), begun)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (
            'warn_above = "80 °C"',
            'warn_above = "70 °C"\ntrip_above = "90 °C"',
            "case: warn_above 80 °C → 70 °C|case: trip_above none → 90 °C",
        ),
        ('accuracy = "1 %"', 'accuracy = "0.5 % + 20 mV"', "vout: accuracy 1 % → 0.5 % + 20 mV"),
        ('resistance = "22 Ω"\n[[inst', 'resistance = "20 Ω"\n[[inst', "[load]: resistance 22 Ω → 20 Ω"),
        ('frequency = "50 Hz"', 'frequency = "50 Hz"\ntolerance = "5 %"', "[mains]: tolerance 0 % → 5 %"),
        ('hold = "60 s"', 'hold = "90 s"', "step 2"),
        ('hold = "60 s"', 'hold = "60 s"\n[[step]]\nname = "soak"', "the plan has 3 steps instead of 2"),
    ],
)
def test_what_is_expected_and_allowed_may_change_at_once(old, new, words):
    assert edits((old, new)) == BenchChanges(tuple(words.split("|")), ())


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('title = "Workshop', 'title = "Other', "the title"),
        ('driver = "hand"', 'driver = "hand"\ntimeout = "60 s"', "the instruments"),
        ('name = "vout"', 'name = "output"', "the list of channels"),
        ('accuracy = "1 %"', 'accuracy = "1 %"\nperiod = "2 s"', "how they are asked: vout"),
        ('accuracy = "1 %"', 'accuracy = "1 %"\nscale = 10', "how they are asked: vout"),
        ("[[step]]", '[switch_off]\ninstrument = "meter"\n[[step]]', "[switch_off]"),
    ],
)
def test_what_the_recording_was_opened_with_takes_a_new_one(old, new, words):
    text = BENCH.replace(old, new, 1)
    assert words in changes_between(read_bench(BENCH), read_bench(text)).needs_new_recording


def test_comments_and_other_spellings_change_nothing():
    assert not edits(('"22 Ω"', '"22 ohm"'), ("[diode]", "# a note\n[diode]"))


def test_a_step_that_has_begun_keeps_its_name_and_place():
    renamed = ('name = "load on"', 'name = "load off"')
    assert edits(renamed, begun=1) == BenchChanges(("step 2",), ())
    assert edits(renamed, begun=2).needs_new_recording == ("a step that has begun",)
    assert edits(('hold = "60 s"', 'hold = "1 h"'), begun=2) == BenchChanges(("step 2",), ())


def test_a_plan_goes_on_where_it_stands_with_other_steps():
    plan = Plan(read_bench(BENCH).step)
    for kind, step in ((EventKind.STEP_BEGUN, 1), (EventKind.STEP_DONE, 1), (EventKind.STEP_BEGUN, 2)):
        plan.take(Event(5.0, "", kind, f"step {step}", EventDetails(step=step)))
    plan.change(read_bench(BENCH.replace("60 s", "90 s") + '[[step]]\nname = "soak"').step)
    assert (plan.step_number, plan.begun, len(plan.steps)) == (2, 2, 3)
    assert plan.current_step is not None
    assert plan.current_step.left(15.0) == 80.0
