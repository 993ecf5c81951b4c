"""No statement of the watch contradicts another one, or a row beside it; and what looks for that finds it."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pytest

from benchmon.watch.records import LoggedReading
from support.contradictions import contradictions_in
from watch.test_assessing import BENCH, assessed, kinds, log

CALM = {
    "channels": {
        "vout": {
            "value": 22.1,
            "expected": 22.0,
            "en": 0.5,
            "verdict": "agrees",
            "flags": [],
            "final": None,
            "time_to_limit_s": None,
        },
        "case": {
            "value": 80.5,
            "expected": 60.0,
            "en": 4.0,
            "verdict": "disagrees",
            "flags": [],
            "final": {"value": 91.3, "uncertainty": 2.0},
            "time_to_limit_s": None,
        },
    },
    "events": [{"time_s": 1.0, "channel": "vout", "kind": "note", "message": "vout reads 22.14 V"}],
    "explanations": [
        {"cause": "none of these", "likelihood": 0.4, "message": "case reads 80.5 °C and is heading for 91.3 °C"},
        {"cause": "vout: a wrong range", "likelihood": 0.3, "message": "vout reads 100 % of the expected mean"},
    ],
}


def changed(*path, to):
    answer = copy.deepcopy(CALM)
    inside = answer
    for key in path[:-1]:
        inside = inside[key]
    inside[path[-1]] = to
    return answer


READINGS = [LoggedReading(0.5, "vout", 22.14)]


def test_an_answer_that_contradicts_nothing():
    assert contradictions_in(CALM, BENCH, READINGS) == []


UNTOLD = {"cause": "none of these", "likelihood": 0.6, "message": "x: all agrees, and no known cause is seen yet"}


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (changed("channels", "vout", "en", to=1.2), "En 1.2 and agrees"),
        (changed("channels", "vout", "en", to=-0.5), "of 22.1 against 22.0"),
        (changed("explanations", 0, "message", to="case reads 91.3 °C, expected 60.0 °C"), "where case reads 80.5"),
        (changed("explanations", 0, "message", to="x: and no known cause is seen yet"), None),
        (changed("explanations", 0, to=UNTOLD), "beside"),
        (changed("explanations", 0, "likelihood", to=0.9), "more than 1"),
        (changed("explanations", 0, "cause", to="nothing wrong"), "nothing wrong 0.40 above case"),
        (changed("channels", "case", "time_to_limit_s", to=60.0), "passes 110.0 in 60.0 s, and settles at 91.3"),
        (changed("channels", "case", "final", to={"value": 120.0, "uncertainty": 2.0}), "and never passes 110.0"),
        (changed("explanations", 1, "message", to="vout reads 50 % of the expected mean"), "22.1 of 22.0"),
        (changed("explanations", 1, "message", to="vout reads 3 times the expected mean"), "22.1 of 22.0"),
        (changed("events", 0, "message", to="vout reads 22.14"), "without its unit"),
        (changed("events", 0, "message", to="vout is at 23.9 V"), "where vout reads 22.14"),
    ],
)  # fmt: skip
def test_what_contradicts_is_found(answer, words):
    found = contradictions_in(answer, BENCH, READINGS)
    assert (found == []) if words is None else any(words in one for one in found), found


def test_a_cause_where_every_channel_agrees_is_a_contradiction():
    answer = changed("channels", "case", "verdict", to="agrees")
    answer["channels"]["case"]["en"] = 0.4
    answer["explanations"] = [{"cause": "a weak battery", "likelihood": 0.76, "message": "change it"}]
    assert contradictions_in(answer, BENCH) == ["a weak battery 0.76 where every channel agrees"]


def _without_mains(t, v):
    return v * ((t < 60) | (t > 80))


LOGS = {
    "a right supply": {},
    "wandering mains": {"mains": 0.03},
    "output at half": {"changes": {"vout": lambda _, v: 0.5 * v}},
    "an intermittent joint": {"changes": {"vout": lambda t, v: v * np.where(t % 8 < 4, 1.0, 0.6)}},
    "a case that gets too hot": {"changes": {"case": lambda t, _: 24.0 + 70.0 * (1.0 - np.exp(-t / 60.0))}},
    "mains that fail": {"changes": dict.fromkeys(("mains", "current", "power"), _without_mains)},
    "a drift": {"changes": {"vout": lambda t, v: v * (1.0 + 1e-4 * t)}},
}


@pytest.mark.parametrize("name", LOGS)
def test_the_watch_contradicts_nothing(name):
    rows = log(120, **LOGS[name])
    assert contradictions_in(assessed(rows), BENCH, rows) == []


def test_a_frozen_meter_contradicts_nothing_and_is_not_called_right():
    rows = [replace(row, value=22.5) if row.channel == "vout" else row for row in log(240, mains=0.03)]
    found = assessed(rows)
    assert contradictions_in(found, BENCH, rows) == []
    assert "implausible" in kinds(found)
    assert found["explanations"][0]["cause"] != "nothing wrong"


def test_an_intermittent_joint_is_explained_by_its_whole_course():
    rows = log(120, changes={"vout": lambda t, v: v * np.where(t % 8 < 4, 1.0, 0.6)})
    assert assessed(rows)["explanations"][0]["cause"] == "vout: an intermittent contact at its leads"
