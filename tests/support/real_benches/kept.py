"""What takes long to work out for drawn supplies, kept in files between runs of a benchmark.

The key of what is kept is the source that made it and all that it was made from.
"""

from __future__ import annotations

import math
import pickle
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path
from typing import Any
from unittest import mock

import benchmon.errors
import benchmon.prediction
from benchmon.bench import Bench
from benchmon.watch.diagnosis import circuit_hypotheses, meter_values
from support.real_benches import netlist
from support.real_benches.minutes import measured
from support.real_benches.netlist import TrueCircuit

_FOLDER = Path(tempfile.gettempdir()) / "benchmon-real-benches"


def measured_states(circuits: Sequence[TrueCircuit]) -> list[dict[str, float]]:
    """Return what ideal meters read off each of `circuits`, as `measured` does; each is solved once."""
    source = Path(netlist.__file__).read_bytes()
    keys = [sha256(source + repr(one).encode()).hexdigest()[:24] for one in circuits]
    missing = {key: one for key, one in zip(keys, circuits, strict=True) if not _file(key).exists()}
    for key, values in zip(missing, measured(list(missing.values())), strict=True):
        _keep(key, values)
    return [_kept(key) for key in keys]


def without_power(state: dict[str, float]) -> dict[str, float]:
    """Return what is read where the fuse has blown: of nothing, no ratio."""
    ratios = ("factor", "thd")
    return {
        name: value if name == "mains.voltage.rms" else math.nan if name.endswith(ratios) else 0.0
        for name, value in state.items()
    }


@contextmanager
def solved_faults_kept() -> Iterator[None]:
    """Keep what the diagnosis solves of sound and faulty circuits, as long as no source of the prediction changes."""
    folder = Path(benchmon.prediction.__file__).parent
    sources = [*sorted(folder.rglob("*.py")), Path(meter_values.__file__)]
    made_by = sha256(b"".join(path.read_bytes() for path in sources)).digest()
    solve = meter_values.meter_values

    def kept(bench: Bench, mains: float, parts: Any = None, defects: Any = None, **others: Any) -> Any:
        like = others.get("like")
        values = None if parts is None else {name: part.tolist() for name, part in sorted(parts.values.items())}
        sound = () if like is None else like.quantities.items()
        alike = [(name, one.value, one.moves.tolist()) for name, one in sound]
        text = f"{bench.model_dump_json()} {mains} {values} {defects} {alike}"
        key = sha256(made_by + text.encode()).hexdigest()[:24]
        if _file(key).exists():
            found = _kept(key)
            if isinstance(found, Exception):
                raise found
            return found
        try:
            found = solve(bench, mains, parts, defects, **others)
        except benchmon.errors.PredictionError as problem:
            _keep(key, problem)
            raise
        state = found.state
        object.__setattr__(found, "state", None)
        _keep(key, found)
        object.__setattr__(found, "state", state)
        return found

    with mock.patch.object(circuit_hypotheses, "meter_values", kept):
        yield


def _file(key: str) -> Path:
    return _FOLDER / key[:2] / f"{key}.pickle"


def _keep(key: str, value: Any) -> None:
    path = _file(key)
    path.parent.mkdir(parents=True, exist_ok=True)
    unfinished = path.with_suffix(f".{id(value)}")
    unfinished.write_bytes(pickle.dumps(value))
    unfinished.replace(path)


def _kept(key: str) -> Any:
    return pickle.loads(_file(key).read_bytes())  # noqa: S301 - it was written here
