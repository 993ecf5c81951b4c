"""Heat: where a temperature is going, fitted as it goes, and how long until its limits.

Readings are averaged over two seconds. A first-order rise is fitted to all of them since the present regime began. A
cumulative sum (Page, Biometrika 41, 1954) of what the fit did not foresee tells when something changed (a fan, a load,
the power): then the fit begins anew from there. Memory is bounded: when the regime has 96 points, neighbours merge.

Nothing is told that the readings do not carry: no final value while its interval is wide, and no time to a limit
unless the final value is known or the rise already covers a tenth of the way.

Forecasts of a channel, from what is known of its drift or of its heat.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from benchmon.bench import Channel
from benchmon.watch.drift.blocks import NoiseEstimate
from benchmon.watch.drift.drift import Drift
from benchmon.watch.heating.first_order_fit import Interval, Rise, fit_rise
from benchmon.watch.records import Forecast

PROBE_SECONDS = 2.0
POINTS_KEPT = 96
_RECENT = 60
_SHORTEST_HORIZON = 120.0
_FEWEST = 8
_REFIT = 0.08
"""The part by which the time seen must grow before the fit is made again."""

_ALLOWED_SHIFT, _DOUBTED_SUM, _ALARM_SUM = 1.0, 2.0, 8.0
"""The cumulative sum, in standard deviations: what each probe may be off for free, the sum from which on the fit is not
made again with probes that may belong to another regime, and the sum that means a change.
On steady noise that is less than one restart in a million probes (Siegmund's approximation: e^16)."""

_LEAST_DEVIATION = 0.01
_KNOWN_WITHIN, _KNOWN_KELVIN, _SEEN_PART = 0.25, 1.0, 0.1
_MOVED_KELVIN = 3.0
_MISFIT, _MISFIT_KELVIN = 8.0, 1.0
_GROWTH_SCORE, _RUNAWAY_RATE, _RUNAWAY_KELVIN = 5.0, 0.5 / 60.0, 2.0


class State(StrEnum):
    """What a temperature does."""

    UNKNOWN = "cannot tell yet"
    RISING = "rising"
    COOLING = "cooling"
    STEADY = "steady"
    RUNAWAY = "runaway"


@dataclass(frozen=True, slots=True)
class Outlook:
    """What is known of a temperature: state, rate (K/s), where it settles, and when it passes its limits.

    `final` is None while it cannot be told. `to_warning` and `to_limit` are seconds from `time`, None where the limit
    is not set, not ahead, cannot be told, or is not reached by any curve that the readings allow. `since` is when the
    regime began, `value` the temperature now, and `risen` what it has risen since.
    """

    time: float
    state: State
    rate: float = 0.0
    final: Interval | None = None
    time_constant: float | None = None
    since: float = 0.0
    value: float = 0.0
    risen: float = 0.0
    to_warning: Interval | None = None
    to_limit: Interval | None = None

    @property
    def uncertainty(self) -> float | None:
        """The expanded uncertainty of the final temperature, K."""
        if self.final is None:
            return None
        return max(self.final.high - self.final.best, self.final.best - self.final.low)


@dataclass(frozen=True, slots=True)
class HeatLimits:
    """A channel's upper limits (°C), what is known of its time constant (s), and its fastest expected rise (K/s)."""

    warning: float | None = None
    limit: float | None = None
    time_constant: float | None = None
    fastest: float | None = None


class _Average:
    """The average of the readings of one probe."""

    def __init__(self) -> None:
        self.count = 0
        self.began = self._time = self._value = 0.0

    def add(self, time: float, value: float) -> None:
        if self.count == 0:
            self.began, self._time, self._value = time, 0.0, 0.0
        self.count += 1
        self._time += (time - self._time) / self.count
        self._value += (value - self._value) / self.count

    def take(self) -> tuple[float, float, int]:
        found = (self._time, self._value, self.count)
        self.count = 0
        return found


class HeatWatch:
    """Follows one temperature, in °C, reading by reading."""

    def __init__(self, limits: HeatLimits | None = None) -> None:
        self.limits = limits or HeatLimits()
        self._noise = NoiseEstimate()
        self._average = _Average()
        self._recent: deque[tuple[float, float]] = deque(maxlen=_RECENT)
        self._points: list[tuple[float, float]] = []
        self._merge, self._waiting = 1, list[tuple[float, float]]()
        self._readings_a_probe = 1.0
        self._fit: Rise | None = None
        self._next_fit = -math.inf
        self._sums, self._runs = [0.0, 0.0], [0, 0]
        self._value = 0.0

    def update(self, time: float, value: float) -> bool:
        """Take one finite reading (s, °C), times rising. Return whether the outlook may have changed."""
        self._noise.add(value)
        changed = False
        if self._average.count and time - self._average.began >= PROBE_SECONDS:
            changed = self._probe(*self._average.take())
        self._average.add(time, value)
        return changed

    def finish(self) -> None:
        """Take the readings that wait for a probe to be full: nothing more comes."""
        if self._average.count:
            self._probe(*self._average.take())
        self._refit()

    def _probe(self, time: float, value: float, count: int) -> bool:
        self._value = value
        self._readings_a_probe += 0.1 * (count - self._readings_a_probe)
        self._recent.append((time, value))
        if self._fit is not None and self._has_changed(self._fit, time, value):
            self._restart()
            return True
        self._keep(time, value)
        if time < self._next_fit or len(self._points) < _FEWEST or max(self._sums) > _DOUBTED_SUM:
            return False
        self._refit()
        return True

    def _keep(self, time: float, value: float) -> None:
        self._waiting.append((time, value))
        if len(self._waiting) < self._merge:
            return
        self._points.append(_middle(self._waiting))
        self._waiting.clear()
        if len(self._points) >= POINTS_KEPT:
            self._points = [_middle(self._points[i : i + 2]) for i in range(0, len(self._points), 2)]
            self._merge *= 2

    def _deviation(self) -> float:
        """Return the standard deviation of a probe: its noise averaged, but never below its display's last digit."""
        noise = self._noise.deviation / math.sqrt(max(1.0, self._readings_a_probe))
        return max(noise, self._noise.step / math.sqrt(12.0), _LEAST_DEVIATION)

    def _has_changed(self, fit: Rise, time: float, value: float) -> bool:
        # Until the curve is known, its own doubt is larger than any change.
        off = (value - fit.at(time)) / math.hypot(self._deviation(), fit.deviation, fit.doubt_at(time))
        for side, sign in enumerate((1.0, -1.0)):
            self._sums[side] = max(0.0, self._sums[side] + sign * off - _ALLOWED_SHIFT)
            self._runs[side] = self._runs[side] + 1 if self._sums[side] > 0 else 0
        return max(self._sums) > _ALARM_SUM

    def _restart(self) -> None:
        run = max(2, self._runs[0] if self._sums[0] > self._sums[1] else self._runs[1])
        self._points, self._merge, self._waiting = list(self._recent)[-run:], 1, []
        self._sums, self._runs = [0.0, 0.0], [0, 0]
        self._fit, self._next_fit = None, -math.inf

    def _refit(self) -> None:
        points = self._points if not self._waiting else [*self._points, _middle(self._waiting)]
        if len(points) < _FEWEST:
            return
        times, values = (np.array(column) for column in zip(*points, strict=True))
        deviation = max(self._deviation() / math.sqrt(self._merge), self._noise.step / math.sqrt(12.0))
        fit = fit_rise(times, values, deviation, self.limits.time_constant)
        if fit.deviation > max(_MISFIT_KELVIN, _MISFIT * deviation) and len(self._points) >= 2 * _FEWEST:
            # No rise goes through these points: there is a change among them, and the later half tells what is now.
            self._points = self._points[len(self._points) // 2 :]
            self._sums, self._runs, self._fit, self._next_fit = [0.0, 0.0], [0, 0], None, -math.inf
            return
        self._fit = fit
        span = float(times[-1] - times[0])
        self._next_fit = float(times[-1]) + max(_REFIT * span, PROBE_SECONDS / 2)

    def outlook(self, now: float) -> Outlook:
        """Return what is known at `now` (s)."""
        fit = self._fit
        if fit is None:
            since = self._points[0][0] if self._points else now
            return Outlook(now, State.UNKNOWN, since=since, value=self._value)
        rate, doubt = _rate(fit, now)
        still = self._stillness(now)
        if still is not None and fit.growth <= _GROWTH_SCORE:
            return Outlook(now, State.STEADY, rate, still, fit.time_constant, fit.start, self._value)
        state = self._state(fit, now, rate, doubt)
        risen = fit.at(now) - fit.temperature
        plain = Outlook(now, state, rate, None, fit.time_constant, fit.start, self._value, risen)
        final = fit.final
        known = max(_KNOWN_KELVIN, _KNOWN_WITHIN * abs(final.best - fit.temperature))
        is_known = state is not State.RUNAWAY and max(final.high - final.best, final.best - final.low) <= known
        return replace(
            plain,
            final=final if is_known else None,
            to_warning=self._until(self.limits.warning, fit, state, now, is_known=is_known),
            to_limit=self._until(self.limits.limit, fit, state, now, is_known=is_known),
        )

    def _state(self, fit: Rise, now: float, rate: float, doubt: float) -> State:
        rise = fit.at(now) - fit.temperature
        if fit.growth > _GROWTH_SCORE and rate > _RUNAWAY_RATE and rise > _RUNAWAY_KELVIN:
            return State.RUNAWAY
        fastest = self.limits.fastest
        if fastest is not None and rate - 2.0 * doubt > fastest and rise > _RUNAWAY_KELVIN:
            return State.RUNAWAY
        if abs(rate) > 3.0 * doubt:
            return State.RISING if rate > 0 else State.COOLING
        return State.UNKNOWN

    def _stillness(self, now: float) -> Interval | None:
        """Return where a temperature stays that does not move, as far as can be seen; None where it moves.

        The last third of the points may hide a slope; over a time constant it must not come to a kelvin. A curve seen
        in few points looks like scatter about a line: what has moved by kelvins, and clearly so, does not stay.
        """
        points = self._points[-max(_FEWEST, len(self._points) // 3) :]
        if len(points) < _FEWEST:
            return None
        times, values = (np.array(column) for column in zip(*points, strict=True))
        centred = times - times.mean()
        power = float(centred @ centred)
        slope = float(centred @ values) / power
        rest = values - values.mean() - slope * centred
        deviation = max(math.sqrt(float(rest @ rest) / (len(points) - 2)), self._deviation() / math.sqrt(self._merge))
        horizon = self.limits.time_constant or max(now - self._points[0][0], _SHORTEST_HORIZON)
        hidden = (abs(slope) + 2.0 * deviation / math.sqrt(power)) * horizon
        moved = abs(slope) * float(times[-1] - times[0])
        is_clear = moved > _MOVED_KELVIN and abs(slope) > 3.0 * deviation / math.sqrt(power)
        if is_clear or hidden > max(_KNOWN_KELVIN, 4.0 * deviation):
            return None
        # Where it is now, not in the mean; the line is twice as uncertain at its end as in its middle.
        spread = hidden + 4.0 * deviation / math.sqrt(len(points))
        at = float(values.mean() + slope * centred[-1])
        return Interval(at, at - spread, at + spread)

    def _until(self, limit: float | None, fit: Rise, state: State, now: float, *, is_known: bool) -> Interval | None:
        if limit is None or self._value >= limit or state not in (State.RISING, State.RUNAWAY):
            return None
        seen = fit.at(now) - fit.temperature
        if not is_known and seen < _SEEN_PART * (limit - fit.temperature):
            return None
        return fit.time_until(limit, now)


def _middle(points: list[tuple[float, float]]) -> tuple[float, float]:
    return sum(time for time, _ in points) / len(points), sum(value for _, value in points) / len(points)


def _rate(fit: Rise, now: float) -> tuple[float, float]:
    """Return the rate of rise at `now` and its standard uncertainty, K/s, from the fit a little before and after."""
    u = max(now - fit.start, 1e-6)
    rate = fit.slope * math.exp(-min(max(fit.rate * u, -50.0), 500.0))
    if fit.covariance is None:
        return rate, math.inf
    fall = math.exp(-min(max(fit.rate * u, -50.0), 500.0))
    gradient = np.array([0.0, fall, -u * fit.slope * fall])
    return rate, math.sqrt(max(0.0, float(gradient @ fit.covariance @ gradient)))


def junction_from_case(case: float, power: float, resistance: float, share: float) -> float:
    """Return the junction's temperature, °C, from its case's.

    `power` (W) through the part of `resistance` (junction to air, K/W) that lies inside the case: `share` of it
    (Tj = Tc + P·Rθ of the path between, JESD51).
    """
    return case + power * resistance * share


def heat_forecast(channel: Channel, outlook: Outlook) -> Forecast:
    """Return where a temperature is heading: to its trip limit, or to its warning where it has no limit."""
    final = outlook.final
    ahead = outlook.to_limit if channel.trip_above is not None else outlook.to_warning
    is_reached = ahead is not None and math.isfinite(ahead.best)
    return Forecast(
        channel=channel.name,
        time=outlook.time,
        state=str(outlook.state),
        rate=outlook.rate,
        final=None if final is None else final.best,
        uncertainty=outlook.uncertainty,
        to_limit=ahead.best if ahead is not None and is_reached else None,
        earliest=None if ahead is None else ahead.low,
        latest=None if ahead is None else ahead.high,
    )


def drift_forecast(channel: Channel, drift: Drift, value: float, now: float) -> Forecast:
    """Return when a drift from `value` at `now` reaches the limit on its side, if there is one."""
    limit = channel.trip_above if drift.rate > 0 else channel.trip_below
    if limit is None or drift.rate == 0.0:
        return Forecast(channel.name, now, "drifting", drift.rate)
    fast, slow = sorted((drift.low, drift.high), key=abs, reverse=True)
    return Forecast(
        channel=channel.name,
        time=now,
        state="drifting",
        rate=drift.rate,
        to_limit=_until(limit - value, drift.rate),
        earliest=_until(limit - value, fast),
        latest=_until(limit - value, slow),
    )


def _until(distance: float, rate: float) -> float:
    return max(0.0, distance / rate) if distance * rate > 0 else math.inf if distance else 0.0
