"""The number in a message: plain, in JSON (RFC 9535 and RFC 8259), by a pattern; and never one that was not sent."""

import json
import math
import random

import pytest
from pydantic import ValidationError

from benchmon.bench.fields import KeyedError
from benchmon.errors import BadReply
from benchmon_drivers.network.messages import LARGEST, MessageChannel, MessageNumber
from support.far_ends.damage import damaged, stands_in


def number(whole=True, unit="V", **keys):
    return MessageNumber("u", unit, MessageChannel.model_validate(keys), whole=whole)


@pytest.mark.parametrize(
    ("message", "keys", "value"),
    [
        (b"22.1", {}, 22.1),
        (b" 22,1 V\r\n", {}, 22.1),
        (b"1200 mV", {}, 1.2),
        (b"1200", {"unit": "mV"}, 1.2),
        (b"-221", {"factor": "-0.1"}, 22.1),
        (b"22.1", {"factor": "2", "offset": "1"}, 45.2),
        (b"OL", {}, math.inf),
        (b"-OL", {}, -math.inf),
        (b"OL", {"factor": -1}, -math.inf),
        (b'{"u": 22.1}', {"json": "$.u"}, 22.1),
        (b'{"u": "22.1 V"}', {"json": "$.u"}, 22.1),
        (b'{"u": "OL"}', {"json": "$.u"}, math.inf),
        (b'{"a": {"b": [1, 2, {"c": 3e1}]}}', {"json": "$.a.b[2].c"}, 30.0),
        (b'[{"id": "a", "v": 1}, {"id": "b", "v": 2}]', {"json": "$[?@.id == 'b'].v"}, 2.0),
        (b"\xef\xbb\xbf22", {"json": "$"}, 22.0),
        (b'{"u": 22100}', {"json": "$.u", "unit": "mV"}, 22.1),
        (b"U=22.1 I=3", {"pattern": r"U=(?P<value>[0-9.]+) I=.*"}, 22.1),
        (b"U=22.1mV", {"pattern": r"U=(?P<value>[0-9.]+)(?P<unit>\w+)"}, 0.0221),
    ],
)
def test_a_value_is_read_in_si_units(message, keys, value):
    assert number(**keys).find(message) == pytest.approx(value)


@pytest.mark.parametrize(
    ("message", "keys"),
    [
        (b"", {}),
        (b"nan", {}),
        (b'{"u": null}', {"json": "$.u"}),
        (b'{"u": NaN}', {"json": "$.u"}),
        (b'{"u": -999}', {"json": "$.u", "no_value": [-999]}),
        (b"85", {"no_value": [85]}),
    ],
)
def test_no_number_is_nan(message, keys):
    assert math.isnan(number(**keys).find(message))


@pytest.mark.parametrize(
    ("message", "keys", "why"),
    [
        (b"hello", {}, "not a number"),
        (b"22.1 A", {}, "a voltage in V is wanted"),
        (b"1.2.3", {}, "not a number"),
        (b'{"u": 22.', {"json": "$.u"}, "no JSON"),
        (b'{"u": 1, "u": 2}', {"json": "$.u"}, "names a key twice"),
        (b'{"u": 1e999}', {"json": "$.u"}, "implausible"),
        (b'{"u": ' + b"9" * 4000 + b"}", {"json": "$.u"}, "implausible"),
        (b'{"u": ' + b"9" * 5000 + b"}", {"json": "$.u"}, "no JSON"),
        (b'{"u": Infinity}', {"json": "$.u"}, "not a number"),
        (b'{"u": true}', {"json": "$.u"}, "true or false"),
        (b'{"u": [1]}', {"json": "$.u"}, "no single value"),
        (b"[1, 2]", {"json": "$[*]"}, "2 values that fit"),
        (b"[" * 5000, {"json": "$"}, "nested"),
        (b"1" * (LARGEST + 1), {}, "more than 64 kB"),
        (b"\xff\xfe", {"json": "$"}, "no JSON"),
        (b"U=22.1", {"pattern": r"U=(\d+).*"}, "takes only a part"),
        (b"U=-22", {"pattern": r"U=.(\d+)"}, "takes only a part"),
        (b"U=1222", {"pattern": r"U=1(\d+)"}, "takes only a part"),
        (b"U=22-", {"pattern": r"U=(\d+)."}, "takes only a part"),
    ],
)
def test_what_is_no_value_says_why(message, keys, why):
    found = number(**keys).find(message)
    assert isinstance(found, BadReply)
    assert why in str(found)


def test_a_message_about_something_else_is_nothing():
    assert number(json="$.u").find(b'{"i": 1}') is None
    assert number(pattern=r"U=(\d+)").find(b"I=3") is None


def test_a_pattern_in_a_page_must_fit_once():
    page = number(whole=False, pattern=r"<b>([0-9.]+)</b>")
    assert page.find(b"<html>\n<b>22.1</b></html>") == pytest.approx(22.1)
    assert "more than once" in str(page.find(b"<b>22.1</b><b>3</b>"))
    assert page.find(b"<i>22.1</i>") is None


@pytest.mark.parametrize(
    ("keys", "why"),
    [
        ({"json": "u"}, "no JSON path"),
        ({"json": "$..u"}, "look everywhere"),
        ({"json": "$[?search(@.a, '(a+)+')].v"}, "look everywhere"),
        ({"pattern": "("}, "no regular expression"),
        ({"factor": 0}, "must not be 0"),
        ({"unit": "furlong"}, "no unit"),
    ],
)
def test_keys_that_cannot_be_are_refused(keys, why):
    with pytest.raises(ValidationError, match=why):
        MessageChannel.model_validate(keys)


@pytest.mark.parametrize("keys", [{"json": "$.u", "pattern": "(.)"}, {"pattern": "."}])
def test_keys_that_do_not_go_together_are_refused(keys):
    with pytest.raises(KeyedError):
        number(**keys)


KINDS = [
    (number(), lambda v, draw: f"{v:.4g} {draw.choice(('V', 'mV', 'uV', 'kV'))}".encode()),
    (number(), lambda v, _: f"{v:+.3f}".encode()),
    (number(json="$.a[0].u"), lambda v, _: json.dumps({"t": 17, "a": [{"u": v, "i": 12.5}, {"u": 99}]}).encode()),
    (number(json="$.u"), lambda v, _: json.dumps({"i": 0.25, "u": f"{v:.3f} mV"}).encode()),
    (number(pattern=r"U=(?P<value>[-+0-9.eE]+)(?P<unit>m?V) I=.*"), lambda v, _: f"U={v:.2f}mV I=0.7A".encode()),
    (number(whole=False, pattern=r"<b>([-+0-9.]+)"), lambda v, _: f"<i>3</i><b>{v:.2f}</b>".encode()),
]


def numbers_of_damaged_messages(draws):
    draw = random.Random(draws)
    for _ in range(draws):
        reads, make = draw.choice(KINDS)
        message = damaged(make(draw.uniform(-300, 300), draw), draw)
        found = reads.find(message)
        if isinstance(found, float) and math.isfinite(found):
            yield found, message


@pytest.mark.parametrize("draws", [2_000, pytest.param(100_000, marks=pytest.mark.long)])
def test_damaged_messages_give_no_number_that_is_not_in_them(draws):
    taken = list(numbers_of_damaged_messages(draws))
    assert [one for one in taken if not stands_in(one[0], one[1].decode("utf-8", "replace"))] == []
    assert len(taken) > draws / 50, "damage that leaves nothing to read tries nothing"
