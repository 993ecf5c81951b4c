"""Servers of instruments that speak in messages over a network: MQTT, HTTP and UDP."""

from benchmon_simulated.servers.network.http_server import HttpServer
from benchmon_simulated.servers.network.mqtt_broker import MqttServer
from benchmon_simulated.servers.network.udp_server import UdpServer

__all__ = ["HttpServer", "MqttServer", "UdpServer"]
