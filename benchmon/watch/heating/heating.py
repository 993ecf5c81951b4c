"""Temperatures: where each one settles, and how long until it passes its limits.

Readings are averaged over two seconds. The courses that they allow are fitted to all of them since the present regime
began, see `rise_fit`. A cumulative sum (Page, Biometrika 41, 1954) of what these courses did not foresee shows when
something changed (a fan, a load, the power): then the fit begins again from there. Memory is bounded: the longer a
regime lasts, the more readings a point averages.

No final value is given while its interval is wide, and no time to a limit unless the final value is known or the rise
already covers a tenth of the way. A limit that most courses of three fits in a row pass has a time; one that only some
pass, or those of fewer fits, has an earliest time: of 160 drawn warm-ups that stayed below their limit, moving air
carried two fits in a row of ten beyond it, and three of five.

Forecasts of a channel, from what is known of its drift or of its heat.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import NamedTuple

import numpy as np

from benchmon.bench import Channel
from benchmon.quantities import is_sane
from benchmon.watch.drift.blocks import NoiseEstimate
from benchmon.watch.drift.drift import Drift
from benchmon.watch.heating.rise_fit import FEWEST, Courses, Foreknowledge, Interval, fit_rise
from benchmon.watch.records import Forecast

PROBE_SECONDS = 2.0
POINTS_KEPT = 96
_RECENT = 60
_A_POINT = 0.1
"""The part of the regime so far over which a point averages."""

_REFIT, _BEFORE_THE_LIMIT = 0.08, 0.25
"""The part by which the time seen must grow before the fit is made again, and the part of the time until a limit."""

_ALLOWED_SHIFT, _DOUBTED_SUM, _ALARM_SUM = 2.0, 4.0, 12.0
"""The cumulative sum, in standard deviations: what each probe may be off for free, the sum from which on the fit is not
made again with probes that may belong to another regime, and the sum that means a change.
Moving air stays for a while, so that a probe is off much as the one before it was; hence the large first figure."""

_LEAST_DEVIATION = 0.01
_KNOWN_WITHIN, _KNOWN_KELVIN, _SEEN_PART = 0.35, 1.0, 0.1
_HALF_WAY = 0.5
"""The part of the way to a limit that must have been covered before it has a time. Where the final value is known it is
enough if nearly all courses pass; where it is not, they must do so besides. What runs away has a time at once."""

_IN_A_ROW = 3
"""Fits in a row whose courses must mostly pass a limit before it has a time."""

_STEADY_KELVIN = 1.0
"""What may still come, at the likeliest, of a temperature that is called steady; or twice what moving air does."""

_STEADY_OVER = 0.5
"""The part of the time seen over which a slope that the courses do not explain must not bring more than that."""

_MISFIT = 8.0
_GROWING, _RUNAWAY_RATE, _RUNAWAY_KELVIN = 0.98, 0.5 / 60.0, 3.0


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

    `final` is None while it is not known. `to_warning` and `to_limit` are seconds from `time`, None where the limit
    is not set, not ahead, is not known, or is not reached by any curve that the readings allow. `since` is when the
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
    """A channel's upper limits (°C), what is known of its time constant (s), and its fastest expected rise (K/s).

    `air`, `final` and `doubt` (°C) are the air's temperature, where this one should settle, and the standard
    uncertainty of that; None where nothing is expected.
    """

    warning: float | None = None
    limit: float | None = None
    time_constant: float | None = None
    fastest: float | None = None
    air: float | None = None
    final: float | None = None
    doubt: float = 0.0

    @property
    def known(self) -> Foreknowledge:
        """Return what is known of the temperature before it is read."""
        return Foreknowledge(self.air, self.time_constant, self.final, self.doubt)


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


class _Point(NamedTuple):
    """The average of some probes: time (s), temperature (°C), and how many probes."""

    time: float
    value: float
    probes: int


class HeatWatch:
    """Follows one temperature, in °C, reading by reading."""

    def __init__(self, limits: HeatLimits | None = None) -> None:
        self.limits = limits or HeatLimits()
        self._noise = NoiseEstimate()
        self._average = _Average()
        self._recent: deque[_Point] = deque(maxlen=_RECENT)
        self._points: list[_Point] = []
        self._waiting: list[_Point] = []
        self._readings_a_probe = 1.0
        self._fit: _Fit | None = None
        self._next_fit = -math.inf
        self._sums, self._runs = [0.0, 0.0], [0, 0]
        self._value = 0.0

    def update(self, time: float, value: float) -> bool:
        """Take one finite reading (s, °C), times rising. Return whether the outlook may have changed.

        What no thermometer shows is a wrong number and no part of a course.
        """
        if not is_sane(value, "°C"):
            return False
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
        point = _Point(time, value, 1)
        self._recent.append(point)
        if self._fit is not None and self._has_changed(self._fit, time, value):
            self._restart()
            return True
        self._keep(point)
        if time < self._next_fit or len(self._points) < FEWEST or max(self._sums) > _DOUBTED_SUM:
            return False
        self._refit()
        return True

    def _keep(self, point: _Point) -> None:
        self._waiting.append(point)
        first = self._points[0].time if self._points else point.time
        if len(self._points) >= FEWEST and point.time - self._waiting[0].time < _A_POINT * (point.time - first):
            return
        self._points.append(_middle(self._waiting))
        self._waiting.clear()
        if len(self._points) > POINTS_KEPT:
            # The older half of the points lies closest; their neighbours become one.
            old = self._points[: POINTS_KEPT // 2]
            self._points[: len(old)] = [_middle(old[i : i + 2]) for i in range(0, len(old), 2)]

    def _deviation(self, probes: int = 1) -> float:
        """Return the standard deviation of a point: its noise averaged, but never below half of its last digit's."""
        noise = self._noise.deviation / math.sqrt(max(1.0, self._readings_a_probe) * probes)
        return max(noise, self._noise.step / math.sqrt(48.0), _LEAST_DEVIATION)

    def _has_changed(self, fit: _Fit, time: float, value: float) -> bool:
        # Until the course is known, its own doubt is larger than any change.
        expected, doubt = fit.at(time)
        off = (value - expected) / math.hypot(self._deviation(), doubt)
        for side, sign in enumerate((1.0, -1.0)):
            self._sums[side] = max(0.0, self._sums[side] + sign * off - _ALLOWED_SHIFT)
            self._runs[side] = self._runs[side] + 1 if self._sums[side] > 0 else 0
        return max(self._sums) > _ALARM_SUM

    def _restart(self) -> None:
        run = max(2, self._runs[0] if self._sums[0] > self._sums[1] else self._runs[1])
        self._begin_with(list(self._recent)[-run:])

    def _begin_with(self, points: list[_Point]) -> None:
        self._points, self._waiting = points, []
        self._sums, self._runs = [0.0, 0.0], [0, 0]
        self._fit, self._next_fit = None, -math.inf

    def _refit(self) -> None:
        points = self._points if not self._waiting else [*self._points, _middle(self._waiting)]
        if len(points) < FEWEST:
            return
        times, values, _ = (np.array(column, float) for column in zip(*points, strict=True))
        deviations = np.array([self._deviation(point.probes) for point in points])
        courses = fit_rise(times, values, deviations, self.limits.known)
        if courses.misfit > _MISFIT and len(self._points) >= 2 * FEWEST:
            # No course goes through these points: there is a change among them, and the later half shows what is now.
            self._begin_with(self._points[len(self._points) // 2 :])
            return
        before: Mapping[float, int] = {} if self._fit is None else self._fit.passed
        self._fit = _Fit(courses, self.limits, _unexplained_slope(points, courses), before)
        now = float(times[-1])
        pause = _REFIT * (now - float(times[0]))
        if self._fit.soonest is not None:
            pause = min(pause, _BEFORE_THE_LIMIT * self._fit.soonest)
        self._next_fit = now + max(pause, PROBE_SECONDS / 2)

    def outlook(self, now: float) -> Outlook:
        """Return what is known at `now` (s)."""
        fit = self._fit
        if fit is None:
            since = self._points[0].time if self._points else now
            return Outlook(now, State.UNKNOWN, since=since, value=self._value)
        return fit.outlook(now, self._value, self.limits)


class _Fit:
    """The courses that were fitted last, and what follows from them until they are fitted again.

    `passed` counts for each limit (°C) that most courses pass for how many fits in a row they did; `before` is that of
    the fit before.
    """

    def __init__(
        self, courses: Courses, limits: HeatLimits, unexplained_slope: float, before: Mapping[float, int]
    ) -> None:
        self.courses = courses
        self._unexplained = abs(unexplained_slope) * _STEADY_OVER * (courses.seen - courses.start)
        seen, span = courses.seen, courses.seen - courses.start
        self._times = seen + span * np.linspace(0.0, 0.5, 9)
        paths = courses.paths(self._times)
        self._means, self._doubts = paths.mean(axis=0), paths.std(axis=0)
        self._rates = [courses.rate(time) for time in (seen, float(self._times[-1]))]
        self._final, self._growing, self._time_constant = courses.final, courses.growing, courses.time_constant
        self._rest = float(np.median(np.abs(courses.to_come(seen))))
        self._limits = limits
        goals = [limit for limit in (limits.warning, limits.limit) if limit is not None]
        self._until = dict(zip(goals, courses.until(goals), strict=True)) if goals else {}
        self.passed = {
            goal: before.get(goal, 0) + 1 for goal, ahead in self._until.items() if math.isfinite(ahead.best)
        }

    @property
    def soonest(self) -> float | None:
        """How long after the fit a limit may be passed at the earliest, s; None where none is in sight."""
        return min((ahead.low for ahead in self._until.values() if 0.0 < ahead.low < math.inf), default=None)

    def at(self, time: float) -> tuple[float, float]:
        """Return the expected temperature at `time` (s) and its standard deviation, °C."""
        return float(np.interp(time, self._times, self._means)), float(np.interp(time, self._times, self._doubts))

    def outlook(self, now: float, value: float, limits: HeatLimits) -> Outlook:
        """Return what is known at `now` (s) of a temperature that is at `value` (°C)."""
        courses = self.courses
        rate, doubt = (float(np.interp(now, self._times[[0, -1]], pair)) for pair in zip(*self._rates, strict=True))
        risen = self.at(now)[0] - float(courses.first.mean())
        plain = Outlook(now, State.STEADY, rate, self._final, self._time_constant, courses.start, value, risen)
        state = self._state(value, rate, doubt, risen, limits)
        if state is State.STEADY:
            near = self._final.best + _still_to_come(courses)
            goals = [goal if goal is not None and goal <= near else None for goal in (limits.warning, limits.limit)]
            to_warning, to_limit = (self._in_a_row(goal, self._within_reach(goal, plain)) for goal in goals)
            return replace(plain, risen=0.0, to_warning=to_warning, to_limit=to_limit)
        final = self._final
        known = max(_KNOWN_KELVIN, _KNOWN_WITHIN * abs(final.best - float(courses.first.mean())))
        is_known = state is not State.RUNAWAY and max(final.high - final.best, final.best - final.low) <= known
        return replace(
            plain,
            state=state,
            final=final if is_known else None,
            to_warning=self._ahead(limits.warning, plain, state, is_known=is_known),
            to_limit=self._ahead(limits.limit, plain, state, is_known=is_known),
        )

    def _state(self, value: float, rate: float, doubt: float, risen: float, limits: HeatLimits) -> State:
        allowed = _still_to_come(self.courses)
        is_known = math.isfinite(self._final.high - self._final.low)
        if is_known and max(self._rest, self._unexplained) <= allowed and self._growing < 0.5:
            return State.STEADY
        if rate > _RUNAWAY_RATE and risen > _RUNAWAY_KELVIN:
            # What is still below the temperature at which it should settle warms up, whatever its course looks like.
            grows = self._growing > _GROWING and (limits.final is None or value > limits.final)
            if grows or (limits.fastest is not None and rate - 2.0 * doubt > limits.fastest):
                return State.RUNAWAY
        if abs(rate) > 3.0 * doubt:
            return State.RISING if rate > 0 else State.COOLING
        return State.UNKNOWN

    def _ahead(self, limit: float | None, plain: Outlook, state: State, *, is_known: bool) -> Interval | None:
        if limit is None or state not in (State.RISING, State.RUNAWAY):
            return None
        if not is_known and plain.risen < _SEEN_PART * (limit - plain.value + plain.risen):
            return None
        ahead = self._within_reach(limit, plain)
        if ahead is None or state is State.RUNAWAY:
            return ahead
        is_sure = math.isfinite(ahead.high)
        is_near = plain.risen >= _HALF_WAY * (limit - plain.value + plain.risen)
        has_time = is_sure or is_near if is_known else is_sure and is_near
        return self._in_a_row(limit, ahead) if has_time else replace(ahead, best=math.inf)

    def _in_a_row(self, limit: float | None, ahead: Interval | None) -> Interval | None:
        """Return when a limit is passed, with the earliest time alone where too few fits in a row foresee it."""
        if limit is None or ahead is None or self.passed.get(limit, 0) >= _IN_A_ROW:
            return ahead
        return replace(ahead, best=math.inf)

    def _within_reach(self, limit: float | None, plain: Outlook) -> Interval | None:
        """Return how long until a limit is passed, None where it is not set, passed already or out of reach."""
        if limit is None or plain.value >= limit:
            return None
        if limit not in self._until:
            self._until[limit] = self.courses.until([limit])[0]
        ahead, gone = self._until[limit], plain.time - self.courses.seen
        if math.isinf(ahead.low):
            return None
        return Interval(*(max(0.0, end - gone) for end in (ahead.best, ahead.low, ahead.high)))


def _still_to_come(courses: Courses) -> float:
    """Return by how much a temperature that is called steady may still move, K."""
    return max(_STEADY_KELVIN, 2.0 * float(courses.unrest.mean()))


def _unexplained_slope(points: list[_Point], courses: Courses) -> float:
    """Return by how much the slope over the last third of the time differs from that of the courses, K/s."""
    begins = points[-1].time - (points[-1].time - points[0].time) / 3.0
    recent = [point for point in points if point.time >= begins]
    times, values, weights = (np.array(column, float) for column in zip(*recent, strict=True))
    rest = values - courses.course(times)
    centred = times - np.average(times, weights=weights)
    power = float(weights @ centred**2)
    return float(weights @ (centred * rest)) / power if power > 0.0 else 0.0


def _middle(points: list[_Point]) -> _Point:
    """Return the average of some points, each counted by its probes."""
    probes = sum(point.probes for point in points)
    time = sum(point.probes * point.time for point in points) / probes
    return _Point(time, sum(point.probes * point.value for point in points) / probes, probes)


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
