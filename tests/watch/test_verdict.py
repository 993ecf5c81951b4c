import math
import random

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from benchmon.bench import Channel
from benchmon.quantities import Expected
from benchmon.watch.records import Verdict
from benchmon.watch.verdict import READINGS_THAT_DECIDE, SteadyVerdict, en_as_text, en_number, judgement_of, verdict_of
from benchmon.watch.wording import verdict_sentence

VALUES = st.floats(-1e6, 1e6)
UNCERTAINTIES = st.floats(1e-3, 1e3)


@pytest.mark.parametrize(
    ("en", "verdict"),
    [
        (0.0, Verdict.AGREES),
        (1.0, Verdict.AGREES),
        (-1.0, Verdict.AGREES),
        (1.001, Verdict.QUESTIONABLE),
        (-1.5, Verdict.QUESTIONABLE),
        (1.501, Verdict.DISAGREES),
        (-40.0, Verdict.DISAGREES),
        (math.inf, Verdict.DISAGREES),
        (None, Verdict.UNPREDICTED),
        (math.nan, Verdict.UNPREDICTED),
    ],
)
def test_the_lines_between_verdicts(en, verdict):
    assert verdict_of(en) is verdict


def test_without_any_uncertainty_only_the_same_value_agrees():
    assert en_number(5.0, 0.0, 5.0, 0.0) == 0.0
    assert en_number(4.9, 0.0, 5.0, 0.0) == -math.inf


@pytest.mark.parametrize("value", [math.inf, -math.inf, math.nan])
def test_what_is_no_number_cannot_be_compared(value):
    assert en_number(value, 1.0, 5.0, 1.0) is None
    assert en_number(5.0, 1.0, value, 1.0) is None


@given(VALUES, UNCERTAINTIES, VALUES, UNCERTAINTIES)
def test_who_is_compared_with_whom_changes_only_the_sign(a, ua, b, ub):
    assert en_number(a, ua, b, ub) == -en_number(b, ub, a, ua)


@given(VALUES, UNCERTAINTIES, VALUES, UNCERTAINTIES, st.sampled_from([273.15, -40.0, 1000.0]))
def test_an_offset_of_the_scale_changes_no_verdict(a, ua, b, ub, offset):
    en = en_number(a, ua, b, ub)
    assume(min(abs(abs(en) - 1.0), abs(abs(en) - 1.5)) > 1e-6)
    assert verdict_of(en_number(a + offset, ua, b + offset, ub)) is verdict_of(en)


@given(VALUES, UNCERTAINTIES, VALUES, UNCERTAINTIES, st.sampled_from([1e-3, 1e3, 1e6]))
def test_a_prefix_of_the_unit_changes_no_verdict(a, ua, b, ub, factor):
    en = en_number(a, ua, b, ub)
    assume(min(abs(abs(en) - 1.0), abs(abs(en) - 1.5)) > 1e-6)
    assert verdict_of(en_number(a * factor, ua * factor, b * factor, ub * factor)) is verdict_of(en)


@given(VALUES, UNCERTAINTIES, VALUES, UNCERTAINTIES, st.floats(1.0, 100.0))
def test_more_uncertainty_never_makes_a_verdict_worse(a, ua, b, ub, more):
    order = [Verdict.AGREES, Verdict.QUESTIONABLE, Verdict.DISAGREES]
    before = verdict_of(en_number(a, ua, b, ub))
    assert order.index(verdict_of(en_number(a, ua * more, b, ub))) <= order.index(before)


@given(st.floats(-1e9, 1e9) | st.floats(-2.0, 2.0) | st.sampled_from([math.inf, -math.inf, 1.0 + 2e-9, 1.5 + 2e-9]))
def test_an_en_as_it_is_shown_has_the_verdict_it_was_given(en):
    for shown in (en_as_text(en), en_as_text(en, 1)):
        assert verdict_of(float(shown.replace("−", "-"))) is verdict_of(en)


def test_an_en_is_shown_with_two_decimals_unless_its_verdict_needs_more():
    shown = [en_as_text(en) for en in (0.5, -59.26, 1.0, 1.004, -1.5, 1.496, 1.4996, None, math.nan)]
    assert shown == ["+0.50", "−59.26", "+1.00", "+1.004", "−1.50", "+1.50", "+1.50", "–", "–"]


def announced(values, expected=22.0, uncertainty=0.1):
    """Return each verdict that is announced over `values`, an exact meter's, with the number of its reading."""
    steady, found = SteadyVerdict(), []
    for number, value in enumerate(values):
        verdict = steady.update(value, en_number(value, 0.0, expected, uncertainty), uncertainty)
        if verdict is not None:
            found.append((number, verdict))
    return found


@pytest.mark.parametrize("digit", [0.01, 0.05, 0.1, 0.2])
@pytest.mark.parametrize("line", [1.0, 1.5])
def test_a_last_digit_at_a_line_changes_no_verdict_to_and_fro(digit, line):
    """A value between two digits of the display, one on each side of the line, and noise of a third of a digit."""
    draw = random.Random(7)
    true = 22.0 + 0.1 * line
    values = [digit * round(draw.gauss(true, digit / 3) / digit) for _ in range(5000)]
    found = announced(values)
    assert len(found) <= 4
    assert [number for number, _ in found if number > 200] == []


def test_a_clear_change_is_announced_at_its_third_reading():
    coarse = [22.0, 22.1] * 20
    assert announced([*coarse, 22.4, 22.4, 22.4, 22.4]) == [(len(coarse) + 2, Verdict.DISAGREES)]
    back = [22.4] * 10 + [22.0] * 3
    assert announced([*coarse, *back])[-1] == (len(coarse) + len(back) - 1, Verdict.AGREES)


def test_a_value_that_stays_a_digit_beyond_a_line_is_announced_in_the_end():
    found = announced([22.0, 22.1] * 20 + [22.2] * 60)
    assert [verdict for _, verdict in found] == [Verdict.DISAGREES]
    assert found[0][0] >= 40 + READINGS_THAT_DECIDE - 1


def test_an_intermittent_contact_stays_announced_until_it_holds():
    to_and_fro = ([22.0] * 4 + [3.0] * 4) * 10
    found = announced([*to_and_fro, *[22.0] * 60])
    assert [verdict for _, verdict in found[-2:]] == [Verdict.DISAGREES, Verdict.AGREES]
    assert found[-2][0] < 40
    assert found[-1][0] > len(to_and_fro)


def test_a_change_on_its_way_is_announced_where_it_arrives():
    on_the_way = [22.0] * 9 + [22.12, 22.4, 22.4, 22.4] + [22.4] * 9 + [22.12, 22.0, 22.0, 22.0]
    assert announced(on_the_way) == [(12, Verdict.DISAGREES), (25, Verdict.AGREES)]


def test_a_distortion_is_reported_in_per_cent():
    """As rows show it: 1.269 of the fundamental is 126.9 %."""
    channel = Channel.model_validate(
        {"name": "current THD", "instrument": "meter", "quantity": "mains.current.thd", "accuracy": "2 %"}
    )
    judgement = judgement_of(channel, 1.0, 1.269, Expected(0.8123, 0.14, ""))
    assert verdict_sentence(channel, judgement, judgement.verdict).startswith(
        "current THD reads 126.9 %, expected 81 ± 14 % (En +3."
    )
