"""What a serial receiver makes of bytes that were sent at another speed than it listens at."""

from __future__ import annotations

START, STOP = 0, 1


def misread(data: bytes, speed: float) -> bytes:
    r"""Return the bytes that a receiver at `speed` times the sender's finds in `data`, eight bits without parity.

    Sender and receiver have start bit, eight data bits from the lowest on, and stop bit. The receiver waits for the
    line to fall and samples in the middle of what it takes for bits, as real ones do; a wrong stop bit is let pass.

    >>> misread(b"21.5", 1.0), misread(b"21.5", 0.5), misread(b"A", 2.0)
    (b'21.5', b'Zy', b'\x06\xfe')
    """
    line = [STOP, *(bit for byte in data for bit in (START, *(byte >> at & 1 for at in range(8)), STOP))]
    found = bytearray()
    at = 0.0
    while (start := _next_fall(line, at)) is not None:
        samples = [_level(line, start + (bit + 1.5) / speed) for bit in range(8)]
        found.append(sum(level << bit for bit, level in enumerate(samples)))
        at = start + 9.5 / speed
    return bytes(found)


def _level(line: list[int], time: float) -> int:
    """Return the line's level at `time`, in the sender's bits from its first; it rests high."""
    return line[int(time)] if time < len(line) else STOP


def _next_fall(line: list[int], time: float) -> float | None:
    """Return when the line next falls after `time`."""
    at = int(time)
    while at < len(line) and line[at] == START:
        at += 1
    while at < len(line) and line[at] != START:
        at += 1
    return float(at) if at < len(line) else None
