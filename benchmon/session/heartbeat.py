"""Whether a recorder is alive, as seen from another process on the same machine."""

from __future__ import annotations

import platform
import time
from functools import cache
from pathlib import Path

SILENT_AFTER = 1.6
"""Seconds without a heartbeat after which a recorder counts as gone, so that a screen says so within 2 s."""

_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


@cache
def boot() -> str:
    """Return a name for this start of this machine, so that its monotonic clock is compared with no other."""
    try:
        return _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        return platform.node()


def is_beating(monotonic: float, at_boot: str) -> bool:
    """Return whether a heartbeat of that time (monotonic seconds) and boot is recent."""
    return at_boot == boot() and abs(time.monotonic() - monotonic) <= SILENT_AFTER
