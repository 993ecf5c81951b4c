"""benchmon as a library: sessions as arrays, and predictions. `import benchmon` offers these names directly."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from benchmon import prediction
from benchmon.bench import Bench, load_bench
from benchmon.prediction import Prediction
from benchmon.report.session_reader import Readings, RecordedSession

__all__ = ["Bench", "Prediction", "Readings", "RecordedSession", "load_bench", "open_session", "predict"]


def open_session(path: Path | str) -> RecordedSession:
    """Return the session file at `path`, to be asked for readings as numpy arrays, expectations, events and more.

    One that is still recorded may be opened too; it tells what it has come to. Raises `SessionFileError`, in one line,
    where there is none, or it is damaged or of a newer version.
    """
    return RecordedSession(path)


def predict(
    bench: Bench | Path | str,
    *,
    mains_voltage: float | None = None,
    ambient: float | None = None,
    load: float | Literal["open"] | None = None,
) -> Prediction:
    """Return what every meter on a bench should read, settled; `bench` is one, or the path of a bench file.

    `mains_voltage` is a measured one in V rms, `ambient` in °C, `load` another load in ohms or "open". Raises
    `BenchFileError` for a bench file that cannot be used, `PredictionError` for a circuit without a trustworthy answer.
    """
    found = bench if isinstance(bench, Bench) else load_bench(bench)
    return prediction.predict(found, mains_voltage=mains_voltage, ambient=ambient, load=load)
