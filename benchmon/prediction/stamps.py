"""Stamps of a network's linear parts: where in the matrices of d q(y)/dt = f(y) each conductance and mass stands."""

from __future__ import annotations

import numpy as np

from benchmon.prediction.result import Floats

Node = tuple[int, ...]
"""Unknowns whose sum is a node's voltage: a doubler's output stands on two capacitors."""


class Stamps:
    """Collects stamps, then makes the matrices."""

    def __init__(self, variants: int) -> None:
        self.variants = variants
        self.count = 0
        self.masses: list[tuple[int, int, Floats]] = []
        self.conductances: list[tuple[int, int, Floats]] = []

    def unknown(self) -> int:
        """Return a new unknown."""
        self.count += 1
        return self.count - 1

    def capacitance(self, start: Node, value: Floats, end: Node = ()) -> None:
        """Stamp a capacitance between two nodes; an empty node is the common line."""
        for sign, rows in ((1.0, start), (-1.0, end)):
            for row in rows:
                self.masses += [(row, column, sign * value) for column in start]
                self.masses += [(row, column, -sign * value) for column in end]

    def connect(self, start: Node, end: Node, value: Floats) -> None:
        """Stamp a conductance between two nodes; an empty node is the common line."""
        for sign, rows in ((-1.0, start), (1.0, end)):
            for row in rows:
                self.conductances += [(row, column, sign * value) for column in start]
                self.conductances += [(row, column, -sign * value) for column in end]

    def matrix(self, stamps: list[tuple[int, int, Floats]]) -> Floats:
        """Return the sum of `stamps`, (b, n, n)."""
        made = np.zeros((self.variants, self.count, self.count))
        for row, column, value in stamps:
            made[:, row, column] += value
        return made
