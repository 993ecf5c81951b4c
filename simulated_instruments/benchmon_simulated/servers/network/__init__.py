"""Servers of instruments that speak in messages over a network: MQTT, HTTP and UDP."""
