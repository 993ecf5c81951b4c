"""Commands for a running simulated bench, one a line: `Commands` executes them, `CommandLines` reads them.

The lines come from standard input without a thread, which could block on it.
"""

from __future__ import annotations

import math
import os
import re
import select
import time
from collections.abc import Callable, Sequence

from benchmon.errors import BadInput
from benchmon.quantities import RESISTANCE, VOLTAGE, Kind, parse_value
from benchmon.text import one_line
from benchmon_simulated.fault_schedule import FaultSchedule, seconds
from benchmon_simulated.servers.server import InstrumentServer
from benchmon_simulated.supply.supply import SupplyUnderTest

LONGEST_COMMAND = 500

SYNTAX = (
    "fault NAME, clear NAME, clear all, mains 180 V, mains on, mains off, load 4.7 Ω, load open, load back, "
    "load_2 4.7 Ω, load_2 open, load_2 back, fuse new, look CHANNEL, list; at 10s COMMAND executes it later"
)
"""Every command, as the reply to an unknown one."""

_LATER = re.compile(r"at (?P<time>[0-9.]+ ?(s|min|h|ms)?)\s+(?P<command>\S.*)")


class Commands:
    """The commands of one simulated bench. Use it from the bench's event loop only."""

    def __init__(self, supply: SupplyUnderTest, servers: Sequence[InstrumentServer], schedule: FaultSchedule) -> None:
        self._supply, self._servers, self._schedule = supply, servers, schedule
        self._handlers: dict[str, Callable[[str], str]] = {
            "fault": self._fault,
            "clear": self._clear,
            "mains": self._mains,
            "load": self._load,
            "load_2": self._load_2,
            "fuse": self._fuse,
            "look": self._look,
            "list": self._list,
        }

    def delayed(self, text: str) -> tuple[float, str]:
        """Return the delay in seconds and the command of `at TIME COMMAND`; 0 and `text` for any other text.

        Raises `BadInput` for an invalid time or an unknown command.
        """
        match = _LATER.fullmatch(_tidy(text))
        if match is None:
            return 0.0, text
        self._split(match["command"])
        return seconds(match["time"]), match["command"]

    def execute(self, text: str) -> str:
        """Execute one line `text`; return the reply, one line. Raises `BadInput` if it cannot be executed."""
        word, rest = self._split(text)
        return self._handlers[word](rest)

    def _split(self, text: str) -> tuple[str, str]:
        command = _tidy(text)
        word, _, rest = command.partition(" ")
        if word not in self._handlers or bool(rest) == (word == "list") or len(command) > LONGEST_COMMAND:
            raise BadInput(f"{one_line(command, 40)!r} is no command; the commands are: {SYNTAX}")
        return word, rest

    def _fault(self, rest: str) -> str:
        scheduled = self._schedule.plan(rest, self._supply.snapshot.time)
        return f"{scheduled.title}: {scheduled.description}"

    def _clear(self, rest: str) -> str:
        return f"cleared: {', '.join(self._schedule.clear(rest)) or 'no fault was active'}"

    def _mains(self, rest: str) -> str:
        if rest == "on":
            self._supply.switch_on()
        elif rest == "off":
            self._supply.switch_off()
        else:
            self._supply.set_mains(_value("mains", rest, VOLTAGE))
        return self._state()

    def _load(self, rest: str) -> str:
        if rest == "back":
            self._supply.restore_load()
        else:
            self._supply.set_load("open" if rest == "open" else _value("load", rest, RESISTANCE))
        return f"load {one_line(rest, 40)}"

    def _load_2(self, rest: str) -> str:
        if rest == "back":
            self._supply.restore_second_load()
        else:
            self._supply.set_second_load("open" if rest == "open" else _value("load_2", rest, RESISTANCE))
        return f"load_2 {one_line(rest, 40)}"

    def _fuse(self, rest: str) -> str:
        if rest != "new":
            raise BadInput(f"'fuse {one_line(rest, 40)}' is no command; write fuse new")
        self._supply.replace_fuse()
        return "a new fuse is in"

    def _look(self, rest: str) -> str:
        """Return what the display of a channel shows, as a person would read it."""
        for meter in (meter for server in self._servers for meter in server.meters):
            if meter.channel.name == rest:
                value = meter.read(self._supply.snapshot)
                return f"{rest} shows {'overload' if math.isinf(value) else f'{value:.6g} {meter.channel.unit}'}"
        raise BadInput(f"{one_line(rest, 40)!r} is not a channel of this bench")

    def _list(self, rest: str) -> str:  # noqa: ARG002 (a command)
        return f"{self._state()}; faults: {', '.join(self._schedule.titles) or 'none'}"

    def _state(self) -> str:
        supply = self._supply
        fuse = ", fuse blown" if supply.fuse_blown else ""
        return f"mains {supply.mains_volts:.4g} V, {'on' if supply.on else 'off'}{fuse}"


def _tidy(text: str) -> str:
    return re.sub(r"\s+", " ", text).strip()


def _value(word: str, text: str, kind: Kind) -> float:
    try:
        return parse_value(text, kind)
    except BadInput as problem:
        raise BadInput(f"'{word} {one_line(text, 40)}': {problem}") from problem


class CommandLines:
    """Whole lines from a file descriptor, standard input by default."""

    def __init__(self, descriptor: int = 0) -> None:
        self._descriptor = descriptor
        self._open = _is_open(descriptor)
        self._part = b""

    def wait(self, seconds: float) -> list[str]:
        """Return the lines that are there or come within `seconds`; a line too long for a command is cut."""
        if not self._open or _is_of_another(self._descriptor):
            time.sleep(seconds)
            return []
        readable, _, _ = select.select([self._descriptor], [], [], seconds)
        if not readable:
            return []
        data = os.read(self._descriptor, 4096)
        self._open = bool(data)
        *lines, self._part = (self._part + data).split(b"\n")
        if not data:
            lines, self._part = [*lines, self._part], b""
        self._part = self._part[: LONGEST_COMMAND + 1]
        return [line.decode("utf-8", "replace") for line in lines if line.strip()]


def _is_of_another(descriptor: int) -> bool:
    """Return whether the descriptor is a terminal that a shell has not given to this program, which runs behind `&`.

    Reading it would stop the program.
    """
    try:
        return os.isatty(descriptor) and os.tcgetpgrp(descriptor) != os.getpgrp()
    except OSError:
        # It is not the terminal of this session, so no shell shares it out.
        return False


def _is_open(descriptor: int) -> bool:
    try:
        os.fstat(descriptor)
    except OSError:
        return False
    return True
