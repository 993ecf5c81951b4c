"""An operator's requests are stored as JSON and read back; the plain text of older versions is still read."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchmon.errors import BadInput
from benchmon.recorder.operator_requests import decode_request
from benchmon.session.records import Request
from benchmon.session.requests import (
    KINDS,
    Acknowledge,
    LoadBench,
    Note,
    StopRecording,
    SwitchPowerOff,
    TypedReading,
    encode_request,
)
from benchmon.text import one_line
from benchmon.watch.guess import GuessRequest
from benchmon.watch.plan import Action, RecordRequest, StepRequest, SweepAction, SweepRequest

REQUESTS = [
    Note("hum gone, 50 °C by hand"),
    Note('{"text": "quoted"}'),
    TypedReading("U = out", "22,14 V", 12.5),
    TypedReading("vout", "22.14 V"),
    GuessRequest("vout", "22 V"),
    Acknowledge("transformer"),
    Acknowledge(),
    StepRequest(Action.BEGIN, 1),
    StepRequest(Action.CONFIRM, 2, "no hum: cold"),
    StepRequest(Action.SKIP, 12, "no resistor"),
    StepRequest(Action.STOP, 3, "smell"),
    RecordRequest(2, "insulation", "5.2 MΩ", "", "M-7", "2026-03-01", "AB"),
    SweepRequest(SweepAction.SKIP, "regulation", "no resistor: none at hand"),
    LoadBench(12.500001),
    SwitchPowerOff("by the operator"),
    SwitchPowerOff(),
    StopRecording(),
]


@pytest.mark.parametrize("request_", REQUESTS, ids=repr)
def test_a_request_comes_back_as_it_was_sent(request_):
    kind, text = encode_request(request_)
    assert isinstance(json.loads(text), dict)
    assert decode_request(Request(kind, text)) == request_


def test_there_is_one_of_each_kind_above():
    assert {type(each) for each in REQUESTS} == set(KINDS)


@pytest.mark.parametrize(
    ("kind", "text", "expected"),
    [
        ("note", "fan on", Note("fan on")),
        ("reading", "at 12.500000 s: vout = 22.14 V", TypedReading("vout", "22.14 V", 12.5)),
        ("reading", "now: U = out = 1 V", TypedReading("U = out", "1 V")),
        ("acknowledge", "transformer", Acknowledge("transformer")),
        ("acknowledge", "", Acknowledge()),
        ("step", "begin 1", StepRequest(Action.BEGIN, 1)),
        ("step", "go on 2: no hum: cold", StepRequest(Action.CONFIRM, 2, "no hum: cold")),
        ("step", "skip 3: no resistor at hand", StepRequest(Action.SKIP, 3, "no resistor at hand")),
        ("load bench", "12.500000", LoadBench(12.5)),
        ("switch off", "by the operator", SwitchPowerOff("by the operator")),
        ("stop", "", StopRecording()),
    ],
)
def test_the_plain_text_of_older_versions_is_read(kind, text, expected):
    assert decode_request(Request(kind, text)) == expected


@pytest.mark.parametrize(
    ("kind", "text", "reason"),
    [
        ("format the disk", "", "cannot do"),
        ("\x1b[2J", "", "cannot do"),
        ("step", "dance 3\n\x1b[2J", "asks nothing of a plan"),
        ("step", '{"action": "dance", "place": 3, "words": ""}', "asks nothing of a plan"),
        ("step", '{"action": "skip", "place": "3", "words": ""}', "asks nothing of a plan"),
        ("reading", "forty degrees", "is not a typed reading, such as"),
        ("reading", '{"channel": "vout", "shows": "1 V", "time": NaN}', "is not a typed reading"),
        ("reading", '{"channel": "vout"}', "is not a typed reading"),
        ("reading", "{" * 9000, "is not a typed reading"),
        ("load bench", "now", "is not the time of an event"),
        ("load bench", '{"offered_at": Infinity}', "is not the time of an event"),
    ],
)
def test_what_asks_for_nothing_is_refused_in_one_printable_line(kind, text, reason):
    with pytest.raises(BadInput, match=reason) as refused:
        decode_request(Request(kind, text))
    assert str(refused.value).isprintable()


@given(st.sampled_from(tuple(KINDS.values())), st.text(max_size=200) | st.text(max_size=50).map('{{"text": {}'.format))
def test_no_text_breaks_the_recorder(kind, text):
    answer = ""
    try:
        decode_request(Request(kind, text))
    except BadInput as refused:
        answer = str(refused)
    assert answer.isprintable()


@given(st.text(max_size=80), st.text(max_size=80), st.floats(0, 1e6) | st.none())
def test_whatever_is_typed_arrives_in_one_printable_line(channel, shows, time):
    kind, text = encode_request(TypedReading(channel, shows, time))
    assert text.isprintable()
    read = decode_request(Request(kind, text))
    assert (read.channel, read.time) == (one_line(channel), time)
    assert read.shows == one_line(shows).strip()
