"""One invented moment of a bench on which everything a screen can show is present, and every way to look at it.

Nothing here depends on a clock: the moment stands still, predictions are there when they are asked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from benchmon.event_kinds import EventKind
from benchmon.prediction.result import Prediction, Waveforms
from benchmon.quantities import Expected
from benchmon.session.records import TrendBin
from benchmon.watch.records import Event, EventDetails, Explanation, Explanations, Flag, Forecast, Waveform
from support.session_view import FakeView, judgement

NOW = 187.0
MORE = """
[[instrument]]
name = "old meter"
driver = "hand"
[[channel]]
name = "case by hand"
instrument = "old meter"
quantity = "regulator.temperature.case"
[[step]]
name = "a tenth, no load"
mains = "23 V"
load = "open"
hold = "30 s"
needs = ["output voltage"]
[[step]]
name = "full mains"
mains = "230 V"
hold = "5 min"
needs = ["output voltage", "mains current"]
[[step]]
name = "load on"
load = "20 Ω"
hold = "10 min"
[switch_off]
instrument = "bench meter"
command = "OUTP OFF"
"""


def predict(situation):
    """Our invented supply, roughly."""
    volts = (situation.mains or 230.0) / 9.5 + (2.0 if situation.load == "open" else 0.0)
    time = np.linspace(0.0, 0.02, 400, endpoint=False)
    traces = {
        "mains.voltage": 325 * np.sin(100 * np.pi * time),
        "mains.current": 1.2 * np.sin(100 * np.pi * time) ** 5,
    }
    quantities = {
        "output.voltage.mean": Expected(volts, 0.4, "V"),
        "mains.current.rms": Expected(0.62, 0.05, "A"),
        "diode.temperature.case": Expected(71.0, 4.0, "°C"),
        "transformer.temperature": Expected(63.0, 6.0, "°C"),
        "load.temperature": Expected(120.0, 15.0, "°C"),
        "reservoir.temperature.case": Expected(38.0, 3.0, "°C"),
    }
    harmonics = [(1, 0.55), (3, 0.3), (5, 0.16), (7, 0.06), (9, 0.02)]
    return Prediction(230.0, 50.0, 25.0, quantities, {"mains.current": harmonics}, Waveforms(time, traces))


EVENTS = (
    Event(0.4, "", "started", "recording of Workshop supply started"),
    Event(12.0, "", "step begun", "1 of 3: a tenth, no load", EventDetails(step=1)),
    Event(60.0, "", "step done", "1 of 3: a tenth, no load: no hum", EventDetails(step=1, note="no hum")),
    Event(60.0, "", "step begun", "2 of 3: full mains", EventDetails(step=2)),
    Event(90.0, "", "note", "[0:01:30] smell of varnish"),
    Event(150.0, "output voltage", "disagrees", "output voltage reads 12.1 V, expected 24.2 V: disagrees"),
    Event(170.0, "load resistor", "hot", "load resistor is at 161 °C, past its warning of 150 °C"),
    Event(186.0, "", EventKind.BENCH_EDITED, "[load], limits of diode case"),
)


def still_view() -> FakeView:
    """Return a view of that moment."""
    view = FakeView(more=MORE)
    _push_readings(view)
    time = np.arange(0.0, 0.06, 5e-5)
    angle = 100 * np.pi * (time + 0.004)
    # The third harmonic is a little less than half the first: a bar must not end in the middle of a character.
    current = 1.3 * np.sin(angle) ** 5 + 0.02 * np.sin(3 * angle)
    view.push(Waveform("mains current", 180.0, time, current, "A"))
    view.push(Forecast("diode case", NOW, "rising", 0.2, 118.0, 6.0, 220.0, 150.0, 300.0))
    view.push(Forecast("transformer", NOW, "rising", 0.05, 61.0, 4.0))
    advice = "a diode is open; switch off and test the diodes"
    diode = f"output voltage reads 50 % of the expected mean: {advice}"
    cause = Explanation("a diode is open", 0.91, diode, ("output voltage",), "output voltage", advice)
    view.push(Explanations(NOW, (cause,)))
    view.push(*EVENTS, now=NOW)
    view.predict(predict)
    return view


def _push_readings(view):
    temperatures = {"diode case": 74.0, "transformer": 44.0, "reservoir case": 33.0, "load resistor": 161.0}
    for channel in view.info.bench.channel:
        name = channel.name
        view.past[name] = [
            TrendBin(at, at + 1.0, 5, 23.0 + at / 90, 23.4 + at / 90, 23.2 + at / 90) for at in range(187)
        ]
        settled = temperatures.get(name, 24.2)
        for at in np.arange(100.0, NOW):
            value = settled * (1 + 0.004 * math.sin(at / 5))
            view.push(judgement(name, value, None if name == "case by hand" else settled, time=float(at)), now=NOW)
    view.push(
        judgement("output voltage", 12.1, 24.2, time=NOW),
        judgement("output ripple", 25.4, 24.2, time=NOW),
        judgement("mains voltage", 231.2, 230.0, 5.0, time=NOW),
        judgement("mains power", None, 24.2, time=NOW, flags=[Flag.STALE]),
        judgement("secondary rms", math.inf, 24.2, time=NOW, flags=[Flag.OVERRANGE]),
        judgement("diode current", 24.3, 24.2, time=NOW, flags=[Flag.DRIFTING]),
        judgement("load resistor", 161.0, 120.0, 60.0, time=NOW, flags=[Flag.HOT]),
        now=NOW,
    )


@dataclass(frozen=True)
class Look:
    """A way to look: the keys that lead there from the rows, words that are seen then, and the keys back."""

    name: str
    keys: tuple[str, ...]
    words: str
    back: tuple[str, ...] = ("escape",)


LOOKS = (
    Look("rows", (), "output voltage", ()),
    Look("details of a channel", ("enter",), "quantity"),
    Look("events", ("e",), "smell of varnish"),
    Look("plan", ("p",), "full mains"),
    Look("large figures", ("b",), "█"),
    Look("trend", ("t",), "trend of"),
    Look("wave", ("w", "down"), "line: measured"),
    Look("harmonics", ("w", "h"), "measured, ◇"),
    Look("help", ("question_mark",), "no protective device"),
    Look("switching off", ("o",), "OFF"),
    Look("note", ("n",), "what do you see"),
    Look("reading by hand", ("r",), "case by hand"),
    Look("skipping a step", ("p", "s"), "why?", ("escape", "escape")),
    Look("edited bench file", ("l",), "It changes"),
    Look("finding", ("slash",), "find", ("escape",)),
    Look("leaving", ("q",), "leave the screen?"),
)
