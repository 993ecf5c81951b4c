"""benchmon: predict, watch and record the power-on test of a mains-transformer linear power supply.

As a library: `benchmon.open_session(path)` gives a session's readings as numpy arrays, `benchmon.predict(bench)` what
every meter should read, `benchmon.load_bench(path)` a bench file.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from benchmon.api import open_session, predict
    from benchmon.bench.file import load_bench

__version__ = "0.1.0"
__all__ = ["__version__", "load_bench", "open_session", "predict"]


def __getattr__(name: str) -> Any:
    """Return a name of the library; numpy and all else is loaded only then, so that commands start quickly."""
    if name in __all__:
        return getattr(import_module("benchmon.api"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
