"""Sessions of units of one invented design."""

import sqlite3
from contextlib import closing

import pytest

from benchmon.bench import read_bench
from benchmon.prediction import predict
from support import written_sessions

FEW = ("output", "output AC", "mains voltage", "diode case", "air")


@pytest.fixture(scope="session")
def bench():
    """Return a bench with few channels, so that its sessions are quickly written."""
    text = written_sessions.text_of("reservoir").partition("# ---- The plan")[0]
    head, *channels = text.split("[[channel]]")
    kept = [channel for channel in channels if any(f'name = "{name}"' in channel for name in FEW)]
    return read_bench("[[channel]]".join([head, *kept]))


@pytest.fixture(scope="session")
def expected(bench):
    """Return a function that gives the expected values at a mains voltage, worked out once."""
    kept = {}

    def at(mains):
        if mains not in kept:
            kept[mains] = predict(bench, mains_voltage=mains).quantities
        return kept[mains]

    return at


@pytest.fixture(scope="session")
def written():
    """Return the sessions that were written, as bytes, by what they hold."""
    return {}


@pytest.fixture
def write_unit(tmp_path, bench, expected, written):
    """Return a function that writes a session of the unit `serial` and returns its path.

    `spoil` are factors on what is read, `mains` is the voltage it was tested at, `started` when, in seconds since 1970.
    """

    def write(serial, spoil=None, *, mains=230.0, started=None, name=None, of=None):
        path = tmp_path / f"{name or serial}.benchmon"
        known = expected(mains)
        read = {"mains.voltage.rms": mains / known["mains.voltage.rms"].value} | (spoil or {})
        key = (mains, (of or bench).source, *read.items())
        if key not in written:
            written_sessions.write_session(path, of or bench, known, seconds=3, spoil=read)
            written[key] = path.read_bytes()
        path.write_bytes(written[key])
        with closing(sqlite3.connect(path)) as connection, connection:
            if serial:
                connection.execute("INSERT INTO facts VALUES ('serial', ?)", (serial,))
            if started is not None:
                connection.execute("UPDATE session SET started = ?", (started,))
        return path

    return write
