"""Servers that speak an instrument's protocol on a real line; `SERVERS` has one for each driver but Bluetooth's."""

from __future__ import annotations

from collections.abc import Callable

from benchmon.bench import Bench, Instrument
from benchmon_simulated.servers.file_server import CsvServer, PictureServer, ValueFileServer
from benchmon_simulated.servers.frame_server import FrameServer, UdpFramesServer
from benchmon_simulated.servers.network import HttpServer, MqttServer, UdpServer
from benchmon_simulated.servers.scpi_server import ScpiServer
from benchmon_simulated.servers.server import HandServer, InstrumentServer
from benchmon_simulated.servers.text_server import TextServer
from benchmon_simulated.supply.supply import SupplyUnderTest


def _modbus_server(instrument: Instrument, bench: Bench, supply: SupplyUnderTest, seed: int) -> InstrumentServer:
    from benchmon_simulated.servers.modbus_server import ModbusServer  # noqa: PLC0415 - its server takes long to load

    return ModbusServer(instrument, bench, supply, seed)


SERVERS: dict[str, Callable[[Instrument, Bench, SupplyUnderTest, int], InstrumentServer]] = {
    "scpi": ScpiServer,
    "serial_lines": TextServer,
    "serial_frames": FrameServer,
    "modbus": _modbus_server,
    "value_file": ValueFileServer,
    "csv_tail": CsvServer,
    "thermal_picture": PictureServer,
    "http": HttpServer,
    "mqtt": MqttServer,
    "udp": UdpServer,
    "udp_frames": UdpFramesServer,
    "hand": HandServer,
}
"""The server that simulates an instrument, by the instrument's driver."""
