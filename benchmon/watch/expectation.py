"""What each channel should read now: the one rule for a recorder, a log and a session that is judged again.

Everything is predicted at the conditions that are measured: mains voltage, ambient temperature and load. The mains and
the ambient themselves cannot be judged by what is predicted from them: the mains has the bench file's tolerance to
keep, or in a step of the plan the voltage of that step, once it was set; of the ambient nothing is expected. Without
mains nothing is expected, nor while the mains is being turned to the step's voltage, where meters follow at their own
pace. A temperature follows the time for which the supply has been on.

A reservoir without a load is charged by the highest mains and hardly discharged, so it may read what any mains since
some time ago would charge it to: its band reaches from what is expected now up to that.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Protocol

from benchmon.bench import Accuracy, Bench, Channel
from benchmon.errors import PredictionError
from benchmon.prediction.circuit.meter_response import MeterResponse, response_of
from benchmon.prediction.operating_point import OperatingGrid, OperatingPointPredictor
from benchmon.prediction.predict import with_load
from benchmon.prediction.result import Prediction
from benchmon.quantities import REGULATOR_TEMPERATURES, Expected
from benchmon.watch.conditions import Conditions
from benchmon.watch.plan import MAINS_WITHIN
from benchmon.watch.plausibility.kept_charge import reads_kept_charge

PREDICT_AGAIN = (0.005, 0.5)
"""Change of mains (relative) and ambient (kelvins) after which it is looked whether predictions are still near."""


class MeasuredState(Protocol):
    """What the readings of a bench say of its conditions."""

    def now(self, time: float) -> Conditions | None:
        """Return what to predict for at `time`, None where the supply is not powered or that is not known yet."""

    def warm_for(self, channel: Channel, time: float, prediction: Prediction) -> float | None:
        """Return for how long (s) a cold supply must have been on for `channel` to be as now; None is long."""


class Predictions:
    """Predictions of a bench around the conditions that were wanted last, each made when it is asked for.

    `accuracy` is that of the meter which measures the mains, None where none does. With `most` no more operating points
    than that are solved, and from then on nothing is predicted for other conditions (`is_exhausted`). A recorder, which
    must not wait, overrides `_ask` and calls `predict` elsewhere. Raises `PredictionError` where the bench itself
    cannot be solved.
    """

    def __init__(self, bench: Bench, accuracy: Accuracy | None, most: int | None = None) -> None:
        self._bench, self._accuracy, self._most = bench, accuracy, most
        self._predictor: OperatingPointPredictor | None = None
        self._wanted: Conditions | None = None
        self._seen: Conditions | None = None
        self._found: tuple[tuple[Conditions, OperatingGrid | None] | None, OperatingGrid | None] = (None, None)
        """The conditions that were asked about last, near those wanted; and what was found, from which answer."""
        self._changed = True
        self._answer: tuple[Conditions, OperatingGrid | None] | None = None

    def change(self, bench: Bench, accuracy: Accuracy | None) -> None:
        """Predict another bench from now on; the last prediction of the former one is used until there is a new one."""
        self._bench, self._accuracy, self._changed = bench, accuracy, True
        self._ask(self._wanted or Conditions())

    @property
    def nominal(self) -> Prediction | None:
        """The prediction for the bench file's own conditions, None while there is none."""
        return self._follower_now().nominal

    @property
    def latest(self) -> Prediction | None:
        """The last prediction that was made, None where there is none."""
        answer = self._answer
        return answer[1].middle if answer and answer[1] else None

    @property
    def is_pending(self) -> bool:
        """Whether the predictions that were wanted last are still being made."""
        return self._wanted is not None and (self._answer is None or self._answer[0] != self._wanted)

    @property
    def is_exhausted(self) -> bool:
        """Whether as many operating points were solved as may be."""
        return self._most is not None and self._predictor is not None and self._predictor.made >= self._most

    def around(self, wanted: Conditions) -> OperatingGrid | None:
        """Return predictions that hold for `wanted`, None where there are none (yet); asks for closer ones at need."""
        if wanted is self._seen and self._found[0] is self._answer:
            return self._found[1]
        if wanted is not self._seen:
            self._seen = wanted
            if self._wanted is None or not wanted.is_near(self._wanted, *PREDICT_AGAIN):
                self._wanted = wanted
                self._ask(wanted)
        answer, found = self._answer, None
        if answer is not None and answer[1] is not None and answer[0].load == wanted.load:
            found = answer[1] if answer[1].covers(wanted.mains_voltage, wanted.ambient) else None
        self._found = answer, found
        return found

    def predict(self, wanted: Conditions) -> None:
        """Make the predictions around `wanted`; `around` gives them from then on.

        Raises `PredictionError` where there are none; then `around` gives None for these conditions.
        """
        vicinity = None
        try:
            vicinity = self._follower_now().around(wanted.mains_voltage, wanted.ambient, wanted.load)
        finally:
            self._answer = (wanted, vicinity)

    def _ask(self, wanted: Conditions) -> None:
        self._follower_now()
        if self.is_exhausted:
            self._answer = (wanted, None)
            return
        try:
            self.predict(wanted)
        except PredictionError:
            return

    def _follower_now(self) -> OperatingPointPredictor:
        """Return the follower of the bench as it is now; the former one is used until there is this one, or none."""
        if self._changed or self._predictor is None:
            self._changed, made = False, None
            try:
                made = OperatingPointPredictor(self._bench, self._accuracy)
            finally:
                self._predictor = made
        return self._predictor


