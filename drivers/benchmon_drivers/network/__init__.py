"""Meters that speak in messages, over a network or by radio: MQTT, HTTP, UDP and Bluetooth."""
