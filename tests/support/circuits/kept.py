"""References that were worked out once: seconds of integration each, and the same whenever they are asked for.

They stand in `kept.json` beside this file, by the circuit they belong to. One that is not there fails its test: half of
them were once worked out in every run, since their keys had changed, and nobody saw it. Those at a temperature that is
itself predicted are the exception, and are worked out where they are not kept.

    BENCHMON_RENEW_REFERENCES=1 python -m pytest -n 0 tests/prediction      adds what is missing
    python -m pytest -m long tests/prediction                              works them out again and compares
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

from benchmon.bench import Bench
from support.circuits.drawn import IDEAL
from support.circuits.reference import reference as integrated
from support.circuits.saturating import saturating as with_core
from support.circuits.stepped import Drawn
from support.circuits.stepped import stepped as in_steps

FILE = Path(__file__).with_name("kept.json")


def reference(bench: Bench, junction: float | None = None, ntc_ohms: float = 0.0) -> dict[str, float]:
    """Return every electrical quantity of `bench` as `support.circuits.reference` integrates it."""
    return _kept(
        ["reference", _parts_of(bench), junction and round(junction, 3), round(ntc_ohms, 5)],
        lambda: integrated(bench, junction, ntc_ohms),
        may_be_new=junction is not None or ntc_ohms > 0.0,
    )


def saturating(bench: Bench) -> dict[str, float]:
    """Return what a supply with a saturating core reads as `support.circuits.saturating` integrates it."""
    return _kept(["saturating", _parts_of(bench)], lambda: with_core(bench))


def stepped(bench: Bench, drawn: Drawn, periods: int) -> dict[str, float]:
    """Return what a supply with defects reads as `support.circuits.stepped` steps it."""
    faults = [drawn.states, drawn.polarities]
    return _kept(["stepped", _parts_of(bench), faults, periods], lambda: in_steps(bench, drawn, periods))


def _parts_of(bench: Bench) -> Any:
    """What a circuit is made of; what a bench file may hold besides, and what is left as it is, changes no key."""
    named = ("mains", "transformer", "fuse", "ntc", "rectifier", "diode", "filter", "regulator", "load", "ambient")
    named += ("filter_2", "regulator_2", "load_2")
    found = bench.model_dump(mode="json", include=set(named), exclude_defaults=True)
    # What is given as nothing makes the same circuit as it did when nothing was what a key left out meant.
    for section in (found["mains"], found["transformer"], *found.get("filter", [])):
        for key in ("harmonics", "source_resistance", "leakage_inductance", "esr"):
            if not section.get(key, True):
                del section[key]
    for key, ideal in IDEAL.items():
        if found.get("regulator", {}).get(key) == ideal:
            del found["regulator"][key]
    return found


@cache
def _file() -> dict[str, dict[str, float]]:
    return json.loads(FILE.read_text(encoding="utf-8")) if FILE.exists() else {}


def _kept(
    circuit: list[Any], work_out: Callable[[], dict[str, float]], *, may_be_new: bool = False
) -> dict[str, float]:
    key = hashlib.sha256(json.dumps(circuit, sort_keys=True, default=str).encode()).hexdigest()[:16]
    if key in _file():
        return _file()[key]
    is_renewed = bool(os.environ.get("BENCHMON_RENEW_REFERENCES"))
    assert is_renewed or may_be_new, "this circuit's reference is not kept; BENCHMON_RENEW_REFERENCES=1 adds it"
    found = {name: float(value) for name, value in work_out().items()}
    if is_renewed:
        _file()[key] = found
        lines = (f'"{one}": {json.dumps(values)}' for one, values in sorted(_file().items()))
        FILE.write_text("{\n" + ",\n".join(lines) + "\n}\n", encoding="utf-8")
    return found
