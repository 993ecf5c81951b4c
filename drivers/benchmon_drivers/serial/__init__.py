"""Drivers for meters on a serial line: lines of text and binary frames."""
