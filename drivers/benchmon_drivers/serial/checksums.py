"""Checksums of frames: sums, exclusive or, and cyclic redundancy checks.

The check values over `123456789` are those of the literature on CRCs (from memory); a test holds each to its own.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from operator import xor
from typing import Literal

Checksum = Literal["none", "sum", "sum16", "negated sum", "inverted sum", "xor", "crc8", "crc16", "ccitt", "xmodem"]


def crc16(data: bytes) -> int:
    """Return the CRC-16/MODBUS of `data`: polynomial 0x8005 reflected, from 0xFFFF.

    >>> hex(crc16(b"123456789"))
    '0x4b37'
    """
    value = 0xFFFF
    for byte in data:
        value = value >> 8 ^ _REFLECTED[(value ^ byte) & 0xFF]
    return value


def ccitt(data: bytes, value: int = 0xFFFF) -> int:
    """Return the CRC of `data` with polynomial 0x1021, from 0xFFFF (CCITT) or 0 (XMODEM).

    >>> hex(ccitt(b"123456789")), hex(ccitt(b"123456789", 0))
    ('0x29b1', '0x31c3')
    """
    for byte in data:
        value = (value << 8 & 0xFFFF) ^ _CCITT[value >> 8 ^ byte]
    return value


def crc8(data: bytes) -> int:
    """Return the CRC-8 of `data`: polynomial 0x07, from 0.

    >>> hex(crc8(b"123456789"))
    '0xf4'
    """
    value = 0
    for byte in data:
        value = _CRC8[value ^ byte]
    return value


def _forward(byte: int, polynomial: int, bits: int) -> int:
    value = byte << bits - 8
    for _ in range(8):
        value = value << 1 ^ (polynomial if value >> bits - 1 else 0)
        value &= (1 << bits) - 1
    return value


def _reflected(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ (0xA001 if byte & 1 else 0)
    return byte


_REFLECTED = tuple(map(_reflected, range(256)))
_CCITT = tuple(_forward(byte, 0x1021, 16) for byte in range(256))
_CRC8 = tuple(_forward(byte, 0x07, 8) for byte in range(256))

CHECKSUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "none": (0, lambda _: 0),
    "sum": (1, lambda data: sum(data) & 0xFF),
    "sum16": (2, lambda data: sum(data) & 0xFFFF),
    "negated sum": (1, lambda data: -sum(data) & 0xFF),
    "inverted sum": (1, lambda data: ~sum(data) & 0xFF),
    "xor": (1, lambda data: reduce(xor, data, 0)),
    "crc8": (1, crc8),
    "crc16": (2, crc16),
    "ccitt": (2, ccitt),
    "xmodem": (2, lambda data: ccitt(data, 0)),
}
"""The number of bytes of each checksum, and its function."""
