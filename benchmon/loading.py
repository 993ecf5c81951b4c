"""Loading what will be needed while something else is waited for."""

from __future__ import annotations

import gc
import os
from contextlib import suppress
from importlib import import_module
from threading import Thread


def load_in_background(module: str) -> None:
    """Load a module in a thread; returns at once. Whoever imports it properly waits for that, and sees what failed."""

    def load() -> None:
        with suppress(Exception):
            import_module(module)

    Thread(target=load, name=f"loading {module}", daemon=True).start()


def begin_loading() -> None:
    """Load what follows without what nobody needs of it, so that a screen is there soon.

    What is loaded stays, so looking through it for garbage again and again finds nothing: whoever has loaded all says
    so by `all_is_loaded`. Plugins of pydantic would be looked for in everything that is installed; a bench
    file is read without any.
    """
    gc.disable()
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")


def all_is_loaded() -> None:
    """Look for garbage from now on, but not among what has been loaded."""
    gc.freeze()
    gc.enable()
