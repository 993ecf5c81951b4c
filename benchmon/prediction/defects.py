"""What may be wrong with a rectifier: single diodes and windings, and capacitors that are not there."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Defects:
    """Diodes, windings and rails are numbered from 1, as `wiring_by_diode` lists them; diode 1 is the measured one.

    `open_reservoirs` are the rails (of a split rail) or halves (of a doubler) whose first capacitor is disconnected,
    `dry_reservoirs` those where half of its capacitance is left, and its series resistance is twice as large.
    """

    open_diodes: frozenset[int] = frozenset()
    shorted_diodes: frozenset[int] = frozenset()
    reversed_windings: frozenset[int] = frozenset()
    open_reservoirs: frozenset[int] = frozenset()
    dry_reservoirs: frozenset[int] = frozenset()
