"""Waiting for what must come, on a machine that may be busy: conditions are polled, and patience is long."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TypeVar

Found = TypeVar("Found")

PATIENCE = 120.0
"""Seconds after which what has not come is given up. A test that passes never waits for them."""

_LONGEST_PAUSE = 0.08


def until(something: Callable[[], Found], seconds: float = PATIENCE, pause: float = 0.01) -> Found:
    """Wait until `something` returns what is true, and return it; fail after `seconds`.

    Pauses grow from `pause` to `_LONGEST_PAUSE`: a look can cost more than what is waited for.
    """
    end = time.monotonic() + seconds
    while not (found := something()):
        assert time.monotonic() < end, "it never came"
        time.sleep(pause)
        pause = max(pause, min(1.2 * pause, _LONGEST_PAUSE))
    return found
