"""A thread that works on the newest thing asked of it: what it has not begun when something newer comes is dropped."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Generic, TypeVar

T = TypeVar("T")


class NewestOnly(Generic[T]):
    """Does slow work without making anybody wait; `work` is called in the thread, and must let nothing out."""

    def __init__(self, name: str, work: Callable[[T], object]) -> None:
        self._work = work
        self._news = threading.Condition()
        self._asked: list[T] = []
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Start the thread."""
        self._thread.start()

    def stop(self, timeout: float) -> None:
        """End the thread, or leave it after `timeout` seconds; it dies with the process."""
        with self._news:
            self._stopping = True
            self._news.notify()
        if self._thread.ident is not None:
            self._thread.join(timeout)

    def ask(self, what: T) -> None:
        """Have `what` worked on next, instead of anything that still waits."""
        with self._news:
            self._asked = [what]
            self._news.notify()

    def ask_if_idle(self, what: T) -> None:
        """Have `what` worked on where nothing else waits."""
        with self._news:
            if not self._asked:
                self._asked = [what]
                self._news.notify()

    def _run(self) -> None:
        while True:
            with self._news:
                self._news.wait_for(lambda: self._stopping or self._asked)
                if self._stopping:
                    return
                what = self._asked.pop()
            self._work(what)
