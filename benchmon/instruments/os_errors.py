"""Errors of the operating system as instrument errors: their meaning at a bench, and the remedy."""

from __future__ import annotations

import errno
import socket

from benchmon.errors import InstrumentError, InstrumentTimeout
from benchmon.text import one_line

_MEANINGS = {
    errno.ENOENT: "there is no such port; is it plugged in?",
    errno.ENODEV: "the port is gone; is it plugged in?",
    errno.ENXIO: "the port is gone; is it plugged in?",
    errno.EIO: "the line broke; is it plugged in and switched on?",
    errno.EACCES: "no permission; add your user to the group that owns the port",
    errno.EBUSY: "the port is in use by another program; close that one",
    errno.EAGAIN: "the port is in use by another program; close that one",
    errno.ECONNREFUSED: "the connection is refused; is it switched on, and are host and port right?",
    errno.EPIPE: "the connection is refused or was closed; is it switched on, and are host and port right?",
    errno.ECONNRESET: "the instrument closed the connection; is it switched on?",
    errno.ECONNABORTED: "the connection broke; check the network cable",
    errno.ENETUNREACH: "there is no way to that network; check cable and address",
    errno.EHOSTUNREACH: "there is no such host on the network; check cable and address",
}


def explain(problem: Exception, address: str) -> InstrumentError | None:
    """Return the instrument error for `problem` at `address`, None if it is no error of the operating system."""
    if isinstance(problem, OSError):
        return _explain_os_error(problem, address)
    if type(problem).__module__ == "termios":
        what = "baud, data_bits, parity, stop_bits and handshake"
        return InstrumentError(one_line(f"{address}: the port refuses its settings ({problem}); check {what}"))
    return None


def _explain_os_error(problem: OSError, address: str) -> InstrumentError:
    if isinstance(problem, TimeoutError):
        return InstrumentTimeout(one_line(f"{address}: no answer in time; is it switched on?"))
    if isinstance(problem, socket.gaierror):
        return InstrumentError(one_line(f"{address}: the host's name is not known; check it, or use its number"))
    # Serial libraries raise their own errors without a number while handling the one that has it.
    cause = problem.__context__
    number = problem.errno or (cause.errno if isinstance(cause, OSError) else None)
    meaning = _MEANINGS.get(number or 0)
    return InstrumentError(one_line(f"{address}: {meaning or problem.strerror or f'the line broke ({problem})'}"))
