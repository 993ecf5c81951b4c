"""The publisher as a process of its own, so that whatever it waits for, nobody waits for it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from benchmon.publish.broker import new_client, read_broker


def check_broker(url: str) -> None:
    """Raise `BadInput` where `url` names no broker, or one that cannot be spoken to; it need not be there yet."""
    new_client(read_broker(url))


def start_publisher(session: Path, url: str) -> subprocess.Popen[bytes]:
    """Start a publisher of the session at `session`, which ends by itself when the session is over."""
    return subprocess.Popen(  # noqa: S603 - this very program
        [sys.executable, "-P", "-m", "benchmon.publish", str(session), url],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
