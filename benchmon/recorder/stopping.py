"""How a recording is asked to end: by a person, by its time, by a signal."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from benchmon.session.beacon import SIGNALS


class Stop:
    """Whether a recording shall end, and why; asked for from any thread or a signal handler.

    `switch_off` says who asked for switching off by a signal, "" for nobody.
    """

    def __init__(self) -> None:
        self.reason = ""
        self.switch_off = ""

    def ask(self, reason: str) -> None:
        """Ask for a clean end. The first reason counts."""
        self.reason = self.reason or reason


@contextmanager
def stopped_by_signals() -> Iterator[Stop]:
    """Give a `Stop` that SIGTERM and SIGINT ask for, SIGUSR1 to switch off; let a lost terminal (SIGHUP) pass."""
    asked = Stop()
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return

    def stop(number: int, _: FrameType | None) -> None:
        asked.ask(f"by {signal.Signals(number).name}")

    def switch_off(number: int, _: FrameType | None) -> None:
        asked.switch_off = f"by {signal.Signals(number).name}"

    handlers: dict[int, object] = {signal.SIGTERM: stop, signal.SIGINT: stop, SIGNALS["switch off"]: switch_off}
    if hasattr(signal, "SIGHUP"):
        handlers[signal.SIGHUP] = signal.SIG_IGN
    before = {number: signal.signal(number, handler) for number, handler in handlers.items()}  # type: ignore[arg-type]
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
