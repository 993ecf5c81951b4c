"""Addresses of instruments: reads those of a bench file, and writes others into its text."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping

from benchmon.errors import BadInput

HOST = "127.0.0.1"
_NONE: Mapping[str, str] = {}

_SOCKET = re.compile(r"TCPIP\d*::([^:]+)::(\d{1,5})::SOCKET", re.IGNORECASE)
_HEADER = re.compile(r"\s*\[")
_INSTRUMENT = re.compile(r"\s*\[\[\s*[\"']?instrument[\"']?\s*\]\]")
_KEY = re.compile(r"""(\s*["']?(address|ca)["']?\s*=\s*)("(?:\\.|[^"\\])*"|'[^']*')(.*)""", re.DOTALL)


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


def rewrite_addresses(text: str, addresses: Mapping[str, str], authorities: Mapping[str, str] = _NONE) -> str:
    """Return the bench file `text` with the `address` of every instrument named in `addresses` replaced.

    `authorities` are the files for `ca`, by instrument. Everything else, comments included, stays as it is. Raises
    `BadInput` where an instrument is not written as an [[instrument]] section with its address on one line.
    """
    before = _keys_in(text)
    wanted = {name: {"address": address} for name, address in addresses.items()}
    for name, authority in authorities.items():
        wanted.setdefault(name, {})["ca"] = authority
    names = iter(before)
    to_write: dict[str, str] = {}
    lines: list[str] = []
    for line in text.splitlines(keepends=True):
        if _INSTRUMENT.match(line):
            name = next(names, "")
            to_write = dict(wanted.get(name, {}))
            missing = [key for key in to_write if key not in before.get(name, {})]
            lines += [line, *(f"{key} = {json.dumps(to_write.pop(key))}\n" for key in missing)]
            continue
        if _HEADER.match(line):
            to_write = {}
        match = _KEY.match(line)
        value = to_write.pop(match[2], None) if match is not None else None
        lines.append(line if match is None or value is None else f"{match[1]}{json.dumps(value)}{match[4]}")
    rewritten = "".join(lines)
    if (
        _keys_in(rewritten) != {name: keys | wanted.get(name, {}) for name, keys in before.items()}
        or wanted.keys() - before
    ):
        raise BadInput("addresses cannot be replaced; write every instrument as an [[instrument]] section of its own")
    return rewritten


def _keys_in(text: str) -> dict[str, dict[str, object]]:
    """Return the keys that may be replaced of every instrument, by its name."""
    try:
        instruments = tomllib.loads(text).get("instrument", [])
    except tomllib.TOMLDecodeError:
        return {}
    return {
        str(instrument["name"]): {key: instrument[key] for key in ("address", "ca") if key in instrument}
        for instrument in instruments
    }
