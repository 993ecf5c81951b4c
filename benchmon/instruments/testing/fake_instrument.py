"""The far end of an instrument's line, for tests of drivers: a TCP server or a pseudo-terminal that a test plays.

`answer` gets each line that was asked, without its end, and returns the bytes to send, or None to keep silent. It may
be replaced at any time. Where questions are no lines, `split` cuts what arrived into questions and the rest. Everything
listens on 127.0.0.1 only.
"""

from __future__ import annotations

import os
import socket
import threading
from abc import ABC, abstractmethod
from collections.abc import Callable
from contextlib import suppress
from select import select
from typing import Self

Answer = Callable[[bytes], bytes | None]
Split = Callable[[bytes], tuple[list[bytes], bytes]]
_TICK = 0.05


def silence(_: bytes) -> None:
    """Answer nothing."""


def into_lines(data: bytes) -> tuple[list[bytes], bytes]:
    """Return the whole lines of `data` without their ends, and the part of one that follows."""
    *lines, part = data.replace(b"\r", b"").split(b"\n")
    return lines, part


class FarEnd(ABC):
    """What both kinds share: a thread that answers, every question in `asked`, and `say` for what streams."""

    def __init__(self, answer: Answer = silence, split: Split = into_lines) -> None:
        self.answer = answer
        self.split = split
        self.asked: list[bytes] = []
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="far end", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join(5)
        self._let_go()

    @abstractmethod
    def say(self, data: bytes) -> None:
        """Send `data` without being asked. Raises `OSError` where nobody listens."""

    @abstractmethod
    def _serve(self) -> None: ...

    @abstractmethod
    def _let_go(self) -> None: ...

    def _respond(self, part: bytes, data: bytes, send: Callable[[bytes], object]) -> bytes:
        questions, part = self.split(part + data)
        for question in questions:
            self.asked.append(question)
            reply = self.answer(question)
            if reply:
                send(reply)
        return part


class TcpFarEnd(FarEnd):
    """A TCP server for one client after the other; `unplug` and `plug_in` take it off the network and back."""

    def __init__(self, answer: Answer = silence, greeting: bytes = b"", split: Split = into_lines) -> None:
        super().__init__(answer, split)
        self.greeting = greeting
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self._client: socket.socket | None = None
        self._present = threading.Event()
        self.clients = 0
        """How many have connected so far."""

    @property
    def visa_address(self) -> str:
        """The VISA resource name."""
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @property
    def url(self) -> str:
        """The address as pyserial writes it."""
        return f"socket://127.0.0.1:{self.port}"

    def say(self, data: bytes) -> None:
        """Send `data` to the client. Raises `ConnectionResetError` where there is none within two seconds."""
        self._present.wait(2)
        if self._client is None:
            raise ConnectionResetError("nobody is connected")
        self._client.sendall(data)

    def unplug(self) -> None:
        """Close the connection and refuse new ones."""
        self._ended.set()
        self._thread.join(5)
        self._let_go()

    def plug_in(self) -> None:
        """Listen again on the same port."""
        self._server = socket.create_server(("127.0.0.1", self.port))
        self._ended.clear()
        self._thread = threading.Thread(target=self._serve, name="far end", daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        while not self._ended.is_set():
            if select([self._server], [], [], _TICK)[0]:
                client, _ = self._server.accept()
                self.clients += 1
                with client:
                    client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                    self._client = client
                    self._present.set()
                    with suppress(ConnectionError):
                        client.sendall(self.greeting)
                        self._serve_one(client)
                    self._present.clear()
                    self._client = None

    def _serve_one(self, client: socket.socket) -> None:
        part = b""
        while not self._ended.is_set():
            if select([client], [], [], _TICK)[0]:
                data = client.recv(4096)
                if not data:
                    return
                part = self._respond(part, data, client.sendall)

    def _let_go(self) -> None:
        self._server.close()


class PtyFarEnd(FarEnd):
    """The far end of a pseudo-terminal; `path` is the serial port to open."""

    def __init__(self, answer: Answer = silence, split: Split = into_lines) -> None:
        super().__init__(answer, split)
        self._ours, theirs = os.openpty()
        self.path = os.ttyname(theirs)
        # Keeping their end open too, as a plugged-in cable does: else the line breaks whenever a driver closes it.
        self._theirs: int | None = theirs
        self._set_raw(theirs)

    @property
    def visa_address(self) -> str:
        """The VISA resource name."""
        return f"ASRL{self.path}::INSTR"

    def say(self, data: bytes) -> None:
        """Send `data` as if it came over the cable."""
        os.write(self._ours, data)

    @staticmethod
    def _set_raw(line: int) -> None:
        import tty  # noqa: PLC0415  there is none on Windows, where this class is not used

        tty.setraw(line)

    def _serve(self) -> None:
        part = b""
        while not self._ended.is_set():
            if select([self._ours], [], [], _TICK)[0]:
                with suppress(OSError):
                    part = self._respond(part, os.read(self._ours, 4096), self.say)

    def unplug(self) -> None:
        """Break the line for good."""
        self.__exit__()

    def _let_go(self) -> None:
        if self._theirs is not None:
            os.close(self._theirs)
            os.close(self._ours)
            self._theirs = None
