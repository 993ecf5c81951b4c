"""What all channels share is the mains; what one does by itself is a drift."""

import numpy as np
import pytest

from benchmon.watch.drift.blocks import BlockMaker
from benchmon.watch.drift.drift import Drifts

SLOPES = {"vout": 0.1, "current": 0.002, "power": 1.0, "winding": 0.02}
NOISES = {"vout": 0.002, "current": 2e-4, "power": 0.05, "winding": 0.002}


def run(minutes, *, digit=0.1, drifting=None, seed=1, onset=300.0):
    """Feed four channels on wandering mains, read with a coarse last digit; return when each began to drift.

    `drifting` is a channel that drifts by two deviations of its noise a minute from `onset` (s) on.
    """
    random = np.random.default_rng(seed)
    watch, found = Drifts(SLOPES), {}
    for time in np.arange(0.0, 60.0 * minutes, 0.2):
        volts = 230.0 + 4.0 * np.sin(time / 90.0) + 2.0 * np.sin(time / 31.0)
        seen = np.round(volts / digit) * digit
        watch.mains(float(seen))
        for name, slope in SLOPES.items():
            value = slope * volts + NOISES[name] * random.standard_normal()
            if name == drifting:
                value += 2.0 * NOISES[name] / 60.0 * max(0.0, time - onset)
            for changed in watch.update(name, float(time), float(value), float(slope * seen)):
                found.setdefault(changed, float(time))
    return found


def test_a_coarse_mains_meter_is_no_drift():
    assert run(40) == {}


@pytest.mark.parametrize("name", ["vout", "current"])
def test_one_channel_that_drifts_by_itself_is_found(name):
    found = run(12, drifting=name)
    assert set(found) == {name}
    assert 300.0 < found[name] < 520.0


def test_a_fine_mains_meter_leaves_the_channels_alone():
    assert run(20, digit=0.001) == {}


def test_a_block_is_the_average_without_its_spikes():
    maker = BlockMaker()
    random = np.random.default_rng(2)
    for index in range(40):
        maker.update(0.2 * index, 22.0 + 0.01 * random.standard_normal(), 21.0, 0.0)
    maker.close()
    values = 22.0 + 0.01 * random.standard_normal(15)
    for index, value in enumerate(values):
        maker.update(8.0 + 0.2 * index, 30.0 if index == 7 else float(value), 21.0, 0.5)
    block = maker.close()
    assert block.readings == 14
    assert block.residual == pytest.approx(np.delete(values, 7).mean() - 21.0)
    assert (block.expected, block.warm, block.held) == (21.0, 0.5, 0.0)


def test_a_step_that_stays_begins_again_and_one_in_the_expectation_does_not():
    maker = BlockMaker()
    random = np.random.default_rng(3)

    def feed(level, expected):
        return [maker.update(0.0, level + 0.01 * random.standard_normal(), expected, 0.0) for _ in range(30)]

    assert not any(feed(22.0, 21.0))
    maker.close()
    assert sum(feed(25.0, 21.0)) == 1
    maker.close()
    assert not any(feed(25.0, 24.0))


def test_no_readings_are_no_block():
    assert BlockMaker().close() is None
