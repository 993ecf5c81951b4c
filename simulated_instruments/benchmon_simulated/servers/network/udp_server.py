"""A simulated meter that sends a datagram for every kind of message each period."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Sequence

from benchmon.bench import Bench, Channel, Instrument
from benchmon.errors import InstrumentError
from benchmon_simulated.addresses import HOST
from benchmon_simulated.fault_effects import ALIVE, LineFaultEffect
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import keys_of
from benchmon_simulated.servers.network.messages import messages_of, period_of
from benchmon_simulated.servers.server import Language, Medium
from benchmon_simulated.supply.supply import SupplyUnderTest


def _datagram_of(channel: Channel) -> str:
    return "" if keys_of(channel).text("json") else channel.name


class UdpServer:
    """A meter that sends datagrams from and to this machine; channels with `json` share one, others have their own."""

    speaks: Language = "text"
    medium: Medium = "socket"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        self.name, self._supply = instrument.name, supply
        self._messages = messages_of(bench, instrument, supply, seed, _datagram_of)
        self.meters: Sequence[Meter] = [meter for message in self._messages.values() for meter in message.meters]
        self._period = period_of(bench, instrument)
        self._effects: tuple[LineFaultEffect, ...] = ()
        self._socket: socket.socket | None = None
        self._to = (HOST, 0)

    async def open(self) -> str:
        """Choose a free port to send to; return the address. Raises `InstrumentError` where the system refuses it."""
        try:
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
                free.bind((HOST, 0))
                self._to = free.getsockname()
            self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        except OSError as problem:
            why = problem.strerror or problem
            raise InstrumentError(f"instrument {self.name!r}: its simulated line cannot be opened: {why}") from problem
        self._socket.setblocking(False)
        return f"udp://{HOST}:{self._to[1]}?from={HOST}"

    async def run(self) -> None:
        """Send every period, until cancelled."""
        while True:
            if all(effect.link_state == ALIVE for effect in self._effects):
                for message in self._messages.values():
                    self._send_later(message.text_now(self._supply.snapshot))
            await asyncio.sleep(self._period)

    def _send_later(self, text: str) -> None:
        data = text.encode()
        for effect in self._effects:
            data = effect.sent(data)
        delay = max((effect.delay for effect in self._effects), default=0.0)
        if data:
            asyncio.get_running_loop().call_later(delay, self._send, data)

    def _send(self, data: bytes) -> None:
        if self._socket is None:
            return
        try:
            self._socket.sendto(data, self._to)
        except OSError:
            # Nobody listens yet, or the line is full: a datagram is lost, as on a real network.
            return

    async def apply(self, effects: tuple[LineFaultEffect, ...]) -> None:
        """Replace the active effects on its line."""
        self._effects = effects

    async def close(self) -> None:
        """Stop sending."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