_SURELY_WARM = 1800.0
"""Seconds of power after which a regulator on a heat sink is warm, from memory, whatever its time constant is."""


def _is_warming_unknown(channel: Channel, prediction: Prediction) -> bool:
    """Return whether nobody knows how fast the part warms whose temperature `channel` reads."""
    return channel.quantity in REGULATOR_TEMPERATURES and channel.quantity not in prediction.warm_up


def _is_withheld(channel: Channel, conditions: Conditions) -> bool:
    """Return whether nothing can be expected of a channel while mains or load are set, or parts follow a load."""
    planned = conditions.planned_mains
    if (planned is not None and planned.is_turned) or conditions.is_load_being_set:
        return True
    return conditions.is_swept and ".temperature" in channel.quantity and channel.name not in conditions.swept_needs


class Expectation:
    """What every channel of a bench should read, moment by moment, at the conditions of `measured`."""

    def __init__(self, bench: Bench, predictions: Predictions, measured: MeasuredState) -> None:
        self._predictions, self._measured = predictions, measured
        self._known_for: tuple[OperatingGrid, Conditions] | None = None
        self._known: dict[tuple[str, MeterResponse | None], Expected | None] = {}
        """What is expected under conditions that still hold: of many channels some read the same quantity."""
        self.change(bench)

    def change(self, bench: Bench) -> None:
        """Expect what another description of the same channels says; its predictions and conditions change apart."""
        self._mains_is_judged = bench.mains.tolerance > 0
        self._keeping = {
            load: frozenset(one.name for one in bench.channel if reads_kept_charge(with_load(bench, load), one))
            for load in (None, "open")
        }

    def expected(self, channel: Channel, time: float) -> Expected | None:
        """Return what `channel` should read at `time` (session seconds), None where nothing is predicted."""
        conditions = self._measured.now(time)
        return None if conditions is None else self.expected_at(channel, time, conditions)

    def expected_at(self, channel: Channel, time: float, conditions: Conditions) -> Expected | None:
        """Return what `channel` should read at `time` if the supply is powered under these conditions."""
        around = self._predictions.around(conditions)
        planned = conditions.planned_mains
        if planned is not None and channel.quantity == "mains.voltage.rms":
            return Expected(planned.volts, MAINS_WITHIN * planned.volts, channel.unit) if planned.is_set else None
        if _is_withheld(channel, conditions):
            return None
        if channel.quantity == "mains.voltage.rms":
            nominal = self._predictions.nominal if self._mains_is_judged else None
            return nominal.at(channel.quantity) if nominal else None
        if channel.quantity == "ambient.temperature" or around is None:
            return None
        return self._warming(channel, time, around, conditions)

    def _warming(self, channel: Channel, time: float, around: OperatingGrid, conditions: Conditions) -> Expected | None:
        if channel.quantity not in around.middle.warm_up and channel.quantity not in REGULATOR_TEMPERATURES:
            return self._without_warming(channel, around, conditions)
        warm_for = self._measured.warm_for(channel, time, around.middle)
        if _is_warming_unknown(channel, around.middle) and warm_for is not None and warm_for < _SURELY_WARM:
            return None
        return _expected_of(channel, around, conditions, warm_for)

    def _without_warming(self, channel: Channel, around: OperatingGrid, conditions: Conditions) -> Expected | None:
        """Return what a channel should read that does not follow the time since power-on."""
        if self._known_for is None or self._known_for[0] is not around or self._known_for[1] is not conditions:
            self._known_for, self._known = (around, conditions), {}
        key = (channel.quantity, response_of(channel))
        if key not in self._known:
            self._known[key] = self._with_kept_charge(channel, around, conditions)
        return self._known[key]

    def _with_kept_charge(self, channel: Channel, around: OperatingGrid, conditions: Conditions) -> Expected | None:
        """Return what a channel should read; a reservoir without load keeps what a higher mains has charged it to."""
        found = _expected_of(channel, around, conditions, None)
        load, highest = conditions.load, conditions.charging_mains
        keeping = self._keeping[load] if load is None or load == "open" else ()
        if found is None or highest is None or channel.name not in keeping:
            return found
        return _up_to(found, _expected_of(channel, around, replace(conditions, mains_voltage=highest), None))


def _up_to(found: Expected, highest: Expected | None) -> Expected:
    """Return what is expected of a reading anywhere from what was `found` up to the `highest`."""
    more = 0.0 if highest is None else max(0.0, highest.value - found.value)
    if more == 0.0:
        return found
    high = None if found.high is None else found.high + more
    return replace(found, value=found.value + more / 2.0, uncertainty=found.uncertainty + more / 2.0, high=high)


def _expected_of(
    channel: Channel, around: OperatingGrid, conditions: Conditions, warm_for: float | None
) -> Expected | None:
    return around.expected(
        channel.quantity,
        conditions.mains_voltage,
        conditions.ambient,
        warm_for,
        shape=conditions.shape,
        windings=conditions.windings,
        meter=response_of(channel),
    )
