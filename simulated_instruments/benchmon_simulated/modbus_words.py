"""Values in Modbus registers: what a unit's registers hold for a number, by the keys of a channel."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Literal

from benchmon_simulated.keys import Keys

FORMATS = {
    "uint16": "H",
    "int16": "h",
    "uint32": "I",
    "int32": "i",
    "uint64": "Q",
    "int64": "q",
    "float32": "f",
    "float64": "d",
}
ORDERS = ("big", "little")


@dataclass(frozen=True)
class Words:
    """How a channel's value stands in registers: its type, orders, register × factor + offset, and special values."""

    kind: str
    word_order: str
    byte_order: str
    factor: float
    offset: float
    overload: float | None
    no_value: float | None

    @classmethod
    def of(cls, channel: Keys, instrument: Keys) -> Words:
        """Return what the keys of a channel and of its instrument say. Raises `BadInput`."""
        overload, no_value = channel.reals("overload"), channel.reals("no_value")
        return cls(
            channel.choice("type", "uint16", tuple(FORMATS)),
            channel.choice("word_order", instrument.choice("word_order", "big", ORDERS), ORDERS),
            channel.choice("byte_order", instrument.choice("byte_order", "big", ORDERS), ORDERS),
            channel.real("factor", 1.0) or 1.0,
            channel.real("offset", 0.0),
            overload[0] if overload else None,
            no_value[0] if no_value else None,
        )

    @property
    def count(self) -> int:
        """How many registers a value takes."""
        return struct.calcsize(FORMATS[self.kind]) // 2

    def registers(self, value: float) -> list[int]:
        """Return the registers, each 0 to 65535, that hold `value`.

        Where there is none, or it is over range, they hold what the keys say; failing that, not a number or infinity
        in a float, and the largest magnitude in an integer.

        >>> Words("int16", "big", "big", 0.1, 0.0, None, None).registers(-3.14)
        [65505]
        """
        special = self.no_value if math.isnan(value) else self.overload if math.isinf(value) else None
        raw = (value - self.offset) / self.factor if special is None else special
        data = struct.pack(f">{FORMATS[self.kind]}", raw if self.kind.startswith("float") else self._whole(raw))
        words = [int.from_bytes(data[at : at + 2], self._byte_order) for at in range(0, len(data), 2)]
        return words if self.word_order == "big" else words[::-1]

    @property
    def _byte_order(self) -> Literal["big", "little"]:
        return "big" if self.byte_order == "big" else "little"

    def _whole(self, raw: float) -> int:
        bits = 16 * self.count
        low, high = (0, (1 << bits) - 1) if self.kind.startswith("u") else (-(1 << bits - 1), (1 << bits - 1) - 1)
        if not math.isfinite(raw):
            return low if raw < 0 else high
        return min(high, max(low, round(raw)))
