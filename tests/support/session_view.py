"""A view that tests feed by hand, on our own invented bench, and the means to read what the terminal would show."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from types import SimpleNamespace

from benchmon.bench import Bench, read_bench
from benchmon.errors import BenchmonError, RecorderError
from benchmon.prediction.result import Prediction
from benchmon.quantities import Expected
from benchmon.screen.app import BenchmonApp
from benchmon.session.encodings import stored
from benchmon.session.records import (
    RecorderState,
    SessionInfo,
    SettledPrediction,
    StepPrediction,
    StoredPrediction,
    TrendBin,
    Update,
)
from benchmon.session.requests import OperatorRequest
from benchmon.watch.plan import Plan
from benchmon.watch.records import Event, Explanations, Flag, Forecast, Judgement, Verdict, Waveform
from support.supplies import supply

News = Judgement | Event | Explanations | Forecast | Waveform | SettledPrediction | StepPrediction

SUPPLY = (
    supply(
        transformer={"open_circuit_voltage": "21 V", "primary_resistance": "12 Ω", "secondary_resistance": "0.3 Ω"},
        diode={"saturation_current": "5 nA"},
        load={"resistance": "20 Ω"},
    )
    + """\
[[instrument]]
name = "bench meter"
driver = "scpi"
"""
)
CHANNELS = (
    ("load resistor", "load.temperature", 'warn_above = "150 °C"\ntrip_above = "200 °C"'),
    ("output voltage", "output.voltage.mean", ""),
    ("output ripple", "output.voltage.ac_rms", ""),
    ("mains voltage", "mains.voltage.rms", ""),
    ("mains current", "mains.current.rms", ""),
    ("mains power", "mains.power.active", ""),
    ("secondary rms", "secondary.voltage.rms", ""),
    ("diode current", "diode.current.mean", ""),
    ("diode case", "diode.temperature.case", 'warn_above = "85 °C"\ntrip_above = "110 °C"'),
    ("reservoir ripple", "reservoir.voltage.ripple", ""),
    ("reservoir case", "reservoir.temperature.case", 'warn_above = "70 °C"\ntrip_above = "85 °C"'),
    ("transformer", "transformer.temperature", 'warn_above = "90 °C"\ntrip_above = "105 °C"'),
)


def bench_of(channels: Iterable[tuple[str, str, str]] = CHANNELS, more: str = "") -> Bench:
    sections = (
        f'[[channel]]\nname = "{name}"\ninstrument = "bench meter"\nquantity = "{quantity}"\n{more}\n'
        for name, quantity, more in channels
    )
    return read_bench(SUPPLY + "".join(sections) + more)


def judgement(
    channel: str,
    value: float | None,
    expected: float | None = None,
    spread: float = 1.0,
    time: float = 1.0,
    *,
    flags: Iterable[Flag] = (),
) -> Judgement:
    """A judgement as the watch gives it, the meter's uncertainty being a third of the prediction's."""
    en = None
    if value is not None and math.isfinite(value) and expected is not None:
        en = (value - expected) / math.hypot(spread, spread / 3)
    verdict = Verdict.UNPREDICTED
    if en is not None:
        size = abs(en)
        verdict = Verdict.AGREES if size <= 1 else Verdict.QUESTIONABLE if size <= 1.5 else Verdict.DISAGREES
    around = None if expected is None else spread
    return Judgement(channel, time, value, spread / 3, expected, around, en, verdict, frozenset(flags))


def _answer_of(
    predict: Callable[..., Prediction], mains: float | None, load: object
) -> tuple[StoredPrediction | None, str]:
    try:
        return stored(predict(SimpleNamespace(mains=mains, load=load))), ""
    except BenchmonError as problem:
        return None, str(problem)


class FakeView:
    """A session view whose updates a test pushes. `problem` makes the next polls fail; requests are kept."""

    def __init__(self, channels: Iterable[tuple[str, str, str]] = CHANNELS, live: bool = True, more: str = "") -> None:
        self.info = SessionInfo("somewhere.session", bench_of(channels, more), 1.8e9, "0.1.0")
        self.live = live
        self.now = 0.0
        self.state = RecorderState.RECORDING
        self.problem: BenchmonError | None = None
        self.deaf = False
        self.trouble = ""
        self.bench: Bench | None = None
        self.requests: list[OperatorRequest] = []
        self.signals: list[OperatorRequest] = []
        self.past: dict[str, list[TrendBin]] = {}
        self._news: list[News] = []
        self._identities: dict[str, str] = {}

    def push(self, *news: News, now: float | None = None, identities: dict[str, str] | None = None) -> None:
        self._news += news
        self._identities |= identities or {}
        self.now = self.now if now is None else now

    def predict(self, predict: Callable[..., Prediction]) -> None:
        """Have a recorder know what `predict` says of mains and load: as measured, and at every step of the plan."""
        steps = self.info.bench.step
        plan = Plan(steps)
        places = [(number, plan.mains_at(number), plan.load_at(number)) for number in range(1, len(steps) + 1)]
        self.push(SettledPrediction(self.now, *_answer_of(predict, None, None)))
        self.push(*(StepPrediction(self.now, number, *_answer_of(predict, *given)) for number, *given in places))

    def poll(self) -> Update:
        if self.problem is not None:
            raise self.problem
        news, self._news = self._news, []
        identities, self._identities = self._identities, {}
        explanations = [each for each in news if isinstance(each, Explanations)]
        return Update(
            self.now,
            self.state,
            tuple(each for each in news if isinstance(each, Judgement)),
            tuple(each for each in news if isinstance(each, Event)),
            identities,
            explanations[-1] if explanations else None,
            tuple(each for each in news if isinstance(each, Forecast)),
            tuple(each for each in news if isinstance(each, Waveform)),
            self.trouble,
            bench=self.bench,
            settled=next((each for each in reversed(news) if isinstance(each, SettledPrediction)), None),
            steps=tuple(each for each in news if isinstance(each, StepPrediction)),
        )

    def trend(self, channel: str, *_: float) -> tuple[TrendBin, ...]:
        return tuple(self.past.get(channel, ()))

    def request(self, request: OperatorRequest) -> int | None:
        if self.deaf:
            raise RecorderError("no recorder listens")
        self.requests.append(request)
        return len(self.requests)

    def request_by_signal(self, request: OperatorRequest) -> bool:
        self.signals.append(request)
        return not self.deaf

    def band(self, channel: str, *_: float) -> tuple[Expected | None, ...]:
        return (Expected(24.0, 0.5, "V"),) * len(self.past.get(channel, ()))

    def close(self) -> None:
        """Hold nothing."""


def all_agree(view: FakeView, time: float = 1.0) -> None:
    """Give every channel a reading that agrees."""
    for channel in view.info.bench.channel:
        view.push(judgement(channel.name, 24.2, 24.0, time=time), now=time)


def lines_of(app: BenchmonApp) -> list[str]:
    """The lines that the terminal would show now, dialogues over the views behind them."""
    update = app.screen._compositor.render_update(full=True, screen_stack=app._background_screens)
    return ["".join(segment.text for strip in line for segment in strip) for line in update.strips]


async def sees(app, pilot, read_screen, *words):
    """Look until the screen shows all `words`, for a bounded number of times; return what it shows."""
    text = ""
    for _ in range(80):
        app.follow()
        await pilot.pause(0.03)
        text = "\n".join(read_screen(app))
        if all(each in text for each in words):
            break
    assert all(each in text for each in words), text
    return text
