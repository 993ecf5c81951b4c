"""The screen of a whole lab: all benches that are published to a broker."""
