"""Captures of textbook waves, read from a file as a scope writes it, through the command itself.

Rectifiers with ideal parts into a resistor: any power-electronics textbook's table of single-phase rectifiers (closed
form). Distortion over orders 2 to 40 and the windows: IEC 61000-4-7. Power factor PF = DPF / sqrt(1 + THD²) with a
sinusoidal voltage: IEEE 1459-2010. Class A limits: IEC 61000-3-2 table 1 (memory).
"""

import json
import math

import numpy as np
import pytest
from click.testing import CliRunner

from benchmon.cli.main import commands

TIME = np.arange(20_000) / 100_000.0 - 0.0333
ANGLE = 2 * math.pi * 50 * TIME + 0.4
SINE = np.sin(ANGLE)


@pytest.fixture
def analysed(tmp_path):
    """Return a function that writes columns as a capture and returns what `benchmon analyse --json` says of it."""

    def analyse(*columns, head="time (ms);CH1 (V)", options=()):
        lines = [f"Sample Interval;{1e-5}", "", head]
        rows = zip(TIME * 1e3, *columns, strict=True)
        lines += [";".join(f"{value:.7g}".replace(".", ",") for value in row) for row in rows]
        path = tmp_path / "wave.csv"
        path.write_text("\n".join(lines), encoding="utf-8")
        result = CliRunner().invoke(commands, ["analyse", str(path), "--json", *options], standalone_mode=False)
        if result.exception:
            raise result.exception
        return json.loads(result.output)

    return analyse


RECTIFIERS = {
    "half wave": (np.maximum(SINE, 0), 1 / math.pi, 0.5, math.pi / 2, 1.2114, 50),
    "full wave": (np.abs(SINE), 2 / math.pi, math.sqrt(0.5), math.pi / math.sqrt(8), 0.4834, 100),
}


@pytest.mark.parametrize("kind", RECTIFIERS)
def test_rectifiers_into_a_resistor(analysed, kind):
    wave, mean, rms, form, ripple, frequency = RECTIFIERS[kind]
    measured = analysed(20 * wave)["measures"]
    assert measured["mean"] == pytest.approx(20 * mean, rel=2e-4)
    assert measured["rms"] == pytest.approx(20 * rms, rel=2e-4)
    assert measured["form_factor"] == pytest.approx(form, rel=3e-4)
    assert measured["ripple_factor"] == pytest.approx(ripple, abs=3e-4)
    assert measured["frequency"] == pytest.approx(frequency, rel=1e-4)
    assert measured["peak"] == pytest.approx(20, rel=1e-4)


def test_an_ac_coupled_range_on_a_full_wave(analysed):
    """sqrt(rms² − mean²) is 0.4352 of the rms (closed form); a mean reading is 10 % below the rms."""
    measured = analysed(np.abs(SINE))["measures"]
    assert measured["ac_rms"] / measured["rms"] == pytest.approx(0.4352, abs=2e-4)
    assert measured["mean"] / measured["rms"] == pytest.approx(1 / 1.1107, abs=2e-4)


def test_a_square_wave(analysed):
    """THD over all orders 48.34 % (closed form); orders 2 to 40 only: the sum of 1/n² over odd n from 3 to 39."""
    measured = analysed(np.sign(SINE))["measures"]
    assert measured["thd"] == pytest.approx(math.sqrt(sum(n**-2 for n in range(3, 40, 2))), abs=1e-3)
    assert measured["crest_factor"] == pytest.approx(1, abs=1e-3)


def test_power_factor_of_a_square_current(analysed):
    """2·sqrt(2)/π = 0.900316 (closed form), the displacement factor being 1."""
    measured = analysed(325 * SINE, np.sign(SINE), head="time (ms);CH1 (V);CH2 (A)")["power"]
    assert measured["power_factor"] == pytest.approx(0.900316, abs=3e-4)
    assert measured["displacement_factor"] == pytest.approx(1, abs=1e-4)
    assert measured["active"] == pytest.approx(325 * 2 / math.pi, rel=1e-3)


@pytest.mark.parametrize(("third", "keeps"), [(2.29, True), (2.31, False)])
def test_class_a_at_its_edge(analysed, third, keeps):
    """Third harmonic: 2.30 A rms."""
    amperes = math.sqrt(2) * (10 * SINE + third * np.sin(3 * ANGLE))
    measured = analysed(amperes, head="time (ms);CH1 (A)", options=["--quantity", "mains.current"])
    assert measured["class_a"]["ok"] is keeps
    assert measured["harmonics"][2] == [3, pytest.approx(third, rel=1e-4)]
