"""What the engine answers depends on its question alone: rooms that test something else ask each question once.

The room that tests the engine itself does not use this.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from benchmon.bench import Bench
from benchmon.prediction import operating_point
from benchmon.prediction.operating_point import OperatingPointPredictor
from benchmon.watch.diagnosis.explainer import Explainer
from benchmon.watch.diagnosis.suspected_fault import SuspectedFault

ANSWERS: dict[Any, Any] = {}
"""Everything that was answered in this process, by what was asked and of which supply."""

_NOT_THE_SUPPLY = {"source", "title", "instrument", "channel", "step", "sweep", "report", "switch_off"}


def _supply(bench: Bench) -> str:
    return bench.model_dump_json(exclude=_NOT_THE_SUPPLY)


def _channels(bench: Bench) -> str:
    return bench.model_dump_json(exclude={"source", "title", "instrument"})


def _once(ask: Callable[..., Any], name_of: Callable[..., Any]) -> Callable[..., Any]:
    """Return a function that asks once for each name that `name_of` gives what it is asked."""

    def asked(*given: Any, **named: Any) -> Any:
        name = (ask, name_of(*given), *given[1:], *named.items())
        if name not in ANSWERS:
            ANSWERS[name] = ask(*given, **named)
        return ANSWERS[name]

    return asked


def _fault(fault: SuspectedFault) -> str:
    return repr((_supply(fault.bench), fault.changes, fault.added, fault.defects))


def solve_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let predictions at operating points, causes and the waves of faults be worked out once in this process."""
    predicted = _once(OperatingPointPredictor._predict, lambda predictor, *_: _supply(predictor.bench))
    monkeypatch.setattr(OperatingPointPredictor, "_predict", predicted)
    monkeypatch.setattr(operating_point, "predict", _once(operating_point.predict, _supply))
    monkeypatch.setattr(Explainer, "_at", _once(Explainer._at, lambda one, _: _channels(one._bench)))
    monkeypatch.setattr(SuspectedFault, "traces", _once(SuspectedFault.traces, lambda fault, _: _fault(fault)))
