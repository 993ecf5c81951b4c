"""A serial port behind a network, as RFC 2217 has it: pyserial's own far side, on a port whose lines a test can see."""

import socket
import threading
import time
from contextlib import suppress

import serial
from serial.rfc2217 import PortManager


class SeenPort(serial.serial_for_url("loop://").__class__):
    """A port that loops back what is written, and remembers how its lines went."""

    def __init__(self):
        self.went = []
        super().__init__("loop://", timeout=0.01)

    def _update_rts_state(self):
        self.went.append(("rts", self._rts_state, time.monotonic()))
        super()._update_rts_state()

    def _update_dtr_state(self):
        self.went.append(("dtr", self._dtr_state, time.monotonic()))
        super()._update_dtr_state()


class Rfc2217Port:
    """The far side, for one client after the other; `say` sends as the meter on the port does."""

    def __init__(self):
        self.port = SeenPort()
        self._server = socket.create_server(("127.0.0.1", 0))
        self._client = None
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    @property
    def url(self):
        return f"rfc2217://127.0.0.1:{self._server.getsockname()[1]}"

    def __enter__(self):
        self._thread.start()
        return self

    def __exit__(self, *_):
        self._ended.set()
        self._thread.join(60)
        self._server.close()
        self.port.close()

    @property
    def lines(self):
        return {"rts": self.port.rts, "dtr": self.port.dtr}

    def write(self, data):
        """What the other side sends to the client."""
        with suppress(OSError):
            self._client.sendall(data)

    def send(self, data):
        self.write(b"".join(self._manager.escape(data)))

    def _serve(self):
        self._server.settimeout(0.05)
        while not self._ended.is_set():
            with suppress(TimeoutError):
                self._client, _ = self._server.accept()
                with self._client:
                    self._client.settimeout(0.02)
                    self._manager = PortManager(self.port, self)
                    self._hear()

    def _hear(self):
        while not self._ended.is_set():
            with suppress(TimeoutError):
                data = self._client.recv(4096)
                if not data:
                    return
                self.port.write(b"".join(self._manager.filter(data)))
