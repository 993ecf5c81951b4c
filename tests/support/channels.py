"""Channels to watch."""

from benchmon.bench import Channel


def channel_of(name="case", quantity="diode.temperature.case", accuracy="1 K", period=1.0, **limits):
    """Return a channel: a thermometer by default."""
    return Channel(name=name, instrument="meter", quantity=quantity, accuracy=accuracy, period=period, **limits)
