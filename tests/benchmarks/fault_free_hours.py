"""Fault-free hours of an example bench: what its meters read, and what is expected of them, without a circuit stepped.

Parts are drawn within what the file allows, meters have an error of their own within their accuracy and noise of 4 % of
it; mains wander by ±3 %, air by ±0.3 K, temperatures follow with their time constant. What is expected comes from the
watch's own way: a smooth follower of the mains as the mains meter reads it. Displays are fine, with a last digit of a
fiftieth of the accuracy, or coarse, with a fifth, as the simulated bench has them: then the mains meter's last digit is
several deviations of the best channels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchmon.bench import Bench, Channel
from benchmon.prediction import predict
from benchmon.prediction.operating_point import SPACING, OperatingGrid, OperatingPointPredictor
from benchmon.quantities import Expected, is_temperature
from support.faults.faulty_bench import drawn

STEP = 0.2
NOISE_PART = 0.04
FINE, COARSE = 50.0, 5.0
WANDER = 0.03


def wander(times: np.ndarray[Any, Any], amplitude: float, random: np.random.Generator) -> np.ndarray[Any, Any]:
    """Return a slow, irregular swing within ±amplitude, (n,): waves of half a minute to an hour, their pace uneven."""
    total = np.zeros(len(times))
    for period in (30.0, 130.0, 420.0, 1300.0, 4000.0):
        pace = np.exp(0.3 * np.repeat(random.standard_normal(len(times) // 500 + 1), 500)[: len(times)])
        phase = np.cumsum(2.0 * np.pi / period * STEP * pace) + random.uniform(0.0, 2.0 * np.pi)
        total += random.uniform(0.3, 1.0) * np.sin(phase)
    return amplitude * total / np.abs(total).max()


@dataclass
class Hours:
    """A fault-free run of one bench: times (n,), and by channel what is read and what is expected (n,)."""

    bench: Bench
    times: np.ndarray[Any, Any]
    read: dict[str, np.ndarray[Any, Any]]
    expected: dict[str, list[Any]]


def fault_free(bench: Bench, seconds: float, seed: int, digits: float) -> Hours:
    """Return the readings of `bench` for some time, on parts and meters drawn by `seed`, with such last `digits`."""
    random = np.random.default_rng([seed, 0x100])
    times = np.arange(0.0, seconds, STEP)
    actual = drawn(bench, random)
    mains = 1.0 + wander(times, WANDER, random)
    air = wander(times, 0.3, random)
    nodes = np.linspace(0.94, 1.06, 7)
    solved = [predict(actual, mains_voltage=float(actual.mains.voltage * node)) for node in nodes]
    warmer = predict(actual, mains_voltage=actual.mains.voltage, ambient=actual.ambient.temperature + 1.0)
    read = {}
    for channel in bench.channel:
        curve = np.polyfit(nodes, [one.quantities[channel.quantity].value for one in solved], 4)
        true = np.polyval(curve, mains)
        if is_temperature(channel.quantity):
            true = followed(true, solved[3].warm_up.get(channel.quantity, 0.0))
        a_kelvin = warmer.quantities[channel.quantity].value - solved[3].quantities[channel.quantity].value
        true = true + a_kelvin * air
        read[channel.name] = shown(channel, true, random, digits)
    return Hours(bench, times, read, expectations(bench, read))


def followed(values: np.ndarray[Any, Any], constant: float) -> np.ndarray[Any, Any]:
    """Return what follows `values` with a time constant in seconds."""
    if constant <= 0.0:
        return values
    part, level, found = -math.expm1(-STEP / constant), values[0], np.empty(len(values))
    for index, value in enumerate(values):
        level += part * (value - level)
        found[index] = level
    return found


def shown(
    channel: Channel, true: np.ndarray[Any, Any], random: np.random.Generator, digits: float
) -> np.ndarray[Any, Any]:
    """Return what a meter shows of true values: gain, offset, noise, and a last digit."""
    accuracy = channel.accuracy
    spread = accuracy.relative * np.abs(true) + accuracy.absolute
    gain, offset = random.uniform(-0.7, 0.7, 2)
    value = true + gain * accuracy.relative * np.abs(true) + offset * accuracy.absolute
    value = value + NOISE_PART * spread * random.standard_normal(len(true))
    digit = last_digit(channel, float(np.abs(true).mean()), digits)
    return np.round(value / digit) * digit


def last_digit(channel: Channel, value: float, digits: float) -> float:
    """Return the step of a display: the decimal one that is at most the accuracy divided by `digits`."""
    return float(10.0 ** math.floor(math.log10(channel.accuracy.of(value) / digits)))


def expectations(bench: Bench, read: dict[str, np.ndarray[Any, Any]]) -> dict[str, list[Any]]:
    """Return what each channel should read at the mains and air that the bench's own meters show."""
    names = {channel.quantity: channel for channel in bench.channel}
    mains, air = names["mains.voltage.rms"], names["ambient.temperature"]
    follower = OperatingPointPredictor(bench, mains.accuracy)
    volts, kelvins = read[mains.name], read[air.name]
    near = vicinities(follower, volts, kelvins)
    found: dict[str, list[Any]] = {}
    for channel in bench.channel:
        if channel.quantity == "ambient.temperature":
            found[channel.name] = [None] * len(volts)
        elif channel.quantity == "mains.voltage.rms":
            found[channel.name] = [follower.nominal.at(channel.quantity)] * len(volts)
        else:
            found[channel.name] = followed_by(near, channel.quantity, volts, kelvins)
            last = follower.expected(channel.quantity, float(volts[-1]), float(kelvins[-1]))
            assert last is not None
            assert math.isclose(last.value, found[channel.name][-1].value, rel_tol=1e-12)
            assert math.isclose(last.uncertainty, found[channel.name][-1].uncertainty, rel_tol=1e-9)
    return found


