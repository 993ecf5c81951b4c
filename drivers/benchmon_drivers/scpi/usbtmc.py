"""USB-TMC through Linux's own driver: `/dev/usbtmcN`, without a library.

Requests of ioctl are those of `linux/usb/tmc.h` (from memory): a device clear, and the timeout in milliseconds, at
least 100. One read returns at most one message.
"""

from __future__ import annotations

import errno
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from fcntl import ioctl

from pyvisa import VisaIOError
from pyvisa.constants import InterfaceType, StatusCode

_CLEAR, _SET_TIMEOUT = 0x5B02, 0x40045B0A
"""_IO(91, 2), and _IOW(91, 10, __u32)."""
_SHORTEST_TIMEOUT = 100
_NAME = re.compile(r"/dev/usbtmc[0-9]{1,3}")


def is_usbtmc(address: str) -> bool:
    """Return whether an address is a device of Linux's driver for USB-TMC."""
    return _NAME.fullmatch(address) is not None


class UsbTmcDevice:
    """A device that is open, with as much of PyVISA's resources and of its backends as the connection uses.

    The constructor raises `OSError` where it cannot be opened.
    """

    interface_type = InterfaceType.usb
    resource_class = "INSTR"
    session = 0
    read_termination = ""

    def __init__(self, path: str) -> None:
        self._file: int | None = os.open(path, os.O_RDWR | os.O_CLOEXEC)
        self._milliseconds = 0
        self.visalib = self

    @property
    def timeout(self) -> int:
        """Milliseconds to wait for a message."""
        return self._milliseconds

    @timeout.setter
    def timeout(self, milliseconds: int) -> None:
        self._milliseconds = max(milliseconds, _SHORTEST_TIMEOUT)
        # A kernel before 4.20 has a fixed timeout of five seconds.
        with suppress(OSError):
            ioctl(self._number, _SET_TIMEOUT, self._milliseconds.to_bytes(4, "little"))

    @contextmanager
    def ignore_warning(self, *_: object) -> Iterator[None]:
        """Do nothing: this device warns of nothing."""
        yield

    def write(self, _: int, message: bytes) -> tuple[int, StatusCode]:
        """Send a whole message."""
        return os.write(self._number, message), StatusCode.success

    def read(self, _: int, count: int) -> tuple[bytes, StatusCode]:
        """Return at most `count` bytes of a message. Raises `VisaIOError` where none comes in time."""
        try:
            data = os.read(self._number, count)
        except OSError as problem:
            if problem.errno in (errno.ETIMEDOUT, errno.EAGAIN):
                raise VisaIOError(StatusCode.error_timeout) from problem
            raise
        return data, StatusCode.success_max_count_read if len(data) == count else StatusCode.success

    def clear(self, _: int) -> None:
        """Discard what the device has to say. Raises `VisaIOError` where it takes no device clear."""
        try:
            ioctl(self._number, _CLEAR)
        except OSError as problem:
            raise VisaIOError(StatusCode.error_nonsupported_operation) from problem

    def close(self) -> None:
        """Close it; do nothing where it is closed."""
        number, self._file = self._file, None
        if number is not None:
            os.close(number)

    @property
    def _number(self) -> int:
        if self._file is None:
            raise OSError(errno.ENODEV, "the device is closed")
        return self._file
