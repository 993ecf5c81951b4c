"""The density of all readings at once, against scipy's multivariate t-distribution."""

from __future__ import annotations

import numpy as np
import pytest
import scipy

from benchmon.bench import Channel
from benchmon.watch.diagnosis.likelihood import TAILS, Observation, log_likelihoods, missed_by_a_model
from benchmon.watch.diagnosis.meter_values import MeterValue


def channel(name: str, accuracy: str) -> Channel:
    return Channel.model_validate(
        {"name": name, "instrument": "m", "quantity": "output.voltage.rms", "accuracy": accuracy}
    )


def test_readings_that_share_uncertainties_have_the_density_that_scipy_gives() -> None:
    chance = np.random.default_rng(7)
    usable = [Observation(channel(f"c{at}", "2 % + 0.1 V"), 10.0 + chance.normal(), 0.3 * at) for at in range(4)]
    causes = [
        {one.channel.name: MeterValue(10.0 + factor, chance.normal(size=3), 0.2) for one in usable}
        for factor in (0.0, 1.0, -2.0)
    ]
    logs, wanted = log_likelihoods(usable, causes, causes[0]), []
    for cause in causes:
        said = [cause[one.channel.name] for one in usable]
        moves = np.array([one.moves for one in said])
        own = [
            ((0.02 * value.value + 0.1) / 2.0) ** 2
            + value.own**2
            + (one.doubt / 2) ** 2
            + (missed_by_a_model(one)[0] * value.value) ** 2
            for value, one in zip(said, usable, strict=True)
        ]
        density = scipy.stats.multivariate_t([one.value for one in said], np.diag(own) + moves @ moves.T, df=TAILS)
        wanted.append(density.logpdf([one.value for one in usable]))
    assert logs - logs[0] == pytest.approx(np.array(wanted) - wanted[0], rel=1e-9)


def test_a_channel_that_may_read_anything_is_borne_wherever_it_reads() -> None:
    right = {"a": MeterValue(10.0, np.array([0.1])), "b": MeterValue(5.0, np.array([0.05]))}
    odd = [Observation(channel("a", "1 %"), 10.0), Observation(channel("b", "1 %"), 2.0)]
    everything, without_b = log_likelihoods(odd, [right, {"a": right["a"]}], right)
    assert without_b > everything + 50.0


def test_causes_with_unequal_numbers_of_shared_uncertainties_stand_side_by_side() -> None:
    few, many = MeterValue(10.0, np.array([0.1])), MeterValue(10.0, np.array([0.1, 0.0, 0.0]))
    seen = [Observation(channel("a", "1 %"), 10.1)]
    first, second = log_likelihoods(seen, [{"a": few}, {"a": many}], {"a": few})
    assert first == pytest.approx(second)
