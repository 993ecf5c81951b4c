"""Expected reading of every meter on a bench, calculated from the circuit alone.

The package is pure: no clock, file, thread or screen. `predict` is the entry point.

- `circuit`: part values, equations, periodic steady state, transient, traces and what meters read from them.
- `collocation`: the numerical method for periodic solutions.
- `thermal`: temperatures in equilibrium with the dissipation, and rises estimated from ratings.
- `uncertainty`: standard uncertainty of each input, and the budget of each result; `monte_carlo`: distributions.
- `operating_point`: predictions at the measured mains, ambient and load, interpolated without steps.
- `explained`: where one value comes from: a handbook's formula, what each effect changes, the uncertainty budget.
- `curves`: every quantity along a sweep of the load or the mains.
- `defects`: circuits with open, shorted or reversed parts, solved diode by diode.
- `ratings`: worst-case states, switch-on transient, margins and cautions before power is applied.
"""

from benchmon.prediction.predict import predict
from benchmon.prediction.result import Prediction, Waveforms
from benchmon.quantities import Expected

__all__ = ["Expected", "Prediction", "Waveforms", "predict"]
