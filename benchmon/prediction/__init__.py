"""Prediction: what every meter should read, from the circuit alone. Pure: no clock, file, thread or screen.

`predict` is the door. Behind it: `parts` (values), `rectifier` and `network` (the circuit's equations), `collocation`
and `steady` (its periodic steady state), `heat` (temperatures that fit), `traces`, `measures` and `readings` (what
meters show), `allowances` (what is not known exactly) and `blame` (which part keeps a circuit from an answer).

Beside it: `follow` and `vicinity` (predictions at the measured mains, without steps), `monte_carlo` (distributions
instead of first order), `ratings` (margins and cautions before power, from `switch_on`, `inrush` and `stress`), and
`waveform` (measures of sampled waves, with `periods` and `limits_61000_3_2`).
"""

from benchmon.prediction.predict import predict
from benchmon.prediction.result import Prediction, Waveforms
from benchmon.quantities import Expected

__all__ = ["Expected", "Prediction", "Waveforms", "predict"]
