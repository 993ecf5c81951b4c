"""Meters on a network that speak in messages: MQTT, HTTP and UDP."""
