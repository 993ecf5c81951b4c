"""What a prediction finds out besides readings: starved regulators, unmet loads, resting chokes, saturated cores."""

import pytest

from benchmon.findings import FindingKind, wording_of
from benchmon.prediction import predict
from benchmon.prediction.ratings.check import check
from support.circuits.drawn import capacitor, choke, current, plain, resistor

RESERVOIR = [capacitor(2.2e-3)]
STARVED = plain(filter=RESERVOIR, regulator={"output_voltage": 21.5, "dropout": 1.5})
CASES = [
    (STARVED, FindingKind.REGULATOR_STARVED),
    (plain(filter=[capacitor(47e-6)], load=current(1.0)), FindingKind.LOAD_NOT_MET),
    (plain(filter=[choke(2e-3, 0.1), capacitor(2.2e-3)]), FindingKind.CHOKE_DISCONTINUOUS),
    (
        plain("half wave", filter=RESERVOIR, transformer={"no_load_current": 0.045, "no_load_loss": 3.0}),
        FindingKind.CORE_SATURATED,
    ),
    (plain(filter=RESERVOIR, load=resistor(0.5), transformer={"rating": 20.0}), FindingKind.WINDINGS_OVERHEATED),
]
SOUND = [
    plain(filter=RESERVOIR, regulator={"output_voltage": 12.0, "dropout": 1.5}),
    plain(filter=[capacitor(10e-3)], load=current(1.0)),
    plain(filter=[choke(0.2, 0.1), capacitor(2.2e-3)], load=resistor(10.0)),
    plain(filter=RESERVOIR, transformer={"no_load_current": 0.045, "no_load_loss": 3.0}),
]


@pytest.mark.parametrize(("bench", "kind"), CASES, ids=[kind for _, kind in CASES])
def test_it_is_found_with_its_numbers(bench, kind):
    found = [finding for finding in predict(bench).findings if finding.kind is kind]
    assert len(found) == 1
    assert wording_of(found[0]).endswith(".")


@pytest.mark.parametrize("bench", SOUND, ids=["regulator", "constant current", "choke", "core"])
def test_a_sound_supply_has_none(bench):
    assert predict(bench).findings == ()


def test_behind_a_single_diode_a_choke_rests_whatever_the_load_is():
    kinds = {one.kind for one in predict(plain("half wave", filter=[choke(0.5, 1.0)])).findings}
    assert FindingKind.CHOKE_DISCONTINUOUS not in kinds


def test_check_says_it_too():
    assert any("The regulator starves" in caution for caution in check(STARVED).cautions)
