"""A simulated meter that sends datagrams each period: lines or JSON, one for every kind of message."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from benchmon.bench import Bench, Channel, Instrument
from benchmon_simulated.meters.meter import Meter
from benchmon_simulated.servers.driver_settings import keys_of
from benchmon_simulated.servers.network.messages import messages_of, period_of
from benchmon_simulated.servers.server import Language, Medium, WiredServer
from benchmon_simulated.servers.transports import UdpTransport
from benchmon_simulated.supply.supply import SupplyUnderTest


def _datagram_of(channel: Channel) -> str:
    return "" if keys_of(channel).text("json") else channel.name


class UdpServer(WiredServer):
    """A meter that sends lines and JSON; channels with `json` share a datagram, others have their own."""

    speaks: Language = "text"
    medium: Medium = "socket"
    has_clock = False

    def __init__(self, instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> None:
        self._transport = UdpTransport()
        super().__init__(instrument.name, self._transport)
        self._supply = supply
        self._messages = messages_of(bench, instrument, supply, seed, _datagram_of)
        self.meters: Sequence[Meter] = [meter for message in self._messages.values() for meter in message.meters]
        self._period = period_of(bench, instrument)

    async def open(self) -> str:
        """Choose a port to send to; return the address. Raises `InstrumentError` where the system refuses it."""
        await self.open_transport()
        return self._transport.address

    async def run(self) -> None:
        """Send every period, until cancelled."""
        while True:
            for message in self._messages.values():
                self._transport.send(message.text_now(self._supply.snapshot).encode())
            await asyncio.sleep(self._period)
