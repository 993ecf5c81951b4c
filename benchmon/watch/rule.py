"""One rule that readings must keep, whatever the circuit does.

A rule compares two sides that are made from readings: the left one is at most, or equal to, the right one. `slack` is
an expanded uncertainty (k = 2), relative to the right side, of what the rule takes for granted besides the readings.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchmon.bench import Bench

Sides = Callable[..., tuple[float, float]]


@dataclass(frozen=True)
class Rule:
    """One rule: its name, what it says, the quantities it needs, and its two sides.

    `sides` takes the bench and the readings of `needs` in their order, and returns left and right. `applies` tells for
    which benches it holds; `equal` whether both sides must be the same (else left is at most right).
    """

    name: str
    says: str
    needs: tuple[str, ...]
    sides: Sides
    equal: bool = False
    slack: float | Callable[[Bench], float] = 0.0
    applies: Callable[[Bench], bool] = lambda _: True


def slack_of(rule: Rule, bench: Bench) -> float:
    """Return a rule's slack on a bench, relative to its right side, expanded (k = 2)."""
    return rule.slack(bench) if callable(rule.slack) else rule.slack


def at_most(name: str, says: str, low: str, high: str) -> Rule:
    """Return the rule that one quantity is at most another."""
    return Rule(name, says, (low, high), lambda _, smaller, larger: (smaller, larger))
