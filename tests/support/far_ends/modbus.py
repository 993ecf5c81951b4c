"""A fake Modbus instrument for tests: a unit with registers and bits, over TCP or a pseudo-terminal.

It writes its frames by itself, so that a fault of the library under the driver shows.
"""

import struct

from benchmon.instruments.testing.fake_instrument import FakeSerialInstrument, FakeTcpInstrument

FUNCTIONS = {1: "coil", 2: "discrete", 3: "holding", 4: "input"}


def crc(data):
    """Return the CRC of the serial line guide, bit by bit, low byte first."""
    value = 0xFFFF
    for byte in data:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ 0xA001 if value & 1 else value >> 1
    return value.to_bytes(2, "little")


def tcp_queries(data):
    found = []
    while len(data) >= 6 and len(data) >= (end := 6 + int.from_bytes(data[4:6], "big")):
        found.append(data[:end])
        data = data[end:]
    return found, data


def rtu_queries(data):
    """All queries here have eight bytes, except for the identification, which has seven."""
    found = []
    while len(data) >= (size := 7 if data[1:2] == b"\x2b" else 8):
        found.append(data[:size])
        data = data[size:]
    return found, data


class Unit:
    """What one unit holds: `registers[function][number]`. What it does not hold is an illegal data address."""

    def __init__(self, **tables):
        self.tables = tables
        self.identity = None
        self.refuses = None

    def answer(self, query):
        """Return the answer's function code and data."""
        function, start, count = struct.unpack(">BHH", query[:5])
        if self.refuses is not None:
            return bytes([function | 0x80, self.refuses])
        if function == 0x2B and self.identity is not None:
            parts = b"".join(bytes([n, len(part)]) + part for n, part in enumerate(self.identity))
            return bytes([0x2B, 0x0E, 1, 1, 0, 0, len(self.identity)]) + parts
        if function in (5, 6):
            table = self.tables.setdefault("coil" if function == 5 else "holding", {})
            table[start] = count == 0xFF00 if function == 5 else count
            return query[:5]
        table = self.tables.get(FUNCTIONS.get(function))
        if table is None:
            return bytes([function | 0x80, 1])
        try:
            values = [table[number] for number in range(start, start + count)]
        except KeyError:
            return bytes([function | 0x80, 2])
        if function in (1, 2):
            bits = sum(bool(value) << n for n, value in enumerate(values))
            data = bits.to_bytes(-(-count // 8), "little")
        else:
            data = b"".join(value.to_bytes(2, "big") for value in values)
        return bytes([function, len(data)]) + data


class FakeModbusInstrument:
    """Units on a line; `behaviour` may replace every answer: it gets the frame and returns what is sent instead."""

    def __init__(self, units, tcp=True):
        self.units = units
        self.behaviour = lambda frame: frame
        self.tcp = tcp
        self.line = (
            FakeTcpInstrument(self._answer, split=tcp_queries)
            if tcp
            else FakeSerialInstrument(self._answer, rtu_queries)
        )

    def __enter__(self):
        self.line.__enter__()
        return self

    def __exit__(self, *problem):
        self.line.__exit__(*problem)

    @property
    def address(self):
        return f"tcp://127.0.0.1:{self.line.port}" if self.tcp else self.line.path

    @property
    def queries(self):
        """Return (unit, function, start, count) of every query so far."""
        heads = [query[6:12] if self.tcp else query[:6] for query in self.line.received]
        return [struct.unpack(">BBHH", head) for head in heads]

    def _answer(self, query):
        # The beginning of a TLS greeting may look like a short frame.
        if self.tcp and len(query) < 8:
            return None
        unit, asked = (query[6], query[7:]) if self.tcp else (query[0], query[1:-2])
        if not self.tcp and crc(query[:-2]) != query[-2:]:
            raise AssertionError(f"the query {query.hex()} has a wrong CRC")
        if unit not in self.units:
            return None
        answer = bytes([unit]) + self.units[unit].answer(asked.ljust(5, b"\0"))
        if self.tcp:
            return self.behaviour(query[:4] + len(answer).to_bytes(2, "big") + answer)
        return self.behaviour(answer + crc(answer))
