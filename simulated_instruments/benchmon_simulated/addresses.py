"""Addresses of instruments: reads those of a bench file, and writes others into its text."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping

from benchmon.errors import BadInput

HOST = "127.0.0.1"

_SOCKET = re.compile(r"TCPIP\d*::([^:]+)::(\d{1,5})::SOCKET", re.IGNORECASE)
_HEADER = re.compile(r"\s*\[")
_INSTRUMENT = re.compile(r"\s*\[\[\s*[\"']?instrument[\"']?\s*\]\]")
_ADDRESS = re.compile(r"""(\s*["']?address["']?\s*=\s*)("(?:\\.|[^"\\])*"|'[^']*')(.*)""", re.DOTALL)


def is_serial(address: str) -> bool:
    """Return whether `address` is a serial line: VISA's ASRL, or a bare device such as /dev/ttyUSB0 or COM3."""
    return "::" not in address or address.upper().startswith("ASRL")


def wanted_port(address: str) -> int:
    """Return the port that a socket `address` on this machine names, 0 for any free port."""
    match = _SOCKET.fullmatch(address)
    if match is None or match[1] not in (HOST, "localhost"):
        return 0
    port = int(match[2])
    return port if port <= 65_535 else 0


def socket_address(port: int) -> str:
    """Return the VISA resource name of a raw socket on this machine."""
    return f"TCPIP::{HOST}::{port}::SOCKET"


def rewrite_addresses(text: str, addresses: Mapping[str, str]) -> str:
    """Return the bench file `text` with the `address` of every instrument named in `addresses` replaced.

    Everything else, comments included, stays as it is. Raises `BadInput` where an instrument is not written as an
    [[instrument]] section with its address on one line.
    """
    before = _addresses_in(text)
    names = iter(before)
    address: str | None = None
    lines: list[str] = []
    written = True
    for line in text.splitlines(keepends=True):
        if _INSTRUMENT.match(line):
            name = next(names, "")
            address, written = addresses.get(name), False
            lines.append(line)
            if address is not None and before[name] is None:
                lines.append(f"address = {json.dumps(address)}\n")
            continue
        if _HEADER.match(line):
            written = True
        match = _ADDRESS.match(line) if not written and address is not None else None
        written = written or match is not None
        lines.append(f"{match[1]}{json.dumps(address)}{match[3]}" if match else line)
    rewritten = "".join(lines)
    if _addresses_in(rewritten) != before | dict(addresses):
        raise BadInput("addresses cannot be replaced; write every instrument as an [[instrument]] section of its own")
    return rewritten


def _addresses_in(text: str) -> dict[str, object]:
    try:
        instruments = tomllib.loads(text).get("instrument", [])
    except tomllib.TOMLDecodeError:
        return {}
    return {str(instrument["name"]): instrument.get("address") for instrument in instruments}
