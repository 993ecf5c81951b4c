"""Loading what will be needed while something else is waited for."""

from __future__ import annotations

from contextlib import suppress
from importlib import import_module
from threading import Thread


def load_in_background(module: str) -> None:
    """Load a module in a thread; returns at once. Whoever imports it properly waits for that, and sees what failed."""

    def load() -> None:
        with suppress(Exception):
            import_module(module)

    Thread(target=load, name=f"loading {module}", daemon=True).start()
