"""Fake instruments for tests of drivers: a TCP server or a pseudo-terminal that a test controls.

`answer` gets each line that was received, without its end, and returns the bytes to send, or None to stay silent. It
may be replaced at any time. Where queries are no lines, `split` cuts the received bytes into queries and the rest.
Everything listens on 127.0.0.1 only.
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

Responder = Callable[[bytes], bytes | None]
Split = Callable[[bytes], tuple[list[bytes], bytes]]
_TICK = 0.05


def no_reply(_: bytes) -> None:
    """Return None: send nothing."""


def split_lines(data: bytes) -> tuple[list[bytes], bytes]:
    """Return the complete lines of `data` without their ends, and the incomplete rest."""
    *lines, part = data.replace(b"\r", b"").split(b"\n")
    return lines, part


class FakeInstrument(ABC):
    """Base of both kinds: a thread that answers; `received` has every query, and `send` sends unasked."""

    def __init__(self, answer: Responder = no_reply, split: Split = split_lines) -> None:
        self.answer = answer
        self.split = split
        self.received: list[bytes] = []
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._serve, name="fake instrument", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ended.set()
        self._thread.join(5)
        self._release()

    @abstractmethod
    def send(self, data: bytes) -> None:
        """Send `data` unasked. Raises `OSError` where nothing is connected."""

    @abstractmethod
    def _serve(self) -> None: ...

    @abstractmethod
    def _release(self) -> None: ...

    def _respond(self, part: bytes, data: bytes, send: Callable[[bytes], object]) -> bytes:
        queries, part = self.split(part + data)
        for query in queries:
            self.received.append(query)
            reply = self.answer(query)
            if reply:
                send(reply)
        return part


class FakeTcpInstrument(FakeInstrument):
    """A TCP server for one client at a time; `unplug` and `plug_in` take it off the network and back."""

    def __init__(self, answer: Responder = no_reply, greeting: bytes = b"", split: Split = split_lines) -> None:
        super().__init__(answer, split)
        self.greeting = greeting
        self._server = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._server.getsockname()[1]
        self._client: socket.socket | None = None
        self._present = threading.Event()
        self.clients = 0
        """The number of clients that have connected so far."""

    @property
    def visa_address(self) -> str:
        """The VISA resource name."""
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    @property
    def url(self) -> str:
        """The address as a URL of pyserial."""
        return f"socket://127.0.0.1:{self.port}"

    def send(self, data: bytes) -> None:
        """Send `data` to the client. Raises `ConnectionResetError` if there is none within two seconds."""
        self._present.wait(2)
        if self._client is None:
            raise ConnectionResetError("no client is connected")
        self._client.sendall(data)

    def unplug(self) -> None:
        """Close the connection and refuse new ones."""
        self._ended.set()
        self._thread.join(5)
        self._release()

    def plug_in(self) -> None:
        """Listen again on the same port."""
        self._server = socket.create_server(("127.0.0.1", self.port))
        self._ended.clear()
        self._thread = threading.Thread(target=self._serve, name="fake instrument", daemon=True)
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

    def _release(self) -> None:
        self._server.close()


class FakeSerialInstrument(FakeInstrument):
    """An instrument on a pseudo-terminal; `path` is the serial port to open."""

    def __init__(self, answer: Responder = no_reply, split: Split = split_lines) -> None:
        super().__init__(answer, split)
        self._ours, theirs = os.openpty()
        self.path = os.ttyname(theirs)
        # The driver's end stays open here too: otherwise the line would break whenever a driver closes it.
        self._theirs: int | None = theirs
        self._set_raw(theirs)

    @property
    def visa_address(self) -> str:
        """The VISA resource name."""
        return f"ASRL{self.path}::INSTR"

    def send(self, data: bytes) -> None:
        """Send `data` to the driver."""
        os.write(self._ours, data)

    @staticmethod
    def _set_raw(line: int) -> None:
        import tty  # noqa: PLC0415  not available on Windows, where this class is not used

        tty.setraw(line)

    def _serve(self) -> None:
        part = b""
        while not self._ended.is_set():
            if select([self._ours], [], [], _TICK)[0]:
                with suppress(OSError):
                    part = self._respond(part, os.read(self._ours, 4096), self.send)

    def unplug(self) -> None:
        """Break the line permanently."""
        self.__exit__()

    def _release(self) -> None:
        if self._theirs is not None:
            # A thread that a busy machine holds up must not write to what gets the number of this line next.
            theirs, ours, self._theirs, self._ours = self._theirs, self._ours, None, -1
            os.close(theirs)
            os.close(ours)
