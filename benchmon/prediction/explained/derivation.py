"""Put together where one predicted value comes from; see the package."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from benchmon.bench import Bench, SetLoad
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.parts import parts_of
from benchmon.prediction.explained.budget import Budget, budget_of, budget_of_usual, sensitivities_of
from benchmon.prediction.explained.effects import Effect, Ladder, ladder_of
from benchmon.prediction.explained.formulas import handbook_of
from benchmon.prediction.explained.handbook import Handbook
from benchmon.prediction.mains_shape import THD
from benchmon.prediction.operating_point import with_source
from benchmon.prediction.predict import predict_parts, with_load
from benchmon.prediction.uncertainty import NOT_GIVEN, input_uncertainties_of
from benchmon.quantities import Expected

_HARMONICS = f"mains harmonics{NOT_GIVEN}"


@dataclass(frozen=True)
class Derivation:
    """Where the `expected` value of `quantity` comes from.

    `handbook` is what a formula gives for ideal parts, `ladder` leads from the solved circuit of ideal parts to the
    predicted value, and `budget` is that of its uncertainty. The mains is in V rms.
    """

    quantity: str
    mains_voltage: float
    expected: Expected
    handbook: Handbook
    ladder: Ladder
    budget: Budget

    @property
    def start(self) -> float:
        """The value that the effects are added to: the handbook's, else that of the solved circuit of ideal parts."""
        return self.ladder.ideal if self.handbook.value is None else self.handbook.value

    @property
    def left_out(self) -> float:
        """What the handbook's formula leaves out even of ideal parts: the solved circuit less the formula."""
        return self.ladder.ideal - self.start


def explain(
    bench: Bench,
    quantity: str,
    *,
    mains_voltage: float | None = None,
    ambient: float | None = None,
    load: SetLoad = None,
    at_terminals: bool = False,
) -> Derivation:
    """Return where the value predicted for `quantity` comes from; the arguments are those of `predict`.

    A mains voltage `at_terminals` is that measured at the supply under load, so that of the source is somewhat higher.
    Raises `PredictionError` if the bench has no such quantity, or its circuit cannot be solved.
    """
    bench = with_load(bench, load)
    parts = parts_of(bench)
    if ambient is not None:
        parts = parts.replaced({"ambient.temperature": np.array([ambient])})
    is_measured = mains_voltage is not None
    if mains_voltage is not None:
        parts = parts.replaced({"mains.voltage": np.array([mains_voltage])})
        if at_terminals:
            parts, _ = with_source(bench, parts, mains_voltage, None)
    prediction, _ = predict_parts(bench, parts, mains_is_measured=is_measured)
    expected = prediction.quantities.get(quantity)
    if expected is None:
        known = ", ".join(prediction.quantities)
        raise PredictionError(f"{quantity}: is not predicted for this bench; there is {known}")
    found = sensitivities_of(bench, parts, input_uncertainties_of(bench, parts, mains_is_measured=is_measured))
    value = float(found.nominal.quantities[quantity][0])
    ladder, budget = ladder_of(bench, parts, quantity, value), budget_of(found, quantity)
    if quantity == THD and bench.mains.harmonics is None:
        # What is expected is no solved circuit's value, but what is usual of mains whose harmonics are not given.
        usual = Effect("distortion that is usual, since none is given", expected.value - value)
        ladder, budget = replace(ladder, effects=(*ladder.effects, usual)), budget_of_usual(expected, _HARMONICS)
    volts = float(parts["mains.voltage"][0])
    return Derivation(quantity, volts, expected, handbook_of(bench, quantity, volts), ladder, budget)
