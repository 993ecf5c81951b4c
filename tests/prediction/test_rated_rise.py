"""Temperature rise of load resistor and transformer, estimated from their ratings."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.bench import Bench, load_bench, read_bench
from benchmon.prediction import predict
from benchmon.prediction.ratings.check import check
from benchmon.prediction.thermal.rated_rise import warm_resistance
from benchmon.standards import LOAD_RISE, LOAD_RISE_DIFFERS, TRANSFORMER_RISE
from benchmon_simulated.scenarios import scenario_named
from support.circuits.drawn import PLAIN

WOUND = {key: value for key, value in PLAIN["transformer"].items() if not key.startswith("no_load")} | {"rating": 60.0}
TEXT = scenario_named("bridge").path.read_text(encoding="utf-8")


def with_coefficient(coefficient):
    plain = "\n".join(line for line in TEXT.splitlines() if not line.startswith("temperature_coefficient"))
    return read_bench(plain.replace("[load]", f'[load]\ntemperature_coefficient = "{coefficient}"', 1))


def test_winding_rise_by_resistance_follows_the_standard():
    # IEC 60335-1 and IEC 62368-1: Δt = (R2 − R1)/R1·(k + t1) − (t2 − t1), k = 234.5 for copper. From 10.0 to 12.5 Ω
    # while the air warms from 20 to 22 °C is a rise of 61.625 K, so the winding is at 83.625 °C.
    assert warm_resistance(10.0, 20.0, 22.0 + 61.625) == pytest.approx(12.5, abs=1e-9)


@given(st.floats(0.01, 1e4), st.floats(-20, 50), st.floats(-20, 200))
def test_cooling_down_again_gives_the_cold_resistance(ohms, cold, warm):
    assert warm_resistance(warm_resistance(ohms, cold, warm), warm, cold) == pytest.approx(ohms, rel=1e-12)


def test_the_rise_of_the_load_is_in_proportion_to_its_rating():
    bench = load_bench(scenario_named("bridge").path)
    found = predict(bench)
    share = found.quantities["load.power.mean"].value / bench.load.power_rating
    rise = found.quantities["load.temperature"].value - found.ambient
    assert rise == pytest.approx(LOAD_RISE * share, rel=1e-3)
    assert found.quantities["load.temperature"].uncertainty > 0.25 * rise


def test_the_rise_of_the_load_may_be_given():
    """A data sheet's rise at rated power is in proportion to the power (closed form), and is better known than none."""
    usual, given = (
        predict(read_bench(text)) for text in (TEXT, TEXT.replace("[load]", '[load]\ntemperature_rise = "90 K"'))
    )
    rises = [one.quantities["load.temperature"].value - one.ambient for one in (usual, given)]
    assert rises[1] == pytest.approx(rises[0] * 90.0 / LOAD_RISE, rel=0.01)
    parts = [
        one.quantities["load.temperature"].uncertainty / rise for one, rise in zip((usual, given), rises, strict=True)
    ]
    assert parts[1] < 0.7 * parts[0]


def test_what_was_learned_of_a_load_and_of_how_warm_it_gets_belongs_together():
    """Ohms and warmth of which the warm resistance is known leave less of the current open than each by itself."""
    learned = (
        '[[learned]]\npart = "load.resistance"\nuncertainty = "3 %"\n[[learned]]\npart = "load.temperature_rise"\n'
    )
    text = TEXT.replace("100 ppm/K", "1000 ppm/K") + learned + 'uncertainty = "60 %"\n'
    alone, together = (
        predict(read_bench(one)).quantities["output.current.mean"]
        for one in (text, text + 'correlated = [["load.resistance", -0.9]]\n')
    )
    assert together.uncertainty < 0.9 * alone.uncertainty


def test_a_load_with_a_positive_coefficient_draws_less_in_equilibrium():
    plain, warm = (predict(with_coefficient(value)) for value in ("0 ppm/K", "400 ppm/K"))
    celsius = warm.quantities["load.temperature"].value
    ohms = warm.quantities["output.voltage.rms"].value / warm.quantities["output.current.rms"].value
    before = plain.quantities["output.voltage.rms"].value / plain.quantities["output.current.rms"].value
    assert ohms == pytest.approx(before * (1 + 400e-6 * (celsius - 25)), rel=1e-4)
    assert warm.quantities["output.current.rms"].value < plain.quantities["output.current.rms"].value


def test_how_warm_a_load_gets_is_in_doubt_and_only_where_it_matters():
    """LOAD_RISE_DIFFERS of the rise, times the coefficient, is what the resistance and so the current may differ by."""
    plain, warm = (predict(with_coefficient(value)) for value in ("0 ppm/K", "400 ppm/K"))
    rise = warm.quantities["load.temperature"].value - warm.ambient
    alone = 2.0 * LOAD_RISE_DIFFERS * 400e-6 * rise * warm.quantities["output.current.mean"].value
    share = dict(warm.contributions["output.current.mean"])["warmth of the load"]
    assert math.sqrt(share) * warm.quantities["output.current.mean"].uncertainty == pytest.approx(alone, rel=0.2)
    assert "warmth of the load" not in dict(plain.contributions["output.current.mean"])


def test_a_transformer_at_its_rating_has_the_rated_rise():
    bench = load_bench(scenario_named("reservoir").path)
    found = predict(bench)
    used = found.quantities["secondary.current.rms"].value / (bench.transformer.rating / (2 * 18))
    rise = found.quantities["transformer.temperature"].value - found.ambient
    assert 0.5 * TRANSFORMER_RISE * used**2 < rise < 1.3 * TRANSFORMER_RISE
    assert found.warm_up["transformer.temperature"] > 600


def test_without_ratings_no_temperature_is_predicted():
    lines = (line for line in TEXT.splitlines() if not line.startswith("power_rating"))
    assert "load.temperature" not in predict(read_bench("\n".join(lines))).quantities


def test_check_warns_of_the_effect_of_warm_copper():
    cautions = check(load_bench(scenario_named("reservoir").path)).cautions
    assert any("lower than predicted" in caution and "estimate" in caution for caution in cautions)


def test_check_does_not_mention_warm_copper_behind_a_regulator():
    cautions = check(load_bench(scenario_named("regulated").path)).cautions
    assert not any("lower than predicted" in caution for caution in cautions)


def test_the_core_alone_warms_a_transformer_without_load_however_its_loss_is_given():
    keys = {"no_load": [[230.0, 0.03, 3.0]]}, {"no_load_current": 0.03, "no_load_loss": 3.0}
    rises = []
    for given_by in keys:
        data = {**PLAIN, "transformer": {**WOUND, **given_by}}
        found = predict(Bench.model_validate(data), load="open")
        rises.append(found.quantities["transformer.temperature"].value - found.ambient)
    assert rises[0] == pytest.approx(rises[1], rel=0.05)
    assert 3.0 < rises[0] < 0.5 * TRANSFORMER_RISE
