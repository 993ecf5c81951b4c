"""How the benches of a lab are told in words."""

from __future__ import annotations

from collections.abc import Sequence

from benchmon.publish.overview import BenchInSight
from benchmon.watch.glance import Level

_IN_WORDS = {
    Level.DANGER: "in danger",
    Level.BLIND: "not watched",
    Level.CAUTION: "to look at",
    Level.WAITING: "waiting for readings",
    Level.AS_EXPECTED: "as expected",
    Level.ENDED: "ended",
}


def count_in_words(benches: Sequence[BenchInSight]) -> str:
    """Return how many benches stand how, the worst first."""
    if not benches:
        return "no bench is published here yet"
    counts = [(sum(bench.level is level for bench in benches), words) for level, words in _IN_WORDS.items()]
    told = ", ".join(f"{count} {words}" for count, words in counts if count)
    return f"{len(benches)} bench{'es' if len(benches) > 1 else ''}: {told}"


def state_in_words(bench: BenchInSight) -> str:
    """Return how a bench is recorded, as far as it is known."""
    return "silent" if bench.is_silent else bench.said.state


def overview_as_text(benches: Sequence[BenchInSight]) -> str:
    """Return the benches as plain text, the worst first: two lines each, after a line that counts them."""
    lines = [count_in_words(benches)]
    for bench in benches:
        host = f" on {bench.said.host}" if bench.said.host else ""
        lines += [f"{bench.said.title}{host}: {state_in_words(bench)}", f"    {bench.sentence}"]
    return "\n".join(lines)