Vicinities = list[tuple[OperatingGrid, np.ndarray[Any, Any]]]
"""Predictions around states, each with the readings (k,) that it holds for."""


def vicinities(
    follower: OperatingPointPredictor, volts: np.ndarray[Any, Any], kelvins: np.ndarray[Any, Any]
) -> Vicinities:
    """Return the follower's predictions around each state, and where in `volts` and `kelvins` (n,) it is met."""
    places = np.rint(np.log(volts / follower.bench.mains.voltage) / SPACING)
    states, which = np.unique(np.column_stack([places, np.floor(kelvins)]), axis=0, return_inverse=True)
    found = []
    for state in range(len(states)):
        rows = np.flatnonzero(which.ravel() == state)
        found.append((follower.around(float(volts[rows[0]]), float(kelvins[rows[0]])), rows))
    return found


def followed_by(
    near: Vicinities, quantity: str, volts: np.ndarray[Any, Any], kelvins: np.ndarray[Any, Any]
) -> list[Expected]:
    """Return what the follower expects of a quantity: a vicinity's own interpolation, of many readings at once."""
    values, doubts, unit = np.empty(len(volts)), np.empty(len(volts)), ""
    for around, rows in near:
        assert around.mains is not None
        assert around.ambient is not None
        part, warmer = np.log(volts[rows] / around.mains) / SPACING, kelvins[rows] - around.ambient
        sides = []
        for row in around.rows:
            nodes = [node.quantities[quantity] for node in row]
            (low, at, high), (own_low, own, own_high) = zip(
                *((one.value, one.uncertainty) for one in nodes), strict=True
            )
            slope, bend, unit = (high - low) / 2.0, (high + low) / 2.0 - at, nodes[1].unit
            meter = slope / SPACING * around.accuracy.of(volts[rows]) / volts[rows]
            sides.append((at + part * (slope + part * bend), np.hypot(own + part * (own_high - own_low) / 2.0, meter)))
        (cold, cold_doubt), (warm, warm_doubt) = sides
        values[rows] = cold + warmer * (warm - cold)
        doubts[rows] = cold_doubt + warmer * (warm_doubt - cold_doubt)
    return [Expected(value, doubt, unit) for value, doubt in zip(values.tolist(), doubts.tolist(), strict=True)]
