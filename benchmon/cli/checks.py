"""What `check` does beyond arithmetic: it opens the instruments, and exercises the switch."""

from __future__ import annotations

from benchmon.bench import Bench
from benchmon.errors import BadInput
from benchmon.instruments.connection_test import Tried, try_instruments
from benchmon.instruments.registry import prepare
from benchmon.recorder.switch_off import exercise


def check_may_exercise(bench: Bench, *, yes: bool) -> None:
    """Raise `BadInput` where there is nothing to switch off, or nobody has said that it may be."""
    if bench.switch_off is None:
        raise BadInput(f"{bench.origin}: has no [switch_off], so there is nothing to exercise")
    if not yes:
        raise BadInput(
            f"{bench.origin}: --exercise switches off by {bench.switch_off.instrument}; "
            "add --yes when nobody and nothing is harmed by that"
        )


def tried(bench: Bench, *, connect: bool, switch: bool) -> dict[str, list[Tried]]:
    """Return what came of opening the instruments (`connect`) and of switching off (`switch`), by the words for it."""
    found = {}
    if connect:
        found["instruments"] = try_instruments(bench, prepare(bench))
    if switch:
        found["switch off"] = exercise(bench, prepare(bench))
    return found
